"""What was changed at devices and is to be undone yet, written down where no lastwatt is needed.

A recording that was stopped stays so after a power cycle, and so does a port that was switched off:
should the agent's box not come back, this list says what to do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection, Mapping
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import structlog

from agent import moment
from agent.conduct.perform import Performer
from agent.conduct.steps import STOPS, UNDONE_BY
from agent.config import LoadedSite
from agent.config.site import Fitted
from agent.journal.whole_file import write_whole
from agent.owed.listing import Entry, OwedFile, tables_of, with_program_part
from agent.status import OWED_LIST
from drivers.base import Act, Clock, Driver, Fitting, Remembering, Stage
from drivers.feed_cut import FeedCut
from drivers.transports.threads import in_own_thread
from policies.events import (
    DeviceSeen,
    Event,
    OrderClosed,
    OrderGiven,
    SettingRemembered,
    StepBegan,
    StepEnded,
)
from policies.graph import graph_of
from policies.model import Device, Site, Starts
from policies.owed import Owed, owed_changes
from policies.state import SiteState

log = structlog.get_logger()

AGAIN_S = 60.0
"""After a failure of the disk, it is written again after so long."""

_SHOW_WITHIN_S = 10.0

_CHANGES = (OrderGiven, StepBegan, StepEnded, SettingRemembered, OrderClosed, DeviceSeen)
"""What may change what is owed."""

Undo = Callable[[Owed], Awaitable[tuple[str, ...]]]
"""What would be sent to undo what is owed, a line each, secrets masked; empty = nothing can be."""


def undo_of(loaded: LoadedSite, *, clock: Clock) -> Undo:
    """Return what asks a device's own drivers, dry, what they would send to undo it."""
    performer = Performer(clock=clock)

    async def undo(one: Owed) -> tuple[str, ...]:
        name = one.device
        if loaded.site.devices[name].no_touch:
            return ()
        sent: list[str] = []
        for act, stage in undoing_acts(one.acts):
            language = loaded.stage_drivers[name].get(stage)
            if language is not None:
                sent += await shown(one, act, stage, loaded.fittings[name][language])
        return tuple(sent)

    async def shown(one: Owed, act: Act, stage: Stage, fitted: Fitted) -> tuple[str, ...]:
        address = loaded.addresses[one.device]
        fitting = Fitting(one.device, address, fitted.access, fitted.stages, clock, dry_run=True)
        driver = fitted.kind.build(fitting)
        if stage is Stage.CUT:
            driver = FeedCut(driver)
        try:
            if act not in driver.acts:
                return ()
            recall(driver, act, one.was)
            deadline_at = clock.monotonic() + _SHOW_WITHIN_S
            return (await performer.perform(driver, act, deadline_at=deadline_at)).sent
        finally:
            await driver.close()

    return undo


def undoing_acts(acts: Collection[str]) -> tuple[tuple[Act, Stage], ...]:
    """Return which acts undo what was done, in order, and the stage whose driver does each.

    Its power comes first, then its start: what is off cannot be told to record.
    """
    uncut = ((Act.UNCUT, Stage.CUT),) if "cut" in acts else ()
    restore = ((Act.RESTORE, Stage.QUIESCE),) if "quiesced" in acts else ()
    return (*uncut, (Act.START, Stage.START), *restore)


def recall(driver: Driver, act: Act, was: Mapping[str, str]) -> None:
    """Give a driver what the device was set to, before it undoes that."""
    for stage, undoing in UNDONE_BY.items():
        if undoing is act and stage.value in was and isinstance(driver, Remembering):
            driver.recall(was[stage.value])


