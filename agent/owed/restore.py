"""Undo what is owed by a list alone: without the agent, its journal, or the box that it ran on.

Whatever shows that something is undone already is looked at first, so that a second time, or after
the agent did it itself, nothing is done twice.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from pydantic import BaseModel, ValidationError

from agent.conduct.perform import Performer
from agent.config import LoadedSite
from agent.errors import ConfigError
from agent.owed.listing import Entry, OwedFile
from agent.owed.owed import recall, undoing_acts
from drivers import registry
from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.feed_cut import FeedCut
from drivers.registry import UnknownDriverError
from drivers.settings import SecretSources

LOOK_S = 10.0
"""How long a look may take that decides whether anything is sent."""

ACT_S = 30.0
"""How long one order may take."""

WELL = frozenset({Verdict.DONE, Verdict.ASSUMED})

_STAGE_OF = {
    Act.START: Stage.START,
    Act.RESTORE: Stage.QUIESCE,
    Act.CONFIRM_QUIESCED: Stage.QUIESCE,
    Act.CONFIRM_RUNNING: Stage.VERIFY,
    Act.UNCUT: Stage.CUT,
}

Drivers = Mapping[Stage, Driver]


@dataclass(frozen=True, slots=True)
class Restored:
    """What came of one device.

    Attributes:
        verdict: the gravest of its acts.
        sent: what went over the wire, or would have, secrets masked.
    """

    device: str
    verdict: Verdict
    evidence: str
    advice: str = ""
    sent: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether nothing is owed to it any more, as far as can be told."""
        return self.verdict in WELL


async def restore(
    found: OwedFile,
    *,
    secrets: SecretSources,
    loaded: LoadedSite | None,
    clock: Clock,
    dry_run: bool,
    tell: Callable[[Restored], None],
) -> tuple[Restored, ...]:
    """Undo everything that a list says, one device after the other, in its order.

    Args:
        found: the list.
        secrets: where the secrets that it names are looked up.
        loaded: the site's file, whose access and secrets beat the list's; None = the list's own.
        clock: of deadlines.
        dry_run: send nothing.
        tell: told what came of each device.

    Raises:
        ConfigError: the list or the site's file does not suffice; nothing was sent then.
    """
    fitted = [
        (entry, _built(entry, secrets=secrets, loaded=loaded, clock=clock, dry_run=dry_run))
        for entry in found.owed
    ]
    performer = Performer(clock=clock)
    done = []
    try:
        for entry, drivers in fitted:
            done.append(await _Undoing(entry, drivers, performer, clock, dry_run).run())
            tell(done[-1])
    finally:
        for _, drivers in fitted:
            for driver in {id(d): d for d in drivers.values()}.values():
                await driver.close()
    return tuple(done)


@dataclass(frozen=True, slots=True)
class _Undoing:
    """One device while what is owed to it is undone."""

    entry: Entry
    drivers: Drivers
    performer: Performer
    clock: Clock
    dry_run: bool

    async def run(self) -> Restored:
        outcomes = [
            await self._undo(act)
            for act, stage in undoing_acts(self.entry.acts)
            if self._is_due(act, stage)
        ]
        if not outcomes:
            text = "nothing in the list says what undoes it"
            advice = "start it by its own button, and see that it records"
            return Restored(self.entry.device, Verdict.NOT_YET, text, advice)
        worst = next((o for o in outcomes if o.verdict not in WELL), outcomes[-1])
        return Restored(
            self.entry.device,
            worst.verdict,
            "; ".join(dict.fromkeys(outcome.evidence for outcome in outcomes)),
            "; ".join(dict.fromkeys(o.advice for o in outcomes if o.advice)),
            tuple(line for outcome in outcomes for line in outcome.sent),
        )

    def _is_due(self, act: Act, stage: Stage) -> bool:
        """Whether an act is there, and undoes something: a start only quiesced devices need not."""
        driver = self.drivers.get(stage)
        if driver is None or act not in driver.acts:
            return False
        restorer = self.drivers.get(Stage.QUIESCE)
        can_restore = restorer is not None and Act.RESTORE in restorer.acts
        is_off = not {"stopped", "cut"}.isdisjoint(self.entry.acts)
        return act in (Act.RESTORE, Act.UNCUT) or is_off or not can_restore

    async def _undo(self, act: Act) -> Outcome:
        driver = self.drivers[_STAGE_OF[act]]
        repeat = driver.acts[act]
        if not self.dry_run:
            seen = await self._seen_undone(act, repeat)
            if seen is not None:
                return seen
        recall(driver, act, self.entry.was)
        outcome = await self._act(driver, act, ACT_S)
        verifier = self.drivers.get(Stage.VERIFY)
        is_start = act is Act.START or (act is Act.UNCUT and Stage.START not in self.drivers)
        is_done = is_start and outcome.verdict is Verdict.DONE
        if not is_done or verifier is None or Act.CONFIRM_RUNNING not in verifier.acts:
            return outcome
        recall(verifier, act, self.entry.was)
        runs = await self._act(verifier, Act.CONFIRM_RUNNING, max(ACT_S, self.entry.start_s))
        return Outcome(act, runs.verdict, runs.evidence, runs.advice, (*outcome.sent, *runs.sent))

    async def _seen_undone(self, act: Act, repeat: Repeat) -> Outcome | None:
        """What shows that an act need not, or must not, be sent; None = send it."""
        look = Act.CONFIRM_QUIESCED if act is Act.RESTORE else Act.CONFIRM_RUNNING
        driver = self.drivers.get(_STAGE_OF[look])
        can_look = driver is not None and look in driver.acts
        if repeat is Repeat.SAFE and act in (Act.START, Act.UNCUT):
            return None
        if driver is None or not can_look:
            if repeat is not Repeat.NEVER:
                return None
            text = "it may be undone already, must not be done twice, and nothing can tell"
            return Outcome(act, Verdict.REFUSED, text, "see for yourself")
        seen = await self._act(driver, look, LOOK_S)
        if act is Act.RESTORE and seen.verdict is Verdict.NOT_YET:
            return Outcome(act, Verdict.DONE, "it is no longer quiesced: nothing was sent")
        is_off = not {"stopped", "cut"}.isdisjoint(self.entry.acts)
        if act is not Act.RESTORE and seen.verdict is Verdict.DONE and is_off:
            return Outcome(act, Verdict.DONE, f"it runs already: {seen.evidence}")
        return None

    async def _act(self, driver: Driver, act: Act, within_s: float) -> Outcome:
        deadline_at = self.clock.monotonic() + within_s
        return await self.performer.perform(driver, act, deadline_at=deadline_at)


