"""The page that people open: how the site is, for how long, and what becomes of each device."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from agent.battery import view as battery_view
from agent.battery.check import file_day
from agent.page.door import Door
from agent.page.guard import visitor_of
from agent.page.live import Live
from agent.page.live_journal import Entry, Tail
from agent.page.live_parts import Parts
from agent.page.live_past import Past
from agent.page.live_rehearsal import LiveRehearsal
from agent.page.live_ride import LiveRide
from agent.page.static import Static
from agent.page.view_acts import ACTS, PLACE
from agent.page.view_frame import Frame
from agent.page.view_parts import (
    batteries_of,
    budget,
    device_lines,
    power_of,
    running_untold,
)
from agent.page.view_ride import ride_of
from agent.page.view_seen import Seen
from agent.page.view_words import said_of
from agent.pictures.ride_picture import NARROW, WIDE, ride_picture

ENTRIES_SHOWN = 25


class Front:
    """Makes the page of one site.

    Attributes:
        static: the files that go with it.
        frame: what its pages are made in.
        live: what it shows now; has to be run.
    """

    def __init__(self, door: Door, ride: LiveRide) -> None:
        """Prepare; nothing is drawn before somebody looks."""
        self.static = Static()
        self._door = door
        self.frame = Frame(self.static)
        self.live = Live(door, ride, self._draw, release=self.frame.release)
        self._rehearsal = LiveRehearsal(door, self.frame)

    async def run(self) -> None:
        """Keep what is shown up to date, for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self.live.run())
            group.create_task(self._rehearsal.run())

    @property
    def routes(self) -> list[Route]:
        """The addresses it answers at."""
        return [
            Route("/", self._front),
            Route("/live", self._events),
            *self._rehearsal.routes,
        ]

    async def _front(self, request: Request) -> Response:
        parts = self.live.fresh()
        session = visitor_of(request).session
        return self.frame.page(
            "page.html",
            site=self._door.engine.site.name,
            mark=self.live.shown.mark,
            parts=parts,
            person=None if session is None else session.name,
            csrf=None if session is None else session.csrf,
        )

    async def _events(self, request: Request) -> Response:
        return self.live.shown.answer(request, self.live.catch_up)

    # Parts

    def _draw(self, seen: Seen, past: Past, tail: Tail) -> Parts:
        said = said_of(seen)
        ride = ride_of(seen, past, self._door.place, description=f"{said.head} {said.why}")
        pictures = None
        if ride is not None:
            pictures = {
                "wide": ride_picture(ride, layout=WIDE, name="wide", is_alone=False),
                "narrow": ride_picture(ride, layout=NARROW, name="narrow", is_alone=False),
            }
        return {
            "said": self._part("said", said=said, seen=seen),
            "heard": self._part("heard", seen=seen, acts=self._acts(seen)),
            "ride": self._part(
                "ride",
                pictures=pictures,
                is_imagined=seen.ahead is not None,
                is_paused=seen.shown["paused_s"] is not None,
            ),
            "devices": self._part(
                "devices", devices=device_lines(seen), untold=running_untold(seen)
            ),
            "power": self._part("power", units=power_of(seen), budget=budget(seen)),
            "batteries": self._part("batteries", batteries=self._batteries(seen)),
            "journal": self._part("journal", days=_by_day(tail, seen)),
        }

    def _acts(self, seen: Seen) -> list[tuple[str, str]]:
        """Return what may be done now: where, and its words."""
        asks = self._door.asks
        acts = [("end-pause" if seen.shown["paused_s"] is not None else "pause", "pause")]
        acts += [("stop", "stop"), ("start", "start"), ("silence", "silence")]
        if seen.state.outage_at is None:
            acts.append(("rehearse", "rehearse"))
        found = [(PLACE + name, ACTS[name].title) for name, ask in acts if ask in asks]
        return [*found, *([("/rehearsal", "Last rehearsal")] if "rehearsed" in asks else [])]

    def _part(self, name: str, **values: Any) -> str:
        return self.frame.part(f"{name}.html", **values)

    def _batteries(self, seen: Seen) -> Any:
        loaded, today = self._door.loaded, self._door.today()
        documents: dict[str, Mapping[str, Any]] = {
            name: battery_view.document(
                unit,
                seen.state.units[name].battery,
                file_day=file_day(loaded.document, name),
                fit=loaded.units[name].fit is not None,
                today=today,
                now=seen.now,
            )
            for name, unit in seen.site.units.items()
        }
        return batteries_of(seen, documents)


def _by_day(tail: Tail, seen: Seen) -> list[tuple[str, list[tuple[str, str, Entry]]]]:
    """Return the newest entries, newest first, under the days that they were made on."""
    days: list[tuple[str, list[tuple[str, str, Entry]]]] = []
    for entry in list(tail.entries)[: -ENTRIES_SHOWN - 1 : -1]:
        local = entry.utc.astimezone(seen.zone)
        day = "today" if local.date() == seen.local(0.0).date() else f"{local:%A} {local:%Y-%m-%d}"
        if not days or days[-1][0] != day:
            days.append((day, []))
        days[-1][1].append((local.isoformat(timespec="seconds"), f"{local:%H:%M:%S}", entry))
    return days
