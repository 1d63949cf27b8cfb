"""Reach every unit and device of a site, change nothing, and say what to mend."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from types import MappingProxyType
from typing import Any

import structlog

from agent.clock import LoopClock
from agent.conduct.unit_control import NONE, ON, Control, SnmpControl
from agent.config import LoadedSite, build_drivers
from agent.errors import BackupUnitError, UnitTrouble
from agent.units import rfc1628
from agent.units.snmp_source import SnmpSource
from agent.units.source import UnitIdentity
from drivers.base import Act, Clock, Driver, Stage, Verdict
from drivers.transports.snmp import SnmpHub
from policies.model import Reading, Unit

log = structlog.get_logger()

UNIT_WITHIN_S = 10.0
DEVICE_WITHIN_S = 20.0
_GRACE_S = 1.0  # for a driver, perhaps somebody else's, that outlives its deadline
_AT_ONCE = 16
_RATING_TOLERANCE = 0.02
_VERDICTS = {
    UnitTrouble.SILENT: Verdict.NO_ANSWER,
    UnitTrouble.REFUSED: Verdict.REFUSED,
    UnitTrouble.GARBLED: Verdict.GARBLED,
}
_LOOK = "see what answers at its address and port, and whether that is the device"
_ADVICE = {
    Verdict.NO_ANSWER: "see whether it is on, and its address and port in the file",
    Verdict.REFUSED: "mend its login in the file, or let it in there",
}
"""What to do where a driver does not say."""


@dataclass(frozen=True, slots=True)
class Probed:
    """What came of probing one unit, or one device in one language.

    Attributes:
        kind: "unit" or "device".
        driver: the language, "snmp" for units.
        verdict: DONE = it was reached, and let us in.
        advice: what to mend, or "".
        details: what a unit said of itself.
    """

    kind: str
    name: str
    driver: str
    verdict: Verdict
    evidence: str
    advice: str = ""
    took_s: float = 0.0
    details: Mapping[str, Any] | None = None

    @property
    def ok(self) -> bool:
        """Whether it was reached, and let us in."""
        return self.verdict is Verdict.DONE

    def as_json(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        fields = {**asdict(self), "verdict": self.verdict.value, "ok": self.ok}
        return {**fields, "took_s": round(self.took_s, 3)}


@dataclass(frozen=True, slots=True)
class Skipped:
    """A device that was left alone, and why."""

    name: str
    why: str

    def as_json(self) -> dict[str, str]:
        """Return it JSON-ready."""
        return {"name": self.name, "why": self.why}


@dataclass(frozen=True, slots=True)
class Report:
    """What came of probing a site, in the file's order, units first."""

    probed: tuple[Probed, ...]
    skipped: tuple[Skipped, ...]

    @property
    def ok(self) -> bool:
        """Whether all that was probed was reached, and let us in."""
        return all(found.ok for found in self.probed)


