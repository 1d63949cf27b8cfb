"""Try a recipe on one device that is in no site's file: on paper, on a recording, or for real."""

from __future__ import annotations

import os
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from agent.clock import LoopClock
from agent.config.build import drivers_for
from agent.config.document import Document
from agent.config.expand import expanded
from agent.config.explain import validated
from agent.config.faults import Fault, Severity
from agent.config.fittings import DeviceDrivers, core_of, device_keys, read_drivers
from agent.config.models import DeviceTable
from agent.config.recipes import Recipe
from drivers import registry
from drivers.base import Act, Driver, Outcome, Remembering, Stage, Verdict
from drivers.settings import SecretSources

ADDRESS = "192.0.2.20"
"""Stands in for a device's address on paper: RFC 5737 keeps it for documentation."""

WITHIN_S = 20.0

_ACTS: tuple[tuple[Act, tuple[Stage, ...]], ...] = (
    (Act.REMEMBER, (Stage.QUIESCE,)),
    (Act.QUIESCE, (Stage.QUIESCE,)),
    (Act.CONFIRM_QUIESCED, (Stage.QUIESCE,)),
    (Act.REMEMBER, (Stage.STOP,)),
    (Act.STOP, (Stage.STOP,)),
    (Act.STOP, (Stage.STOP_ELSE,)),
    (Act.REMEMBER, (Stage.CUT,)),
    (Act.CUT, (Stage.CUT,)),
    (Act.UNCUT, (Stage.CUT,)),
    (Act.CONFIRM_GONE, (Stage.VERIFY,)),
    (Act.START, (Stage.START,)),
    (Act.CONFIRM_RUNNING, (Stage.VERIFY, Stage.START, Stage.STOP)),
    (Act.RESTORE, (Stage.QUIESCE,)),
)
"""Each act, and the stages whose driver does it, the first that can; in the order of an outage."""


