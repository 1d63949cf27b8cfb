"""A drill of the whole site with somebody at the switch: what to do, what must be seen, what came.

Nothing is ordered here: mains is switched by a person, and the running agent does what it would do
in any outage. This only watches, by the journal and the agent's socket.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

from agent.clock import real_monotonic
from agent.commissioning.course import Course, Drill, Stage
from agent.commissioning.record import Verdict
from agent.commissioning.steps import AgentAwayError, Bench, CommissionError
from agent.commissioning.wiring_watch import WiringWatch, places_of
from agent.errors import JournalError
from agent.journal.codec import decode
from agent.journal.view import rows, sentence
from policies.events import BeliefHeld, LightChanged, PlanHeld, ReadingTaken, StepBegan
from policies.graph import graph_of
from policies.model import Role
from policies.reasons import duration_text, names_text

EVERY_S = 0.5
AFTER_MAINS_S = 3 * 3600.0
"""Longest wait for everything to run again: the battery may have to charge first."""

_LEAST = {Drill.FULL: 0.9, Drill.SHORT: 0.5}
"""The charge that a drill begins with at least, as a share."""

_UNTOLD = (ReadingTaken, BeliefHeld, PlanHeld, LightChanged, StepBegan)

CAUTIONS = (
    "Switch mains off at a switch or breaker that keeps earth connected. NEVER pull the plug: "
    "without earth the unit and all that hangs on it can become live.",
    "Breakers and panels are for licensed people; local codes come first.",
    "See that nobody's safety hangs on this battery: alarm, door release, emergency call, lift. "
    "Tell whoever relies on the cameras.",
    "Keep hands off the unit, its battery and its plugs until the drill is over; its output may "
    "stay live while its input is off.",
    "The battery is discharged for real: recharging takes 8 to 12 hours, and an outage before that "
    "finds it as empty as you left it.",
)


@dataclass(slots=True)
class Guide:
    """One drill under way."""

    bench: Bench
    drill: Drill
    course: Course = field(init=False)
    wiring: WiringWatch = field(init=False)
    sleep: Callable[[float], None] = time.sleep
    monotonic: Callable[[], float] = real_monotonic
    _last: int = 0
    _said: set[Stage] = field(default_factory=set)
    _was_watched: bool = False
    _is_agent_away: bool = False
    _back_at: float | None = None

    def __post_init__(self) -> None:
        """Begin with nothing seen."""
        self.course = Course(self.bench.loaded.site, self.drill)
        self.wiring = WiringWatch(places_of(self.bench.loaded))

    def run(self) -> None:
        """Go through the drill, or on with it; its items are entered at the end.

        Raises:
            CommissionError: it cannot begin now, or nobody is there for it.
        """
        record, name = self.bench.record, self.drill.value
        if name in record.drills:
            self._last = record.drills[name]
            self.bench.talk.say(f"  going on with the {name}")
        else:
            self._may_begin()
            self._last = _newest(self.bench)
            record.begin(name, self._last)
            self.wiring.look(None, told=())  # before anybody is told to switch mains off
        try:
            while not self._is_over():
                self.sleep(EVERY_S)
        except CommissionError as error:
            self.bench.note(name, name, str(error), verdict=False)
            record.end(name)
            raise
        self._judge()
        record.end(name)

    # Before

    def _may_begin(self) -> None:
        status = self.bench.asked("status")
        trouble = _not_now(status, least=_LEAST[self.drill])
        if trouble:
            raise CommissionError(f"no drill now: {trouble}")
        say = self.bench.talk.say
        say("")
        say(f"The {self.drill.value}.")
        for caution in CAUTIONS:
            say(f"  CAUTION: {caution}")
        likely = [u["median_s"] for u in status["units"] if u.get("median_s")]
        if likely:
            say(f"  The battery is likely to last {duration_text(max(likely))}.")
        if self.bench.confirmed:
            return
        if not self.bench.talk.is_person:
            raise CommissionError("a drill needs a person at the switch: call this without --json")
        site = self.bench.loaded.site.name
        typed = self.bench.talk.ask("To begin, type the name of the site:", None)
        if typed.strip() != site:
            raise CommissionError("not begun: that is not the site's name")

    # During

    def _is_over(self) -> bool:
        self._hear()
        status = self._status()
        stage = self.course.stage
        if stage not in self._said:
            self._said.add(stage)
            self._say_stage(stage)
        self._watch_wiring(status, stage)
        return stage is Stage.BACK and self._is_back(status)

    def _hear(self) -> None:
        """Take in what the journal has got, and show it as it comes."""
        zone: ZoneInfo = self.bench.loaded.time_zone
        try:
            found = list(rows(self.bench.folder, after_id=self._last))
        except JournalError:
            return  # being written anew; the next look has it
        for row in found:
            self._last = row.id
            try:
                event = decode(row.kind, row.version, row.body)
            except ValueError:
                continue
            if event is None or row.dry:
                continue
            self.course.hear(event)
            if not isinstance(event, _UNTOLD):
                self.bench.talk.say(f"    {sentence(event, utc=row.utc, zone=zone)}")

    def _status(self) -> dict[str, Any] | None:
        """Return the agent's status, None where it is away: its box may have lost its power."""
        try:
            status = self.bench.asked("status")
        except AgentAwayError:
            if not self._is_agent_away:
                self.bench.talk.say("  the agent does not answer just now")
            self._is_agent_away = True
            self.course.is_dark = True
            return None
        self._is_agent_away = self.course.is_dark = False
        return status

    def _say_stage(self, stage: Stage) -> None:
        for line in self._stage_lines(stage):
            self.bench.talk.say(f"  {line}")

    def _stage_lines(self, stage: Stage) -> Iterator[str]:
        site, course = self.bench.loaded.site, self.course
        units = names_text(list(site.units))
        match stage:
            case Stage.BEFORE:
                yield f"NOW: switch mains off before {units}, at the switch, not by the plug."
                yield "Everything on the battery must stay on."
            case Stage.AWAY:
                yield "Mains is off. Look at the site: nothing may have gone dark."
                for name in course.saved:
                    yield f"{name} must stop by itself; leave it alone, whatever its lights do."
                if self.drill is Drill.SHORT:
                    yield "Stand at the switch: mains is to return when the first device stops."
                elif course.units:
                    yield "Once all is at rest the output drops, the box of lastwatt included. When"
                    yield "all is dark, switch mains on again; if this has ended with the box, call"
                    yield "it once more then: it goes on from there."
            case Stage.RETURN:
                yield "NOW: switch mains on again."
            case Stage.BACK:
                yield "Mains is back. Everything must come back by itself; press no button."

    def _watch_wiring(self, status: dict[str, Any] | None, stage: Stage) -> None:
        if stage is Stage.BEFORE:
            self.wiring.look(None, told=())
            return
        outage_s = None if status is None else status["outage_s"]
        if outage_s is None or self.wiring.is_over or Stage.BEFORE not in self._said:
            return
        self._was_watched = True
        before = set(self.wiring.miswired)
        self.wiring.look(outage_s, told=self.course.told)
        for name in set(self.wiring.miswired) - before:
            self.bench.talk.say(
                f"  MISWIRED: {name} fell silent {self.wiring.miswired[name]:.0f} s after mains "
                "failed, and nobody told it to: it hangs on mains, not on the battery"
            )

    def _is_back(self, status: dict[str, Any] | None) -> bool:
        if status is None:
            return False
        phases = {device["name"]: device["phase"] for device in status["devices"]}
        running = all(
            phases[name] == "running" and self.course.fates[name].back_at is not None
            for name in self.course.told
        )
        if running and status["outage_s"] is None:
            return True
        stuck = [name for name in self.course.told if phases[name] == "needs a hand"]
        self._back_at = self.monotonic() if self._back_at is None else self._back_at
        if self.monotonic() - self._back_at > AFTER_MAINS_S:
            return True
        return bool(stuck) and len(stuck) == len(self.course.waiting_for)

    # After

    def _judge(self) -> None:
        course, note = self.course, self.bench.note
        self._judge_wiring()
        if self.drill is Drill.FULL and course.units:
            late = [unit for unit in course.units if unit not in course.dropped]
            said = f"the output of {names_text(late)} did not drop" if late else "it dropped"
            if not late:
                said += " after everything on it was at rest, and came back with mains"
            note("output", "the output drops and returns", said, verdict=not late)
        for name in course.told:
            self._judge_device(name)
        untold = [name for name in course.saved if name not in course.told]
        if self.drill is Drill.FULL and untold:
            said = f"{names_text(untold)} was not told anything"
            note(
                f"{self.drill.value} untold",
                "everything that holds data is told",
                said,
                verdict=False,
            )
        named = [item for key, item in self.bench.record.items.items() if self._is_mine(key)]
        failed = [item for item in named if item.verdict is Verdict.FAIL]
        away_s = (course.mains_at or 0.0) - (course.failed_at or 0.0)
        said = f"mains was off for {duration_text(away_s)}; {len(course.told)} devices were told"
        is_well = not failed and bool(course.told)
        if not course.told:
            said += ": mains came back before anything had to stop"
        elif self.drill is Drill.SHORT and not course.was_mid_stop:
            said += ": mains came back while none of them was stopping; do it once more"
            is_well = False
        note(self.drill.value, f"the {self.drill.value}", said, verdict=is_well)

    def _is_mine(self, key: str) -> bool:
        return key.startswith(f"{self.drill.value} ") or key in ("output", "wiring")

    def _judge_device(self, name: str) -> None:
        fate, device = self.course.fates[name], self.bench.loaded.site.devices[name]
        lost = self.course.lost(name) if name in self.course.saved else ""
        key, what = f"{self.drill.value} {name}", f"{name} stops and comes back"
        if lost:
            self.bench.note(key, what, lost, verdict=False)
            return
        if fate.back_at is None:
            self.bench.note(key, what, "it is not seen to run again: start it", verdict=False)
            return
        parts = []
        if fate.rested_at is not None and fate.told_at is not None:
            parts.append(f"at rest {duration_text(fate.rested_at - fate.told_at)} after its order")
        if self.course.mains_at is not None:
            back_s = max(0.0, fate.back_at - self.course.mains_at)
            parts.append(f"back {duration_text(back_s)} after mains")
        verdict: Verdict | bool = True
        if device.role is Role.RECORDER:
            question = (
                f"  Look at {name}: does it record again, and is what it recorded before there?"
            )
            records = self.bench.is_so(question)
            verdict = Verdict.OPEN if records is None else records
            seen = {True: "it records", False: "it does not record", None: "nobody looked at it"}
            parts.append(seen[records])
        self.bench.note(key, what, "; ".join(parts), verdict=verdict)

    def _judge_wiring(self) -> None:
        """Say who hangs on mains; of what shows nothing on the network a person is asked."""
        site, note = self.bench.loaded.site, self.bench.note
        miswired = sorted(self.wiring.miswired)
        graph = graph_of(site)
        dumb = [
            name for name in site.devices if graph.units[name] and name not in self.wiring.answered
        ]
        if not self._was_watched:
            if not self.bench.record.passed("wiring"):
                said = "nobody watched the first ten seconds: do this drill again from its start"
                note("wiring", "nothing hangs on mains", said, verdict=Verdict.OPEN)
            return
        if miswired:
            said = f"{names_text(miswired)} died within ten seconds of mains: move its plug"
            note("wiring", "nothing hangs on mains", said, verdict=False)
            return
        is_so = True
        if dumb and not self.bench.confirmed and self.bench.talk.is_person:
            question = f"  Did all of these stay on when mains failed: {names_text(dumb, most=20)}?"
            is_so = self.bench.is_so(question) is True
        said = "all that was listed stayed on" if is_so else f"one of {names_text(dumb)} went dark"
        note("wiring", "nothing hangs on mains", said, verdict=is_so)


def _not_now(status: dict[str, Any], *, least: float) -> str:
    """Why no drill may begin; "" where one may."""
    if status["outage_s"] is not None:
        return "mains is off already"
    if status.get("watches_only"):
        return str(status["watches_only"][0])
    if status["paused_s"] is not None:
        return "the agent is paused"
    off = [d["name"] for d in status["devices"] if d["phase"] != "running"]
    if off:
        return f"{names_text(off)} does not run"
    low = [u for u in status["units"] if u["charge"] is not None and u["charge"] < least]
    if low:
        charge = f"{low[0]['charge']:.0%}"
        return f"the battery of {low[0]['name']} is at {charge}, and {least:.0%} are wanted"
    return ""


def _newest(bench: Bench) -> int:
    return max((row.id for row in rows(bench.folder, newest=1)), default=0)
