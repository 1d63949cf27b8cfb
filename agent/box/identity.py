"""Whether this agent may act: its box and its units are held against what was commissioned.

Of a mismatch somebody is told, loudly and again each day, and until it is settled no order is
given; see `policies.identity` for what is one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from typing import Any

import structlog

from agent.control import Ask
from agent.engine import Engine
from agent.units import rfc1628
from drivers.base import Clock
from drivers.errors import DriverError, LastwattError
from drivers.transports.snmp import SnmpPeer
from policies.events import IdentityPinned, WatchOnlySet
from policies.identity import (
    BOX,
    box_trouble,
    mark_of,
    mark_trouble,
    marked_cause,
    unit_trouble,
    why_it_only_watches,
)

log = structlog.get_logger()

LOOK_EVERY_S = 60.0
"""How often it is looked whose mark a unit carries."""

SAY_AGAIN_S = 86400.0
_WITHIN_S = 5.0
_ATTACHED = rfc1628.STATIC["upsIdentAttachedDevices"]


class Identity:
    """Holds the box and the units against what was pinned."""

    def __init__(
        self,
        engine: Engine,
        *,
        box: Callable[[], str],
        peers: Mapping[str, SnmpPeer],
        clock: Clock,
        who: Callable[[Mapping[str, Any]], Any],
    ) -> None:
        """Prepare; nothing is asked.

        Args:
            engine: whose state has the pins, and through which everything is recorded.
            box: says what this box is known by, "" = nothing; asked again while that is amiss.
            peers: each unit, asked read-only.
            clock: of site time.
            who: awaited, says who asks.
        """
        self._engine = engine
        self._known_by = box
        self._box = box()
        self._box_judged = asyncio.Event()
        self._peers = peers
        self._clock = clock
        self._who = who
        self._marks: dict[str, str | None] = {}
        self._matched: set[str] = set()
        self._said_at: dict[str, float] = {}

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"pins": self._answer_pins, "pin": self._answer_pin}

    @property
    def is_other_box(self) -> bool:
        """Whether this is another box than the one that was commissioned."""
        return box_trouble(self._engine.state.pins, self._box) != ""

    async def begin(self) -> None:
        """Look at the box, before anything is decided or gone on with.

        What was amiss with a unit that the site's file no longer names is nobody's to settle.
        """
        units = self._engine.site.units
        for cause in {*self._engine.state.watches_only} - {BOX, *units, *map(marked_cause, units)}:
            await self._settle(cause, "")
        await self._look_at_box()

    async def when_here(self, run: Callable[[], Awaitable[None]]) -> None:
        """Await *run* once this is the box that was commissioned, or is none that was pinned."""
        while self.is_other_box:
            self._box_judged.clear()
            await self._box_judged.wait()
        await run()

    async def heard(self, unit: str) -> None:
        """Look at what answers as a unit, before its reading is acted on.

        A unit that is another all at once while its battery carries the site is most likely a card
        that started anew: what was begun goes on, and it counts once mains is back.
        """
        state = self._engine.state
        trouble = unit_trouble(state.pins, unit, self._engine_id(unit))
        if not trouble:
            self._matched.add(unit)
        elif unit in self._matched and state.outage_at is not None:
            await self._say(unit, f"{trouble}; the outage is carried through all the same")
            return
        await self._settle(unit, trouble)

    async def run(self) -> None:
        """Look for ever whose marks the units carry, and say again what is amiss."""
        while True:
            if self.is_other_box:
                await self._look_at_box()
            for unit, peer in self._peers.items():
                await self._look(unit, peer)
            for cause, why in self._engine.state.watches_only.items():
                await self._say(cause, why)
            await self._clock.sleep(LOOK_EVERY_S)

    async def _look_at_box(self) -> None:
        """A card that shows late in the box's own start must not leave it watching for good."""
        self._box = self._known_by()
        self._box_judged.set()
        await self._settle(BOX, box_trouble(self._engine.state.pins, self._box))

    async def _look(self, unit: str, peer: SnmpPeer) -> None:
        try:
            answer = await peer.get([_ATTACHED], within_s=_WITHIN_S)
        except DriverError:
            return  # its readings tell of that
        value = answer.values[0][1] if answer.values else None
        attached = value.decode("utf-8", "replace") if isinstance(value, bytes) else ""
        self._marks[unit] = mark_of(attached)
        trouble = mark_trouble(self._engine.state.pins, unit, attached)
        await self._settle(marked_cause(unit), trouble)

    def _engine_id(self, unit: str) -> str | None:
        found = self._peers[unit].engine_id if unit in self._peers else None
        return None if found is None else found.hex()

    async def _settle(self, cause: str, trouble: str) -> None:
        """Record what has become of a cause, if anything has."""
        known = self._engine.state.watches_only.get(cause, "")
        if trouble != known:
            log.warning("judged_identity", cause=cause, why=trouble)
            await self._engine.record(WatchOnlySet(self._clock.monotonic(), cause, trouble))
            self._engine.wake()
            if not trouble:
                await self._engine.notice("info", cause, f"{cause}: it is as it was pinned again")
                self._said_at.pop(cause, None)
        if trouble:
            await self._say(cause, trouble)

    async def _say(self, cause: str, why: str) -> None:
        now = self._clock.monotonic()
        said_at = self._said_at.get(cause)
        if said_at is None or now - said_at >= SAY_AGAIN_S:
            self._said_at[cause] = now
            text = why_it_only_watches({cause: why})
            if cause not in self._engine.state.watches_only:
                text = why
            await self._engine.notice("error", cause, f"lastwatt: {text}")

    # Asks

    async def _answer_pins(self, request: dict[str, Any]) -> dict[str, Any]:
        """Say what is pinned, and what there is now."""
        pins = self._engine.state.pins
        known = None
        if pins is not None:
            known = {"box": pins.box, "units": dict(pins.units), "who": pins.who}
        return {
            "pins": known,
            "box": self._box,
            "units": {unit: self._engine_id(unit) for unit in self._peers},
            "marks": dict(self._marks),
            "watches_only": dict(self._engine.state.watches_only),
        }

    async def _answer_pin(self, request: dict[str, Any]) -> dict[str, Any]:
        """Pin what there is now; what was pinned before is replaced only where that is asked."""
        for unit, peer in self._peers.items():
            await self._look(unit, peer)
        state = self._engine.state
        units = {unit: engine_id for unit in self._peers if (engine_id := self._engine_id(unit))}
        troubles = [
            box_trouble(state.pins, self._box),
            *(unit_trouble(state.pins, unit, engine_id) for unit, engine_id in units.items()),
            *(self._foreign(unit) for unit in self._peers),
        ]
        wrong = [trouble for trouble in troubles if trouble]
        if wrong and request.get("repin") is not True:
            raise LastwattError(f"nothing was pinned: {'; '.join(wrong)}")
        who = await self._who(request)
        before = dict(state.watches_only)
        marks = {unit: mark for unit, mark in self._marks.items() if mark and self._foreign(unit)}
        now = self._clock.monotonic()
        await self._engine.record(IdentityPinned(now, self._box, units, who, marks))
        self._box_judged.set()
        self._said_at.clear()
        self._engine.wake()
        if before:
            text = f"orders are given again: {who} said that this box and its units are the site's"
            await self._engine.notice("warning", BOX, text)
        return {"box": self._box, "units": units, "was_wrong": wrong}

    def _foreign(self, unit: str) -> str:
        """Why a unit seems to be another agent's, before anything of it is pinned here too."""
        mark = self._marks.get(unit)
        if mark is None or (self._box and self._box.startswith(mark)):
            return ""
        return f"another agent looks after {unit}: it carries the mark of box {mark}"
