"""Month and year, against a journal of which everything is worked out by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from agent.journal.file import Row
from agent.reports.month import month_before, month_html, month_text
from agent.reports.period import as_document, month_told, year_told
from agent.reports.year import year_html, year_lines
from agent.story.model import Story
from policies.events import (
    AgentStarted,
    BatteryFitted,
    BatteryMeasured,
    Event,
    GradeEarned,
    NoticeRaised,
    SupplyJudged,
)
from policies.supply import FOR_A_MOMENT, ONE_SAYS_MAINS, Supply
from tests.agent.reports.pages import Page
from tests.agent.story.telling import rows_of, story_of
from tests.agent.yards import Yard

LISBON = ZoneInfo("Europe/Lisbon")
NEW_YEAR = datetime(2026, 1, 1, tzinfo=UTC)  # Lisbon keeps UTC in winter
MADE = datetime(2027, 1, 2, 8, 0, tzinfo=UTC)
MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0
THERE, FAILED = "mains is there", "mains has failed; it runs on its battery"


def at(month: int, day: int, hour: int = 0, minute: int = 0) -> float:
    """Return site time, which begins with the year."""
    return (datetime(2026, month, day, hour, minute, tzinfo=UTC) - NEW_YEAR).total_seconds()


def away(began: float, lasting_s: float) -> list[Event]:
    """Return what a journal holds of an outage, its readings long gone."""
    back = began + lasting_s
    return [
        SupplyJudged(began, "cabinet", Supply.MAINS, FOR_A_MOMENT),
        SupplyJudged(began + 10.0, "cabinet", Supply.BATTERY, FAILED),
        SupplyJudged(back, "cabinet", Supply.BATTERY, ONE_SAYS_MAINS),
        SupplyJudged(back + 5.0, "cabinet", Supply.MAINS, THERE),
    ]


def flicker(began: float, lasting_s: float) -> list[Event]:
    return [
        SupplyJudged(began, "cabinet", Supply.MAINS, FOR_A_MOMENT),
        SupplyJudged(began + lasting_s, "cabinet", Supply.MAINS, THERE),
    ]


def year_rows() -> list[Row]:
    """Return 2026 by hand: see `test_the_year_is_as_worked_by_hand`."""
    events: list[Event] = [
        AgentStarted(0.0, "1", False),
        BatteryFitted(1.0, "cabinet", date(2025, 3, 1), -300 * DAY_S, "the file", is_first=True),
        *flicker(at(2, 3, 4), 2.0),
        *flicker(at(2, 3, 5), 6.0),
        *away(at(3, 1, 23, 30), 4 * MINUTE_S),
        NoticeRaised(at(3, 5), "warning", "gate recorder", "gate recorder refuses our login"),
        NoticeRaised(at(3, 6), "warning", "gate recorder", "gate recorder refuses our login"),
        GradeEarned(at(3, 7), "desk", "drilled", date(2026, 3, 7), "seen"),
        *away(at(3, 29, 0, 30), 2 * HOUR_S),
        BatteryMeasured(at(3, 29, 4), "cabinet", date(2026, 3, 29), 450.0, 400.0, 500.0, "a run"),
        *away(at(10, 25, 0, 30), HOUR_S),
        NoticeRaised(at(12, 31, 23, 59), "info", "boatyard", "still here"),
    ]
    return rows_of(events, start=NEW_YEAR)


@pytest.fixture(scope="module")
def story() -> Story:
    return story_of(year_rows(), Yard().site)


def test_the_year_is_as_worked_by_hand(story: Story) -> None:
    """2 s, 6 s, 4 min, 2 h and 1 h: three momentary by IEEE 1366, 248 s; two sustained, 3 h.

    By IEEE 1159 one momentary, one temporary, three sustained. Away 3 h 4 min 8 s = 11,048 s of
    the 364 d 23 h 59 min that the journal holds: 1 - 11,048 / 31,535,940 = 99.96497 %.
    """
    told = year_told(story, 2026, zone=LISBON)

    assert (told.mains.momentary.count, told.mains.momentary.total_s) == (3, 248.0)
    assert (told.mains.sustained.count, told.mains.sustained.total_s) == (2, 3 * HOUR_S)
    assert (told.mains.momentary_1159, told.mains.temporary_1159) == (1, 1)
    assert told.mains.sustained_1159 == 3
    assert told.mains.away_s == 11_048.0
    assert told.mains.availability == pytest.approx(0.9996497, abs=1e-7)
    assert [(row.day, row.began) for row in told.outages] == [
        ("1 March 2026", "23:30:00"),
        ("29 March 2026", "00:30:00 WET"),
        ("25 October 2026", "01:30:00 WEST"),
    ]
    assert [row.lasting_s for row in told.outages] == [240.0, 7200.0, 3600.0]
    assert told.flickers == 2


def test_clocks_that_change_alter_no_length(story: Story) -> None:
    """29 March skips an hour in Lisbon, 25 October repeats one; both began at 00:30 UTC.

    Lisbon's clocks go from 01:00 to 02:00 WEST at 01:00 UTC, and from 02:00 WEST to 01:00 WET.
    """
    from agent.reports.outage import outage_told

    spring = outage_told(story, story.outages[1], zone=LISBON)
    autumn = outage_told(story, story.outages[2], zone=LISBON)

    assert (spring.began, spring.returned) == ("00:30:00 WET", "03:30:00 WEST")
    assert spring.lasting_s == 7200.0
    assert (autumn.began, autumn.returned) == ("01:30:00 WEST", "01:30:00 WET")
    assert autumn.lasting_s == 3600.0


def test_months_begin_and_end_on_the_sites_own_clock(story: Story) -> None:
    """What began at 23:30 UTC on 1 March began on the second in Tokyo, nine hours ahead."""
    lisbon = month_told(story, 2026, 3, zone=LISBON)
    tokyo = ZoneInfo("Asia/Tokyo")

    assert [row.day for row in lisbon.outages] == ["1 March 2026", "29 March 2026"]
    assert month_told(story, 2026, 3, zone=tokyo).outages[0].day == "2 March 2026"
    assert month_told(story, 2026, 4, zone=LISBON).lead[0] == "In April 2026 mains did not fail."


def test_the_month_says_what_a_mail_should(story: Story) -> None:
    """Plain text, no line of it lost."""
    text = month_text(story, 2026, 3, zone=LISBON, made=MADE)

    assert "In March 2026 mains failed twice, for 2 h 4 min in all." in text
    assert "  1 March 2026, 23:30:00: 4 min, longest gap none, lost unprepared: nothing\n" in text
    assert "  gate recorder: refuses our login (2 times)\n" in text
    assert "  drilled: desk\n" in text
    assert "cabinet: 75 % of a new one, measured on 29 March 2026; fitted 1 March 2025" in text
    assert "HAVE IT REPLACED" in text
    assert "\n\n\n" not in text


@pytest.mark.parametrize("make", [month_html, year_html])
def test_the_pages_need_nothing_from_elsewhere(story: Story, make: object) -> None:
    """They are kept, printed and mailed."""
    of = (2026, 3) if make is month_html else (2026,)
    page = Page(make(story, *of, zone=LISBON, made=MADE))  # type: ignore[operator]  # one of two

    assert page.faults == []
    assert "cabinet" in page.text
    assert "None" not in page.text.replace("None.", "")


def test_the_year_names_its_sources(story: Story) -> None:
    """Terms without their source are nobody's."""
    page = Page(year_html(story, 2026, zone=LISBON, made=MADE))

    assert "IEEE 1366 (Guide for Electric Power Distribution Reliability Indices)" in page.text
    assert "IEEE 1159 (Recommended Practice for Monitoring Electric Power Quality)" in page.text
    assert "99.9649 %" in page.text or "99.9650 %" in page.text
    assert any("IEEE 1366" in line for line in year_lines(year_told(story, 2026, zone=LISBON)))


