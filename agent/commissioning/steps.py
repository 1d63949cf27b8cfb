"""The steps of a commissioning before its drills: file, reach, box, units' settings, devices'."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from agent.checks.check import check
from agent.checks.probe import probe
from agent.commissioning import unit_settings
from agent.commissioning.asking import Talk
from agent.commissioning.device_list import needs_of
from agent.commissioning.record import Item, Record, Verdict
from agent.commissioning.unit_settings import Setting
from agent.config import Fault, LoadedSite, Severity
from agent.control import AgentUnreachableError, ask
from agent.grades.settings import fingerprints
from drivers.errors import DriverError, LastwattError

ASK_WITHIN_S = 20.0


class CommissionError(LastwattError):
    """It cannot go on; the text says what to mend, and it goes on from there."""


class AgentAwayError(CommissionError):
    """No agent answers on the state directory; it helps to start one."""


@dataclass(slots=True)
class Bench:
    """What every step works with.

    Attributes:
        confirmed: everything that could be confirmed is, beforehand: nobody is asked.
        today: the day that items are dated with.
    """

    loaded: LoadedSite
    folder: Path
    record: Record
    talk: Talk
    confirmed: bool
    who: str
    today: date

    def note(
        self, key: str, what: str, said: str, *, verdict: Verdict | bool, settings: str = ""
    ) -> None:
        """Enter an item, and show it."""
        if isinstance(verdict, bool):
            verdict = Verdict.PASS if verdict else Verdict.FAIL
        self.record.put(Item(key, what, verdict, said, self.today, settings))
        self.talk.say(f"  {verdict.value:5} {what}: {said}")

    def is_so(self, question: str) -> bool | None:
        """Ask yes or no; None = nobody is there to be asked."""
        if self.confirmed:
            return True
        if not self.talk.is_person:
            return None
        while True:
            typed = self.talk.ask(f"{question} (yes or no)", None).strip().lower()
            if typed in ("y", "yes", "n", "no"):
                return typed.startswith("y")

    def asked(self, name: str, **more: Any) -> dict[str, Any]:
        """Ask the agent.

        Raises:
            AgentAwayError: none answers.
        """
        try:
            return ask(self.folder, {"ask": name, **more}, timeout_s=ASK_WITHIN_S)
        except AgentUnreachableError as error:
            raise AgentAwayError(str(error)) from error


def checked(bench: Bench, *, today: date) -> None:
    """Judge the site's file.

    Raises:
        CommissionError: it has errors.
    """
    bench.record.forget(lambda key: _is_looked_at_anew(bench.loaded, key))
    loaded, faults = check(bench.loaded.path, today=today)
    errors = [fault for fault in faults if fault.severity is Severity.ERROR]
    for fault in faults:
        bench.talk.say(f"  {fault}")
    if loaded is None or errors:
        bench.note("check", "the site's file", f"{len(errors)} errors in it", verdict=False)
        raise CommissionError("mend the errors of the site's file, and call this again")
    # What only a drill can settle is this command's own business.
    bites = [fault for fault in faults if fault.code not in _OF_THE_DRILL]
    said = f"{len(bites)} warnings to weigh: {_codes(bites)}" if bites else "nothing to mend"
    bench.note("check", "the site's file", said, verdict=True)


_ANEW = ("check", "probe ", "agent", "pin", "unit ")


def _is_looked_at_anew(loaded: LoadedSite, key: str) -> bool:
    """Whether an item is of this call alone, or of a device that the file no longer lists."""
    if key.startswith("device "):
        return key.removeprefix("device ") not in loaded.site.devices
    return key.startswith(_ANEW)


_OF_THE_DRILL = frozenset({"never-drilled", "drill-stale"})


def _codes(faults: list[Fault]) -> str:
    return ", ".join(dict.fromkeys(fault.code for fault in faults))


def probed(bench: Bench) -> None:
    """Reach every unit and device, read-only."""
    report = asyncio.run(probe(bench.loaded))
    for found in report.probed:
        said = f"{found.evidence}; {found.advice}" if found.advice else found.evidence
        key = f"probe {found.name} {found.driver}"
        bench.note(key, f"{found.name} ({found.driver}) is reached", said, verdict=found.ok)
    for left in report.skipped:
        bench.talk.say(f"  --    {left.name}: not probed, {left.why}")


def met_agent(bench: Bench) -> Mapping[str, Any]:
    """See that the agent runs live, and by this file; return its status.

    Raises:
        AgentAwayError: none answers.
        CommissionError: it is in dry run, paused, or another site's.
    """
    status = bench.asked("status")
    trouble = ""
    if status.get("site") != bench.loaded.site.name:
        trouble = f"it runs for another site, {status.get('site')}"
    elif status.get("dry_run"):
        trouble = "it is in dry run: run it without --dry-run"
    elif status.get("paused_s"):
        trouble = "it is paused: `lastwatt pause --end` first"
    elif {device["name"] for device in status["devices"]} != set(bench.loaded.site.devices):
        trouble = "it runs by another state of this file: start it anew"
    bench.note(
        "agent", "the agent runs", trouble or f"version {status['version']}", verdict=not trouble
    )
    if trouble:
        raise CommissionError(f"the agent: {trouble}")
    return status


def pinned(bench: Bench, *, repin: bool) -> None:
    """Pin the box and the units; what was pinned otherwise is replaced only by *repin*.

    Raises:
        CommissionError: something is not as it was pinned.
    """
    pins = bench.asked("pins")
    mark_units(bench, box=str(pins["box"]), repin=repin)
    answer = bench.asked("pin", repin=repin, who=bench.who)
    if not answer.get("ok"):
        why = str(answer.get("error"))
        bench.note("pin", "box and units are pinned", why, verdict=False)
        raise CommissionError(
            f"{why}. After a deliberate swap, and only then: lastwatt commission "
            f"{bench.loaded.path} --state {bench.folder} --repin"
        )
    units = answer["units"]
    said = "the box by its hash" if answer["box"] else "the box tells nothing to know it by"
    named = [f"{name} by engine ID {engine_id}" for name, engine_id in units.items()]
    unnamed = [name for name in bench.loaded.site.units if name not in units]
    named += [f"{name} has no engine ID (SNMP version 3 has)" for name in unnamed]
    bench.note("pin", "box and units are pinned", "; ".join((said, *named)), verdict=True)


def mark_units(bench: Bench, *, box: str, repin: bool) -> None:
    """Have each unit carry this box's mark, where it can; another's is left, but for *repin*."""
    for unit in bench.loaded.site.units:
        for setting in _settings(bench, unit, box):
            if setting.name == unit_settings.ATTACHED:
                foreign = unit_settings.is_anothers(setting)
                if not setting.is_met and (repin or not foreign):
                    _propose(bench, setting)


def units_set(bench: Bench) -> None:
    """Propose what the units themselves should be set to, and set it where that is confirmed."""
    for unit in bench.loaded.site.units:
        for setting in _settings(bench, unit, ""):
            _propose(bench, setting)


def _settings(bench: Bench, unit: str, box: str) -> tuple[Setting, ...]:
    try:
        return unit_settings.settings_of(bench.loaded, unit, box=box)
    except DriverError as error:
        bench.note(f"unit {unit}", f"{unit} tells its settings", str(error), verdict=False)
        return ()


def _propose(bench: Bench, setting: Setting) -> None:
    """Hold one setting against what it should be; write it if that is wanted, and read it back."""
    key, what = f"unit {setting.unit} {setting.name}", f"{setting.unit}: {setting.name}"
    shown = "nothing" if setting.now is None else setting.now
    if setting.is_met:
        bench.note(key, what, f"it is {shown}", verdict=True)
        return
    if setting.now is None:
        said = f"the unit does not tell; see its own page: {setting.why}"
        bench.note(key, what, said, verdict=Verdict.OPEN)
        return
    access = bench.loaded.units[setting.unit]
    by_hand = f"it is {shown}; set it to {setting.wanted} on the unit's own page: {setting.why}"
    if not unit_settings.may_write(access.control or access.snmp):
        bench.note(key, what, f"{by_hand} (nothing is written in clear text)", verdict=False)
        return
    bench.talk.say(f"  {what} is {shown}, and should be {setting.wanted}: {setting.why}.")
    if not bench.is_so("  Shall lastwatt set it?"):
        bench.note(key, what, by_hand, verdict=False)
        return
    try:
        now = unit_settings.write(bench.loaded, setting)
    except DriverError as error:
        bench.note(key, what, f"{by_hand} ({error})", verdict=False)
        return
    is_taken = unit_settings.is_taken(setting, now)
    said = (
        f"it was {shown}, and reads {now} now" if is_taken else f"it still reads {now}; {by_hand}"
    )
    bench.note(key, what, said, verdict=is_taken)


def devices_set(bench: Bench) -> None:
    """Go through what a person has to see to at each device."""
    settings = fingerprints(bench.loaded)
    for name in bench.loaded.site.devices:
        needs = needs_of(bench.loaded, name)
        key = f"device {name}"
        if not needs or bench.record.passed(key, settings=settings[name]):
            continue
        bench.talk.say(f"  {name}:")
        for need in needs:
            bench.talk.say(f"    - {need}")
        answer = bench.is_so(f"  Is all of that so at {name}?")
        verdict = Verdict.OPEN if answer is None else Verdict.PASS if answer else Verdict.FAIL
        how = {
            Verdict.OPEN: "nobody was there to be asked",
            Verdict.PASS: "confirmed beforehand" if bench.confirmed else f"seen by {bench.who}",
            Verdict.FAIL: "not so yet",
        }[verdict]
        said = f"{how}: {'; '.join(needs)}"
        bench.note(
            key, f"{name} is set as it must be", said, verdict=verdict, settings=settings[name]
        )


def left_out(bench: Bench, drill: str) -> None:
    """Note a drill that nobody went through: what was passed before stands."""
    if not bench.record.passed(drill):
        bench.note(drill, f"the {drill}", "not gone through yet", verdict=Verdict.OPEN)