async def probe(
    loaded: LoadedSite,
    *,
    device_within_s: float = DEVICE_WITHIN_S,
    busy: Mapping[str, str] = MappingProxyType({}),
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Report:
    """Return what came of probing each unit, and each device in each of its languages.

    Args:
        loaded: the site's file.
        device_within_s: longest that one device may take in one language, in s.
        busy: devices that are to be left alone now, and why.
        progress: told at the start, and after each, how many of how many are done.
    """
    clock, hub = LoopClock(), SnmpHub()
    drivers = build_drivers(loaded, clock=clock, dry_run=False)
    places = asyncio.Semaphore(_AT_ONCE)
    done = 0

    async def bounded(ask: Callable[[], Awaitable[Probed]]) -> Probed:
        nonlocal done
        async with places:
            found = await ask()
        done += 1
        progress(done, len(asks))
        return found

    asks: list[Callable[[], Awaitable[Probed]]] = [
        _UnitProbe(loaded, hub, clock, unit).ask for unit in loaded.site.units.values()
    ]
    skipped = []
    for name, device in loaded.site.devices.items():
        languages = _languages(loaded, drivers.get(name, {}), name)
        if name in busy:
            skipped.append(Skipped(name, busy[name]))
            continue
        asks += [
            _DeviceProbe(clock, name, by, driver, device_within_s).ask
            for by, driver in languages.items()
        ]
        if device.no_touch:
            skipped.append(Skipped(name, "it is on the no-touch list"))
        elif not languages:
            skipped.append(Skipped(name, "the file names no driver that could ask it anything"))
    progress(0, len(asks))
    try:
        async with asyncio.TaskGroup() as group:
            tasks = [group.create_task(bounded(ask)) for ask in asks]
    finally:
        hub.close()
        distinct = {id(d): d for stages in drivers.values() for d in stages.values()}
        closing = (driver.close() for driver in distinct.values())
        await asyncio.gather(*closing, return_exceptions=True)
    return Report(tuple(task.result() for task in tasks), tuple(skipped))


def _languages(loaded: LoadedSite, stages: Mapping[Stage, Driver], name: str) -> dict[str, Driver]:
    """Each driver of a device that can be probed, by its name."""
    by_name = {loaded.stage_drivers[name][stage]: driver for stage, driver in stages.items()}
    return {by: driver for by, driver in by_name.items() if Act.PROBE in driver.acts}


@dataclass(frozen=True, slots=True)
class _DeviceProbe:
    clock: Clock
    name: str
    by: str
    driver: Driver
    within_s: float

    async def ask(self) -> Probed:
        """Ask the driver; what a driver of somebody else's gets wrong is said, and no more."""
        began_at = self.clock.monotonic()
        found = Probed("device", self.name, self.by, Verdict.GARBLED, "")
        try:
            async with asyncio.timeout(self.within_s + _GRACE_S):
                outcome = await self.driver.perform(Act.PROBE, deadline_at=began_at + self.within_s)
        except TimeoutError:
            why = f"its driver did not end within {self.within_s:g} s"
            found = replace(found, verdict=Verdict.NO_ANSWER, evidence=why)
        except Exception:  # as the agent itself would bear it
            log.exception("failed_probe", device=self.name, driver=self.by)
            why = f"the {self.by} driver failed by a fault of its own"
            found = replace(found, evidence=why, advice="see its lines on standard error")
        else:
            found = replace(
                found, verdict=outcome.verdict, evidence=outcome.evidence, advice=outcome.advice
            )
        if not found.ok and not found.advice:
            found = replace(found, advice=_ADVICE.get(found.verdict, _LOOK))
        return replace(found, took_s=self.clock.monotonic() - began_at)


@dataclass(frozen=True, slots=True)
class _UnitProbe:
    loaded: LoadedSite
    hub: SnmpHub
    clock: Clock
    unit: Unit

    async def ask(self) -> Probed:
        """Have the unit say what it is, and take one reading."""
        access = self.loaded.units[self.unit.name]
        source = SnmpSource(
            self.hub.peer(access.address, access.snmp),
            unit=self.unit.name,
            clock=self.clock,
            output_sources=access.output_sources,
        )
        began_at = self.clock.monotonic()
        deadline_at = began_at + UNIT_WITHIN_S
        found = Probed("unit", self.unit.name, "snmp", Verdict.DONE, "")
        try:
            identity = await source.identify(deadline_at=deadline_at)
            reading = await source.read(deadline_at=deadline_at)
            control = await self._control(deadline_at)
        except BackupUnitError as error:
            verdict = _VERDICTS[error.trouble]
            said = str(error).removeprefix(f'unit "{self.unit.name}": ')
            found = replace(found, verdict=verdict, evidence=said, advice=error.advice)
        else:
            found = replace(
                found,
                evidence="; ".join((*_evidence(identity, reading), *_said_of_control(control))),
                advice="; ".join(
                    (*_advice(self.unit, identity, reading), *_control_advice(control))
                ),
                details=asdict(identity),
            )
        finally:
            await source.close()
        return replace(found, took_s=self.clock.monotonic() - began_at)

    async def _control(self, deadline_at: float) -> Control | None:
        """Read what its output would be switched by; None where the file does not want that."""
        access = self.loaded.units[self.unit.name]
        if access.control is None:
            return None
        peer = self.hub.peer(access.address, access.control)
        unit = SnmpControl(peer, unit=self.unit.name, clock=self.clock)
        return await unit.read(deadline_at=deadline_at)


def _said_of_control(control: Control | None) -> Iterator[str]:
    if control is not None and control.shutdown_s is not None and control.startup_s is not None:
        yield "what its output is switched by can be read; nothing was written"


def _control_advice(control: Control | None) -> Iterator[str]:
    """What keeps the output from being switched, as far as reading tells."""
    if control is None:
        return
    if control.shutdown_s is None or control.startup_s is None:
        yield (
            "it lacks upsShutdownAfterDelay or upsStartupAfterDelay, so its output cannot be "
            "switched: remove output, and see that everything on it can be started by other means"
        )
    elif control.shutdown_s != NONE:
        left_s = control.shutdown_s
        yield f"it counts down to switching its output off, in {left_s} s: see who wants that"
    if control.auto_restart not in (None, ON):
        yield (
            "its automatic restart (upsAutoRestart) is off: switch it on, or nothing comes back by "
            "itself after an outage that its battery did not outlast"
        )


def _evidence(identity: UnitIdentity, reading: Reading) -> Iterator[str]:
    called = " ".join(part for part in (identity.manufacturer, identity.model) if part)
    source = reading.output_source
    said = "not told" if source is None else source.name.lower()
    yield f"{called or 'a unit without a name'} answers"
    yield f"the source of its output is {said}"
    wanted = len(rfc1628.POLLED) + len(rfc1628.COLUMNS) + len(rfc1628.STATIC)
    yield (
        f"of the {wanted} objects of RFC 1628 that are read it has "
        f"{'all' if not identity.missing else wanted - len(identity.missing)}"
    )


def _advice(unit: Unit, identity: UnitIdentity, reading: Reading) -> Iterator[str]:
    """What a person should look at, though the unit answers."""
    if identity.missing:
        yield (
            f"it lacks {', '.join(identity.missing)}: what these would tell then stands on the "
            "file's own figures, so see that they are right"
        )
    for what, ours, theirs in (
        ("va", unit.rating_va, identity.rating_va),
        ("watts", unit.rating_w, identity.rating_w),
    ):
        if theirs and abs(ours - theirs) > _RATING_TOLERANCE * theirs:
            yield f"it says rating {what} = {theirs:g}, the file says {ours:g}; mend one"
    for field, why in reading.doubts.items():
        yield f"its {field} is doubtful: {why}"
