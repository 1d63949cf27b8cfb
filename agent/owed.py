"""What was changed at devices and is to be undone yet, written down where no lastwatt is needed.

A recording that was stopped stays so after a power cycle, and so does a port that was switched off:
should the agent's box not come back, this list says what to do.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

import structlog

from agent.config import LoadedSite
from agent.perform import Performer
from agent.status import OWED_LIST
from agent.whole_file import write_whole
from drivers.base import Act, Clock, Fitting, Stage
from drivers.transports.threads import in_own_thread
from policies.events import DeviceSeen, Event, OrderClosed, OrderGiven, StepBegan, StepEnded
from policies.graph import graph_of
from policies.model import Device, Site, Starts
from policies.owed import Owed, owed_changes
from policies.state import SiteState

log = structlog.get_logger()

AGAIN_S = 60.0
"""After a failure of the disk, it is written again after so long."""

_SHOW_WITHIN_S = 10.0

Undo = Callable[[str], Awaitable[tuple[str, ...]]]
"""What would be sent to start a device, a line each, secrets masked; empty = nothing starts it."""


def undo_of(loaded: LoadedSite, *, clock: Clock) -> Undo:
    """Return what asks a device's own driver, dry, what it would send to start it."""
    performer = Performer(clock=clock)

    async def undo(name: str) -> tuple[str, ...]:
        language = loaded.stage_drivers[name].get(Stage.START)
        if language is None or loaded.site.devices[name].no_touch:
            return ()
        fitted = loaded.fittings[name][language]
        driver = fitted.kind.build(
            Fitting(name, loaded.addresses[name], fitted.access, fitted.stages, clock, dry_run=True)
        )
        try:
            if Act.START not in driver.acts:
                return ()
            deadline_at = clock.monotonic() + _SHOW_WITHIN_S
            shown = await performer.perform(driver, Act.START, deadline_at=deadline_at)
        finally:
            await driver.close()
        return shown.sent

    return undo


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
    ) -> None:
        """Prepare; `run` begins.

        Args:
            loaded: the site.
            folder: the state directory.
            clock: for the times in it.
            state: the fold of the journal.
            undo: what undoes a change.
        """
        self._loaded = loaded
        self._path = folder / OWED_LIST
        self._clock = clock
        self._state = state
        self._undo = undo
        self._undoing: dict[str, tuple[str, ...]] = {}
        self._changed = asyncio.Event()

    def hear(self, event: Event) -> None:
        """Look again after an event that may have changed what is owed."""
        if isinstance(event, OrderGiven | StepBegan | StepEnded | OrderClosed | DeviceSeen):
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
        if not owed:
            await in_own_thread(lambda: path.unlink(missing_ok=True), name="owed list")
            return
        for one in owed:
            if one.device not in self._undoing:
                self._undoing[one.device] = await self._shown(one.device)
        text = self._text(owed)
        await in_own_thread(lambda: write_whole(path, text), name="owed list")

    async def _shown(self, name: str) -> tuple[str, ...]:
        with suppress(Exception):  # other people's code; the list is worth more than its last line
            return await self._undo(name)
        log.error("failed_undo", device=name)
        return ()

    def _text(self, owed: tuple[Owed, ...]) -> str:
        lines = [
            f"{self._loaded.site.name}: what lastwatt has changed and not yet undone.",
            "It undoes this by itself once mains is back and steady; what was stopped by hand is "
            "started by hand.",
            "Should lastwatt not come back, this is what to do, in this order.",
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
            f"  since {self._local(one.since_at):%Y-%m-%d %H:%M:%S}",
        ]
        lines += [f"  {line}" for line in self._advice(device, one)]
        if "quiesced" in one.acts:
            lines.append("  then see that it records again")
        return lines

    def _advice(self, device: Device, one: Owed) -> list[str]:
        sent = self._undoing[one.device]
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