class OwedList:
    """Keeps the list in the state directory as it stands; there is no file while nothing is owed.

    A disk that is full or hangs delays the list and nothing else.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        folder: Path,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        undo: Undo,
        put_copies: Callable[[str], None] = lambda text: None,
    ) -> None:
        """Prepare; `run` begins.

        Args:
            loaded: the site.
            folder: the state directory.
            clock: for the times in it.
            state: the fold of the journal.
            undo: what undoes a change.
            put_copies: takes each list that is written, for places outside; must not block.
        """
        self._loaded = loaded
        self._path = folder / OWED_LIST
        self._clock = clock
        self._state = state
        self._undo = undo
        self._put_copies = put_copies
        self._undoing: dict[str, tuple[object, tuple[str, ...]]] = {}
        self._changed = asyncio.Event()

    def hear(self, event: Event) -> None:
        """Look again after an event that may have changed what is owed."""
        if isinstance(event, _CHANGES):
            self._changed.set()

    async def run(self) -> None:
        """Write it at each change, for ever; cancel to end."""
        written: tuple[Owed, ...] | None = None
        while True:
            self._changed.clear()
            owed = owed_changes(self._loaded.site, self._state())
            if owed == written:
                await self._changed.wait()
                continue
            try:
                await self._write(owed)
            except OSError as error:
                log.error("failed_owed_list", file=str(self._path), why=error.strerror or "")
                await self._clock.sleep(AGAIN_S)
            else:
                written = owed

    async def _write(self, owed: tuple[Owed, ...]) -> None:
        path = self._path
        for one in owed:
            key = one.acts, tuple(sorted(one.was.items()))
            if self._undoing.get(one.device, (None, ()))[0] != key:
                self._undoing[one.device] = key, await self._shown(one)
        text = with_program_part(self._text(owed), self._program_part(owed))
        # Outside too where nothing is owed: a list that is gone there says nothing.
        self._put_copies(text)
        if not owed:
            await in_own_thread(lambda: path.unlink(missing_ok=True), name="owed list")
            return
        await in_own_thread(lambda: write_whole(path, text), name="owed list")

    async def _shown(self, one: Owed) -> tuple[str, ...]:
        with suppress(Exception):  # other people's code; the list is worth more than its last line
            return await self._undo(one)
        log.error("failed_undo", device=one.device)
        return ()

    def _program_part(self, owed: tuple[Owed, ...]) -> OwedFile:
        site = self._loaded.site
        entries = [self._entry(one) for one in sorted(owed, key=lambda o: _rank(site, o.device))]
        written = self._clock.utc().isoformat(timespec="seconds")
        return OwedFile(site=site.name, written=written, owed=entries)

    def _entry(self, one: Owed) -> Entry:
        name, loaded = one.device, self._loaded
        device = loaded.site.devices[name]
        stages = {
            stage.value: by
            for stage, by in loaded.stage_drivers[name].items()
            # Not what stops it: whoever holds the list shall be able to undo, and no more.
            if stage not in STOPS and not device.no_touch
        }
        fitted = {by: found.tables for by, found in loaded.fittings[name].items()}
        return Entry(
            device=name,
            address=loaded.addresses[name],
            acts=[act for act in ("quiesced", "stopped", "cut") if act in one.acts],
            since=self._local(one.since_at).isoformat(timespec="seconds"),
            was=dict(one.was),
            drivers=stages,
            tables=tables_of(stages, fitted),
            start_s=device.start_s,
        )

    def _text(self, owed: tuple[Owed, ...]) -> str:
        if not owed:
            return (
                f"{self._loaded.site.name}: lastwatt owes nothing; all that it changed is undone.\n"
            )
        lines = [
            f"{self._loaded.site.name}: what lastwatt has changed and not yet undone.",
            "It undoes this by itself once mains is back and steady; what was stopped by hand is "
            "started by hand.",
            "Should lastwatt not come back, this is what to do, in this order; or `lastwatt "
            "restore LIST` does it, from any machine that reaches them.",
        ]
        site = self._loaded.site
        for one in sorted(owed, key=lambda one: _rank(site, one.device)):
            lines += ["", *self._device_lines(site.devices[one.device], one)]
        return "\n".join(lines) + "\n"

    def _device_lines(self, device: Device, one: Owed) -> list[str]:
        address = self._loaded.addresses[one.device]
        where = f", {address}" if address else ""
        by_hand = ", by hand" if one.by_hand else ""
        what = f"{' and '.join(one.acts)}{by_hand}"
        if one.is_running:
            what += "; it came back without lastwatt"
        lines = [
            f"{device.name} ({device.role.value}{where}): {what}",
            f"  since {moment.shown(self._local(one.since_at), '%Y-%m-%d %H:%M:%S')}",
        ]
        lines += [f"  {line}" for line in self._advice(device, one)]
        if "quiesced" in one.acts:
            lines.append("  then see that it records again")
        return lines

    def _advice(self, device: Device, one: Owed) -> list[str]:
        _, sent = self._undoing[one.device]
        if sent:
            return ["send it:", *(f"  {line}" for line in sent)]
        if one.is_running:
            return []
        if device.starts is Starts.BY_ITSELF:
            return ["give it power, or take it away and give it again: it starts by itself"]
        return ["start it by its own button"]

    def _local(self, at: float) -> datetime:
        utc = self._clock.utc() - timedelta(seconds=self._clock.monotonic() - at)
        return utc.astimezone(self._loaded.time_zone)


def _rank(site: Site, name: str) -> int:
    """How many devices come before one: what it uses is started first."""
    return len(graph_of(site).uses[name])
