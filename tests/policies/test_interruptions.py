"""Interruptions in the trade's terms, against an example worked by hand."""

from __future__ import annotations

import pytest

from policies.interruptions import By1159, By1366, by_1159, by_1366, reliability

MINUTE_S, HOUR_S, DAY_S = 60.0, 3600.0, 86400.0


@pytest.mark.parametrize(
    ("lasting_s", "word"),
    [(0.5, By1366.MOMENTARY), (300.0, By1366.MOMENTARY), (300.1, By1366.SUSTAINED)],
)
def test_five_minutes_are_the_line_of_ieee_1366(lasting_s: float, word: By1366) -> None:
    """IEEE 1366, clause on definitions: momentary is limited to five minutes (from memory)."""
    assert by_1366(lasting_s) is word


@pytest.mark.parametrize(
    ("lasting_s", "word"),
    [
        (0.01, By1159.MOMENTARY),
        (3.0, By1159.MOMENTARY),
        (3.1, By1159.TEMPORARY),
        (60.0, By1159.TEMPORARY),
        (60.1, By1159.SUSTAINED),
    ],
)
def test_three_seconds_and_a_minute_are_the_lines_of_ieee_1159(
    lasting_s: float, word: By1159
) -> None:
    """IEEE 1159, table of categories: momentary to 3 s, temporary to 1 min (from memory)."""
    assert by_1159(lasting_s) is word


def test_a_year_worked_by_hand() -> None:
    """A common year: 2 s, 40 s, 4 min, 5 min and 2 h of interruption, in 365 days = 525,600 min.

    By hand: four are momentary by IEEE 1366, 2 + 40 + 240 + 300 = 582 s; one is sustained, 7200 s.
    By IEEE 1159 one is momentary, one temporary, three sustained. EN 50160 calls three long (240,
    300 and 7200 s). Away 7782 s = 129.7 min, so 1 - 129.7 / 525,600 = 99.975323 % was there.
    """
    spans = [(10 * DAY_S, 2.0), (40 * DAY_S, 40.0), (90 * DAY_S, 240.0)]
    spans += [(200 * DAY_S, 300.0), (300 * DAY_S, 2 * HOUR_S)]
    found = reliability([(at, at + lasts) for at, lasts in spans], (0.0, 365 * DAY_S))

    assert (found.momentary.count, found.momentary.total_s) == (4, 582.0)
    assert (found.sustained.count, found.sustained.total_s) == (1, 7200.0)
    assert found.sustained.longest_s == 7200.0
    assert (found.momentary_1159, found.temporary_1159, found.sustained_1159) == (1, 1, 3)
    assert found.long_50160 == 3
    assert found.count == 5
    assert found.away_s == 7782.0
    assert found.availability == pytest.approx(0.99975323, abs=1e-8)


def test_two_units_behind_one_mains_see_one_interruption() -> None:
    """Their polls differ by seconds."""
    found = reliability([(100.0, 500.0), (102.0, 510.0)], (0.0, DAY_S))

    assert (found.count, found.away_s) == (1, 410.0)


def test_an_interruption_counts_in_the_period_it_began_in() -> None:
    """Over New Year's Eve: counted once, its time without mains in both years."""
    over = [(DAY_S - HOUR_S, DAY_S + 2 * HOUR_S)]
    old, new = reliability(over, (0.0, DAY_S)), reliability(over, (DAY_S, 2 * DAY_S))

    assert (old.count, new.count) == (1, 0)
    assert old.sustained.total_s == 3 * HOUR_S
    assert (old.away_s, new.away_s) == (HOUR_S, 2 * HOUR_S)


def test_what_nobody_watched_is_neither_mains_nor_none() -> None:
    """Half the day was unwatched, and in the other half mains was away for an hour: 11 of 12."""
    found = reliability([(0.0, HOUR_S)], (0.0, DAY_S), unwatched=[(12 * HOUR_S, DAY_S)])

    assert found.watched_s == 12 * HOUR_S
    assert found.availability == pytest.approx(11 / 12)


def test_an_outage_that_silenced_the_agent_too_counts_whole() -> None:
    """The box died with the battery: mains was away all the same."""
    found = reliability([(0.0, 6 * HOUR_S)], (0.0, DAY_S), unwatched=[(HOUR_S, 6 * HOUR_S)])

    assert found.away_s == 6 * HOUR_S
    assert found.availability == pytest.approx(0.75)


def test_without_a_watch_nothing_is_claimed() -> None:
    """No agent, no availability."""
    assert reliability([], (0.0, DAY_S), unwatched=[(0.0, DAY_S)]).availability is None