def test_what_lies_before_the_journal_is_not_told_as_quiet() -> None:
    """An agent installed in June knows nothing of May."""
    events: list[Event] = [AgentStarted(at(6, 10), "1", False), *away(at(7, 1), 60.0)]
    story = story_of(rows_of(events, start=NEW_YEAR), Yard().site)
    may = month_told(story, 2026, 5, zone=LISBON)
    june = month_told(story, 2026, 6, zone=LISBON)

    assert may.lead == ("In May 2026 nobody watched: the journal holds nothing of it.",)
    assert june.before == "10 June 2026"
    assert june.lead == ("In June 2026 mains did not fail.",)


def test_rehearsals_are_listed_and_not_counted() -> None:
    """Somebody switched the socket off to try it."""
    events: list[Event] = [AgentStarted(0.0, "1", True), *away(at(7, 1), 600.0)]
    events.append(NoticeRaised(at(8, 1), "info", "x", "y"))
    story = story_of(rows_of(events, start=NEW_YEAR, dry=True), Yard().site)
    told = year_told(story, 2026, zone=LISBON)

    assert (told.mains.count, told.rehearsed, len(told.outages)) == (0, 1, 1)
    assert told.lead[:2] == (
        "In 2026 mains did not fail.",
        "Not counted in that: 1 outage in dry run.",
    )


def test_documents_are_plain_json(story: Story) -> None:
    """Programs of the integrator's read them."""
    found = json.loads(json.dumps(as_document(year_told(story, 2026, zone=LISBON))))

    assert found["mains"]["count"] == 5
    assert found["by_month"][2][:2] == ["March", 2]


def test_the_month_before() -> None:
    """The digest is sent on the first, and tells of the last."""
    assert month_before(date(2026, 3, 1)) == (2026, 2)
    assert month_before(date(2026, 1, 1)) == (2025, 12)


def test_a_boot_with_a_wrong_clock_moves_no_outage() -> None:
    """The clock was set after the outage, within the same boot."""
    rows = rows_of(away(100.0, 300.0), start=datetime(1970, 1, 1, tzinfo=UTC), synced=False)
    later = rows_of(
        [NoticeRaised(1000.0, "info", "x", "y")], start=NEW_YEAR + timedelta(days=9), first=99
    )
    story = story_of([*rows, *(replace(row, synced=True) for row in later)], Yard().site)

    assert year_told(story, 2026, zone=LISBON).outages[0].day == "10 January 2026"