def _built(
    entry: Entry,
    *,
    secrets: SecretSources,
    loaded: LoadedSite | None,
    clock: Clock,
    dry_run: bool,
) -> Drivers:
    """Return the drivers that undo what is owed to a device; none of them can stop it."""
    wanted = {Stage.QUIESCE, Stage.START, Stage.VERIFY, Stage.CUT}
    if loaded is not None:
        return dict(_from_site(entry, loaded, wanted, clock, dry_run=dry_run))
    stages = {
        Stage(name): by for name, by in entry.drivers.items() if name in set(map(str, wanted))
    }
    built: dict[str, Driver] = {}
    for by in dict.fromkeys(stages.values()):
        own = [stage for stage, driver in stages.items() if driver == by]
        built[by] = _from_list(entry, by, own, secrets, clock, dry_run=dry_run)
    return {stage: _as_stage(stage, built[by]) for stage, by in stages.items()}


def _as_stage(stage: Stage, driver: Driver) -> Driver:
    """A driver as that of a stage; one that could cut is built without what it cuts by."""
    return FeedCut(driver) if stage is Stage.CUT else driver


def _from_site(
    entry: Entry, loaded: LoadedSite, wanted: set[Stage], clock: Clock, *, dry_run: bool
) -> Iterator[tuple[Stage, Driver]]:
    name = entry.device
    device = loaded.site.devices.get(name)
    if device is None:
        raise ConfigError(
            f"{loaded.path}: it lists no device {name}, which the list does; give the file that "
            "the list was written from, or leave --site out"
        )
    if device.no_touch:
        raise ConfigError(
            f"{loaded.path}: {name} is on the no-touch list; undo by hand what is owed to it"
        )
    built: dict[str, Driver] = {}
    for stage, by in loaded.stage_drivers[name].items():
        if stage not in wanted:
            continue
        if by not in built:
            fitted = loaded.fittings[name][by]
            stages = {s: table for s, table in fitted.stages.items() if s in wanted}
            address = loaded.addresses[name]
            built[by] = fitted.kind.build(
                Fitting(name, address, fitted.access, stages, clock, dry_run=dry_run)
            )
        yield stage, _as_stage(stage, built[by])


def _from_list(
    entry: Entry,
    by: str,
    stages: list[Stage],
    secrets: SecretSources,
    clock: Clock,
    *,
    dry_run: bool,
) -> Driver:
    try:
        kind: DriverKind = registry.kind(by)
        context = {"secrets": secrets}
        access = kind.access.model_validate(entry.tables.get(by, {}), context=context)
        tables: dict[Stage, BaseModel] = {
            stage: kind.stages[stage].model_validate(
                entry.tables.get(stage.value, {}), context=context
            )
            for stage in stages
            if stage is not Stage.CUT
        }
        if Stage.CUT in stages and Stage.START not in tables:
            tables[Stage.START] = kind.stages[Stage.START]()
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False, include_context=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        why = first["msg"].removeprefix("Value error, ")
        raise ConfigError(
            f"{entry.device}: [{by}] {place}: {why}; or name the site's file, --site FILE"
        ) from None
    except (KeyError, UnknownDriverError) as error:
        raise ConfigError(
            f"{entry.device}: driver {by} of the list is not known here ({error}); install the "
            "package that brings it"
        ) from None
    return kind.build(Fitting(entry.device, entry.address, access, tables, clock, dry_run=dry_run))


def secrets_beside(path: Path, env: Mapping[str, str]) -> SecretSources:
    """Return where the secrets of a list are looked up: files beside it, and the environment."""
    return SecretSources(base=path.parent, env=env)
