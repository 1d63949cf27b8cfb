"""The rehearsal under way, or what the last one came to, for whoever watches in a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from agent.moment import shown
from agent.page.door import Door
from agent.page.view_rehearsal import Track, track_view
from agent.pictures.ride_view import RideView
from policies.events import Event, RehearsalBegan, RehearsalEnded


@dataclass(frozen=True, slots=True)
class Rehearsed:
    """What is to be told of it.

    Attributes:
        said: a sentence; "" = there was none.
        ride: its ride-through as far as it is, while it is under way.
    """

    said: str
    ride: RideView | None = None


class Rehearsing:
    """Follows the rehearsals of one agent."""

    def __init__(self, door: Door) -> None:
        """Prepare; nothing is asked before somebody looks."""
        self._door = door
        self._who: str | None = None
        self._last: Rehearsed | None = None
        self._track: Track | None = None

    def hear(self, event: Event) -> None:
        """Note that one began, or ended."""
        if isinstance(event, RehearsalBegan):
            self._who, self._track = event.who, None
        elif isinstance(event, RehearsalEnded):
            self._who = self._last = None

    async def look(self) -> Rehearsed:
        """Return how far it is, or what the last one came to; that is read once."""
        if self._who is None and self._last is not None:
            return self._last
        answer = await self._door.last_rehearsal()
        who = self._who
        if answer is not None and not answer["done"]:
            # It is recorded as begun a moment after it has.
            return Rehearsed("A rehearsal begins.") if who is None else self._under_way(who, answer)
        found = self._told(answer)
        if who is None:
            self._last = found
        return found

    def _under_way(self, who: str, answer: Mapping[str, Any]) -> Rehearsed:
        progress = answer["progress"]
        if self._track is None or self._track.name != answer["name"]:
            self._track = Track(answer["name"])
        head = f"A rehearsal is under way, begun by {who}: nothing is sent to any device."
        if progress is None:
            return Rehearsed(head)
        self._track.take(progress)
        mains = "is away" if progress["mains_away"] else "is there"
        begins = datetime.fromisoformat(str(answer["begins"])).astimezone(self._door.zone)
        view = track_view(self._track, begins, self._door.engine.site)
        return Rehearsed(f"{head} In it mains {mains}.", view if view.units else None)

    def _told(self, answer: Mapping[str, Any] | None) -> Rehearsed:
        if answer is None:
            return Rehearsed("")
        result = answer["result"]
        if result is None:
            return Rehearsed(f"The last rehearsal did not end: {answer['why']}.")
        begins = datetime.fromisoformat(str(result["begins"])).astimezone(self._door.zone)
        when = f"{begins:%a} {begins.day} {begins:%b} {shown(begins, '%H:%M')}"
        return Rehearsed(f"Last rehearsal, mains failing on {when}: {result['sentence']}.")
