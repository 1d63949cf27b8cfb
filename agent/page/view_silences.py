"""The silences that are in force, as a page shows and ends them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from urllib.parse import urlencode

from agent.moment import shown
from agent.page.door import Door
from policies.telling import silenced_text


@dataclass(frozen=True, slots=True)
class Silenced:
    """One silence.

    Attributes:
        words: of what, and until when, by whom: "Notices of battery until 14:00, by Ana".
        topic, about: what names it.
        query: the same, for an address.
    """

    words: str
    topic: str
    about: str

    @property
    def query(self) -> str:
        """What follows the "?" of an address."""
        return urlencode({"topic": self.topic, "about": self.about})


def silenced_at(door: Door) -> list[Silenced]:
    """Return the silences that are in force now, the one that ends first first."""
    now, utc = door.clock.monotonic(), door.clock.utc()
    today = utc.astimezone(door.zone).date()
    found = []
    for each in sorted(door.engine.state.silences, key=lambda one: one.until_at):
        if each.until_at <= now:
            continue
        until = (utc + timedelta(seconds=each.until_at - now)).astimezone(door.zone)
        day = "" if until.date() == today else f"{until:%a} {until.day} {until:%b} "
        by = f", by {each.who}" if each.who else ""
        what = silenced_text(each.topic, each.about)
        what = f"{what[0].upper()}{what[1:]}"
        words = f"{what} until {day}{shown(until, '%H:%M')}{by}"
        found.append(Silenced(words, each.topic, each.about))
    return found