@dataclass(frozen=True, slots=True)
class Tried:
    """One act of a trial."""

    act: Act
    driver: str
    outcome: Outcome

    @property
    def ok(self) -> bool:
        """Whether it did what it should, as far as that could be seen."""
        return self.outcome.verdict in (Verdict.DONE, Verdict.ASSUMED)

    def as_json(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        return {
            "act": self.act.value,
            "driver": self.driver,
            "ok": self.ok,
            "verdict": self.outcome.verdict.value,
            "evidence": self.outcome.evidence,
            "advice": self.outcome.advice,
            "sent": list(self.outcome.sent),
            "was": self.outcome.was,
        }


@dataclass(frozen=True, slots=True)
class Bench:
    """A device made of a recipe alone.

    Attributes:
        document: its table, the recipe put in.
        drivers: what its drivers' tables came to.
        examples: the variables for which an example of the recipe stands.
    """

    address: str
    document: Document
    drivers: DeviceDrivers
    faults: tuple[Fault, ...]
    examples: Mapping[str, Any]

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong with it."""
        return not any(fault.severity is Severity.ERROR for fault in self.faults)


def bench_of(
    recipe: Recipe,
    given: Mapping[str, Any],
    *,
    address: str = ADDRESS,
    examples: bool = True,
    instead: Mapping[str, Mapping[str, Any]] | None = None,
) -> Bench:
    """Return a device of a recipe, judged as a site's file is.

    Args:
        recipe: the recipe.
        given: value by variable.
        address: the device's.
        examples: let the recipe's examples stand for variables that are not given; secrets then
            need not be there.
        instead: access tables that replace the recipe's.
    """
    stood_in = {
        name: variable.example
        for name, variable in recipe.vars.items()
        if examples and name not in given and variable.example is not None
    }
    table = {
        "name": recipe.name,
        "address": address,
        "feed": "mains",
        "recipe": str(recipe.files[0].absolute()),
        "vars": {**stood_in, **given},
    }
    # What is wrong with a variable is the command line's fault: nothing here has a line.
    document, of_recipe = expanded(Document(Path("--var"), {"device": [table]}, {}))
    raw = {**document.value["device"][0], **(instead or {})}
    document = replace(document, value={"device": [raw]})
    secrets = SecretSources(Path(), os.environ, must_exist=not examples)
    drivers = read_drivers(raw, ("device", 0), document, secrets, registry.kind)
    core = core_of(raw, registry.kind)
    _, faults = validated(
        DeviceTable, core, document, ("device", 0), secrets, also=device_keys(raw)
    )
    if of_recipe:  # what follows from them would only repeat them
        return Bench(address, document, drivers, of_recipe, stood_in)
    return Bench(address, document, drivers, (*drivers.faults, *faults), stood_in)


def drivers_of(bench: Bench, *, dry_run: bool) -> Mapping[Stage, Driver]:
    """Return the driver of each stage; no I/O, and nothing to close until one has been asked."""
    return drivers_for(
        str(bench.document.at(("device", 0, "name"))),
        bench.address,
        bench.drivers.fitted,
        bench.drivers.stages,
        clock=LoopClock(),
        dry_run=dry_run,
    )


@asynccontextmanager
async def _built(bench: Bench, *, dry_run: bool) -> AsyncIterator[Mapping[Stage, Driver]]:
    stages = drivers_of(bench, dry_run=dry_run)
    try:
        yield stages
    finally:
        for driver in {id(driver): driver for driver in stages.values()}.values():
            await driver.close()


def _acts(bench: Bench, stages: Mapping[Stage, Driver]) -> list[tuple[Act, Stage]]:
    """The acts that a device can be asked for, in the order of an outage; probes first."""
    by_language = {name: stage for stage, name in reversed(bench.drivers.stages.items())}
    found = [
        (Act.PROBE, stage) for stage in by_language.values() if Act.PROBE in stages[stage].acts
    ]
    for act, serving in _ACTS:
        able = [stage for stage in serving if stage in stages and act in stages[stage].acts]
        found += [(act, stage) for stage in able[:1]]
    return found


def needs_was(bench: Bench) -> bool:
    """Whether what undoes its quiescing must be told what there was before."""
    fitted = bench.drivers.fitted.get(bench.drivers.stages.get(Stage.QUIESCE, ""))
    if fitted is None:
        return False
    driver = drivers_of(bench, dry_run=True)[Stage.QUIESCE]
    return Act.RESTORE in driver.acts and Act.REMEMBER in driver.acts


async def on_paper(bench: Bench) -> tuple[Tried, ...]:
    """Return every act of a device as it would go over the wire; nothing is sent."""
    async with _built(bench, dry_run=True) as stages:
        return tuple(
            [
                await _tried(bench, stages, act, stage, within_s=WITHIN_S)
                for act, stage in _acts(bench, stages)
            ]
        )


async def for_real(
    bench: Bench, acts: tuple[Act, ...], *, but: frozenset[str] = frozenset(), was: str = ""
) -> tuple[Tried, ...]:
    """Perform those of *acts* that the device can be asked for, and return what came of them.

    What could not be remembered is not changed either: it could not be put back.

    Args:
        bench: the device.
        acts: in any order; they are performed in that of an outage.
        but: drivers that are left out.
        was: what an earlier REMEMBER told, for what undoes the change.
    """
    done: list[Tried] = []
    async with _built(bench, dry_run=False) as stages:
        for act, stage in _acts(bench, stages):
            if act in acts and bench.drivers.stages[stage] not in but:
                driver = stages[stage]
                if was and isinstance(driver, Remembering):
                    driver.recall(was)
                takes_s = WITHIN_S if act is Act.PROBE else bench.drivers.takes_s[stage]
                done.append(await _tried(bench, stages, act, stage, within_s=takes_s))
                if act is Act.REMEMBER and not done[-1].ok:
                    break
    return tuple(done)


async def _tried(
    bench: Bench, stages: Mapping[Stage, Driver], act: Act, stage: Stage, *, within_s: float
) -> Tried:
    deadline_at = LoopClock().monotonic() + within_s
    outcome = await stages[stage].perform(act, deadline_at=deadline_at)
    return Tried(act, bench.drivers.stages[stage], outcome)
