"""Stories of rides that the real engine went through, for the tests of stories and reports."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from agent.journal.codec import VERSION, encode, kind_of
from agent.journal.file import NAME, Row, insert, keep_fact, open_to_write
from agent.simulation.ride import Onlooker, ride
from agent.simulation.scenario import Scenario
from agent.story.facts import NAME as LAYOUT
from agent.story.facts import facts_from, facts_text
from agent.story.model import Story
from agent.story.tell import Teller
from policies.events import Event
from policies.model import Site

START_UTC = datetime(2026, 3, 1, 22, 0, tzinfo=UTC)


def rows_of(
    events: Iterable[Event],
    *,
    start: datetime = START_UTC,
    boot: str = "boot-1",
    synced: bool | None = True,
    dry: bool = False,
    first: int = 1,
) -> list[Row]:
    """Return events as a journal of one boot has them, site time 0 being *start*."""
    return [
        Row(
            number,
            VERSION,
            boot,
            event.at,
            event.at,
            (start + timedelta(seconds=event.at)).isoformat(timespec="milliseconds"),
            synced,
            dry,
            kind_of(type(event)),
            encode(event),
        )
        for number, event in enumerate(events, start=first)
    ]


def kept_of(site: Site, zone: str = "Europe/Lisbon") -> dict[str, str]:
    """Return what an agent writes down of its site."""
    return {"site": site.name, "time_zone": zone, LAYOUT: facts_text(site)}


def story_of(
    rows: Iterable[Row], site: Site, *, zone: str = "Europe/Lisbon", now: float | None = None
) -> Story:
    """Return the story that the entries tell."""
    teller = Teller(facts_from(kept_of(site, zone)))
    teller.take(rows)
    return teller.story(now)


def ridden(scenario: Scenario) -> list[Event]:
    """Ride a scenario through on the real engine; return all its events."""
    events: list[Event] = []
    ride(scenario, Onlooker(event=lambda at, event: events.append(event)))
    return events


def write_journal(
    folder: Path, rows: Iterable[Row], site: Site, *, zone: str = "Europe/Lisbon"
) -> Path:
    """Write entries as a real journal, and return its state directory."""
    folder.mkdir(parents=True, exist_ok=True)
    connection = open_to_write(folder / NAME)
    try:
        for name, value in kept_of(site, zone).items():
            keep_fact(connection, name, value)
        connection.execute("BEGIN")
        for row in rows:
            insert(connection, row)
        connection.execute("COMMIT")
    finally:
        connection.close()
    return folder
