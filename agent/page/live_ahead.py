"""What an outage that begins now would be: a plan kept at hand on mains, for all who look.

It is made by the planner's own means, but in a process of its own: numpy is more memory than all of
the page, and an agent on mains does without it. Nothing acts on this plan.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import structlog
from pydantic import TypeAdapter

import agent
from agent.config import LoadedSite
from agent.page.door import Door
from agent.rehearsal.known import Known, to_text
from drivers.transports.threads import in_own_thread
from policies.plan import Plan
from policies.state import SiteState
from policies.supply import Supply

log = structlog.get_logger()

RENEWED_S = 900.0
"""While somebody looks, a plan is made anew after so long, though nothing has changed."""

NEXT_AFTER_S = 60.0
"""After one that was made no other is for so long: each takes some seconds of a small box."""

WITHIN_S = 120.0
"""Longest that one may take, in real seconds."""

_AFTER_FAILURE_S = 600.0
_MOVED_W, _MOVED_SHARE = 10.0, 0.1


class Ahead:
    """Keeps such a plan, one for the page and the terminal.

    Attributes:
        plan: the last one; None before the first, in an outage, or where none can be made.
        on_made: told, on the loop, whenever one was made or could not be.
    """

    def __init__(self, door: Door) -> None:
        """Prepare; makes nothing."""
        self.plan: Plan | None = None
        self.on_made: list[Callable[[], None]] = []
        self._making: asyncio.Task[None] | None = None
        self._door = door
        self._made_for: tuple[object, ...] = ()
        self._loads: dict[str, float] = {}
        self._not_before = -1.0
        self._is_making = False

    def keep(self, *, is_watched: bool = True) -> None:
        """Have another one made beside all else, if one is wanted."""
        if self._making is None and self.is_wanted(is_watched=is_watched):
            self._making = asyncio.create_task(self._make())

    async def first(self, *, within_s: float) -> None:
        """Wait for the one that is being made, if there is none yet."""
        if self._making is not None and self.plan is None:
            await asyncio.wait({self._making}, timeout=within_s)

    async def close(self) -> None:
        """End what is under way."""
        if self._making is not None:
            self._making.cancel()
            with suppress(asyncio.CancelledError):
                await self._making

    async def _make(self) -> None:
        try:
            await self.make()
        except Exception:  # what is shown does without
            log.exception("failed_page_plan")
        finally:
            self._making = None
        for told in self.on_made:
            told()

    def is_wanted(self, *, is_watched: bool = True) -> bool:
        """Whether another plan should be made now; one that no longer holds is dropped."""
        state, now = self._door.engine.state, self._door.clock.monotonic()
        if state.outage_at is not None:
            self.plan, self._made_for, self._not_before = None, (), now
            return False
        if self._is_making or now < self._not_before or not planned_units(state):
            return False
        if self.plan is None or self._key(state) != self._made_for or self._has_moved(state):
            return True
        return is_watched and now - self.plan.made_at > RENEWED_S

    async def make(self) -> None:
        """Make one; what goes wrong is logged, and the page does without."""
        door, state = self._door, self._door.engine.state
        now = door.clock.monotonic()
        key, loads = self._key(state), {n: u.load_w for n, u in state.units.items()}
        known = Known(state, now, door.clock.utc())
        self._is_making = True
        try:
            plan = await in_own_thread(lambda: _asked(door, known), name="page plan")
        except (OSError, ValueError, subprocess.SubprocessError) as error:
            log.warning("failed_page_plan", why=f"{type(error).__name__}: {error}")
            self.plan, self._not_before = None, now + _AFTER_FAILURE_S
            return
        finally:
            self._is_making = False
        if door.engine.state.outage_at is None:
            self.plan, self._made_for, self._loads = plan, key, loads
            self._not_before = now + NEXT_AFTER_S

    def _key(self, state: SiteState) -> tuple[object, ...]:
        """What a plan stands on, but for loads."""
        phases = tuple(device.phase for device in state.devices.values())
        return (*phases, *(unit.supply for unit in state.units.values()), self._door.today())

    def _has_moved(self, state: SiteState) -> bool:
        return any(
            abs(unit.load_w - self._loads.get(name, 0.0))
            > max(_MOVED_W, _MOVED_SHARE * unit.load_w)
            for name, unit in state.units.items()
        )


def planned_units(state: SiteState) -> list[str]:
    """Return the units that would carry their loads on: heard, and a battery behind their mains."""
    return [
        name
        for name, unit in state.units.items()
        if unit.reading is not None and unit.supply is Supply.MAINS
    ]


def content_of(loaded: LoadedSite) -> str:
    """Return a sum of all that a site's file says, with the files beneath it."""
    return hashlib.sha256(repr(loaded.document.value).encode()).hexdigest()


def _asked(door: Door, known: Known) -> Plan:
    """Have the plan made, and wait for it; in a thread.

    Raises:
        ValueError: it was not made, with the reason.
    """
    asked = {
        "file": str(door.loaded.path),
        "content": content_of(door.loaded),
        "known": to_text(known),
        "today": door.today().isoformat(),
        "dry_run": door.dry_run,
    }
    home = str(Path(agent.__path__[0]).parent)
    path = os.pathsep.join(filter(None, (home, os.environ.get("PYTHONPATH", ""))))
    done = subprocess.run(
        [sys.executable, "-m", "agent.page.live_ahead_process"],
        input=json.dumps(asked),
        capture_output=True,
        text=True,
        timeout=WITHIN_S,
        check=False,
        env={**os.environ, "PYTHONPATH": path, "OMP_NUM_THREADS": "1"},
    )
    if done.returncode != 0:
        said = done.stderr.strip().splitlines()
        raise ValueError(said[-1] if said else f"its process ended with {done.returncode}")
    return TypeAdapter(Plan).validate_python(json.loads(done.stdout))
