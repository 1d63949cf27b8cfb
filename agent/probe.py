"""Reach every unit and device of a site, change nothing, and say what to mend."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from agent.clock import LoopClock
from agent.config import LoadedSite, build_drivers
from agent.errors import BackupUnitError, UnitTrouble
from agent.snmp_source import SnmpSource
from agent.source import UnitIdentity
from drivers.base import Act, Driver, Verdict
from drivers.transports.snmp import SnmpHub
from policies.model import Reading, Unit

UNIT_WITHIN_S = 10.0
DEVICE_WITHIN_S = 20.0
_AT_ONCE = 16
_RATING_TOLERANCE = 0.02


@dataclass(frozen=True, slots=True)
class Probed:
    """What came of probing one unit, or one device in one language.

    Attributes:
        kind: "unit" or "device"; driver: the language, "snmp" for units.
        verdict: of drivers.base.Verdict; DONE = all is well.
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
    details: dict[str, Any] | None = None

    @property
    def ok(self) -> bool:
        """Whether it was reached, and let us in."""
        return self.verdict is Verdict.DONE

    def as_json(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        return {**asdict(self), "verdict": self.verdict.value, "ok": self.ok}


async def probe(
    loaded: LoadedSite, *, progress: Callable[[int, int], None] = lambda done, of: None
) -> list[Probed]:
    """Return what came of probing each unit and each device's each language, in the file's order.

    Args:
        loaded: the site's file.
        progress: told how many of how many are done.
    """
    clock, hub = LoopClock(), SnmpHub()
    drivers = build_drivers(loaded, clock=clock, dry_run=False)
    places = asyncio.Semaphore(_AT_ONCE)
    done = 0

    async def bounded(job: Any) -> Probed:
        nonlocal done
        async with places:
            found: Probed = await job
        done += 1
        progress(done, len(jobs))
        return found

    jobs = [_probe_unit(loaded, hub, clock, unit) for unit in loaded.site.units.values()]
    for name in loaded.site.devices:
        languages = _languages(loaded, drivers.get(name, {}), name)
        jobs += [_probe_device(clock, name, by, driver) for by, driver in languages.items()]
    try:
        return list(await asyncio.gather(*(bounded(job) for job in jobs)))
    finally:
        hub.close()
        distinct = {id(d): d for stages in drivers.values() for d in stages.values()}
        await asyncio.gather(*(driver.close() for driver in distinct.values()))


def _languages(loaded: LoadedSite, stages: Any, name: str) -> dict[str, Driver]:
    """Each driver of a device that can be probed, by its name."""
    by_name = {loaded.stage_drivers[name][stage]: driver for stage, driver in stages.items()}
    return {by: driver for by, driver in by_name.items() if Act.PROBE in driver.acts}


async def _probe_device(clock: LoopClock, name: str, by: str, driver: Driver) -> Probed:
    deadline_at = clock.monotonic() + DEVICE_WITHIN_S
    outcome = await driver.perform(Act.PROBE, deadline_at=deadline_at)
    return Probed(
        "device", name, by, outcome.verdict, outcome.evidence, outcome.advice, outcome.took_s
    )


async def _probe_unit(loaded: LoadedSite, hub: SnmpHub, clock: LoopClock, unit: Unit) -> Probed:
    access = loaded.units[unit.name]
    source = SnmpSource(
        hub.peer(access.address, access.snmp),
        unit=unit.name,
        clock=clock,
        output_sources=access.output_sources,
    )
    began_at = clock.monotonic()
    deadline_at = began_at + UNIT_WITHIN_S
    try:
        identity = await source.identify(deadline_at=deadline_at)
        reading = await source.read(deadline_at=deadline_at)
    except BackupUnitError as error:
        verdict = {
            UnitTrouble.SILENT: Verdict.NO_ANSWER,
            UnitTrouble.REFUSED: Verdict.REFUSED,
            UnitTrouble.GARBLED: Verdict.GARBLED,
        }[error.trouble]
        took_s = clock.monotonic() - began_at
        return Probed("unit", unit.name, "snmp", verdict, str(error), error.advice, took_s)
    finally:
        await source.close()
    return Probed(
        "unit", unit.name, "snmp", Verdict.DONE, _evidence(identity, reading),
        _advice(unit, identity, reading), clock.monotonic() - began_at, asdict(identity),
    )  # fmt: skip


def _evidence(identity: UnitIdentity, reading: Reading) -> str:
    called = " ".join(part for part in (identity.manufacturer, identity.model) if part)
    source = reading.output_source
    said = "nothing" if source is None else source.name.lower()
    return f"{called or 'a unit without a name'} answers; the source of its output is {said}"


def _advice(unit: Unit, identity: UnitIdentity, reading: Reading) -> str:
    """What a person should look at, though the unit answers."""
    advice: list[str] = []
    if identity.missing:
        advice.append(
            f"it lacks {', '.join(identity.missing)}: the runtime then stands on the file's own "
            "figures"
        )
    for what, ours, theirs in (
        ("va", unit.rating_va, identity.rating_va),
        ("watts", unit.rating_w, identity.rating_w),
    ):
        if theirs and abs(ours - theirs) > _RATING_TOLERANCE * theirs:
            advice.append(f"it says rating {what} = {theirs:g}, the file says {ours:g}; mend one")
    advice += [f"its {field} is doubtful: {why}" for field, why in reading.doubts.items()]
    return "; ".join(advice)
