"""Who is told what and when: pure choices."""

from __future__ import annotations

import math
from datetime import datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.notices.letter import TEXT_MOST, Letter, from_json, plain, to_json
from agent.notices.rules import LOOK_AGAIN_S, Next, Rules, next_of, quiet_left_s
from policies.telling import ALWAYS_TOLD, Topic, topic_of
from tests.agent.notices.telling import ZONE, letter

NOON = datetime(2026, 7, 1, 12, 0, tzinfo=ZONE)
NIGHT = datetime(2026, 7, 1, 23, 30, tzinfo=ZONE)
QUIET = (time(22, 0), time(7, 0))
OUTAGE = letter("an outage has begun", topic=Topic.OUTAGE, severity="warning", number=2)
NEEDS = letter("gate recorder is not back", topic=Topic.NEEDS_YOU, number=3)
LOST = letter()


def next_at(
    *waiting: Letter, rules: Rules, now: float = 100.0, at: datetime = NOON, hurry: bool = False
) -> Next:
    return next_of(waiting, rules, now=now, local=at, hurry=hurry)


def test_mains_lost_goes_first_alone_and_at_once() -> None:
    """Somebody may have cut it, and cuts the line next."""
    rules = Rules(batch_s=600.0, together=50, quiet=QUIET)

    for at in (NOON, NIGHT):
        assert next_at(OUTAGE, NEEDS, LOST, rules=rules, at=at) == Next((LOST,))


def test_the_rest_waits_for_more_and_no_longer() -> None:
    """Ten mails in a minute are read by nobody."""
    rules = Rules(batch_s=20.0, together=50)

    assert next_at(OUTAGE, rules=rules, now=105.0) == Next((), 15.0)
    assert next_at(OUTAGE, NEEDS, rules=rules, now=120.0) == Next((OUTAGE, NEEDS))


def test_nothing_waits_for_more_where_the_way_out_is_about_to_stop() -> None:
    """A mail that is still being gathered would reach nobody."""
    assert next_at(OUTAGE, rules=Rules(batch_s=600.0, together=9), hurry=True).letters == (OUTAGE,)


def test_message_holds_so_many_and_the_rest_follows() -> None:
    """A week's notices in one mail would be refused for their size."""
    many = [letter(f"n{n}", topic=Topic.OTHER, number=n) for n in range(7)]

    assert len(next_at(*many, rules=Rules(together=3)).letters) == 3


def test_quiet_hours_keep_back_all_but_what_cannot_wait() -> None:
    """Mains lost and needs you come through at night."""
    rules = Rules(quiet=QUIET, together=9)

    assert next_at(OUTAGE, NEEDS, rules=rules, at=NIGHT) == Next((NEEDS,))
    held = next_at(OUTAGE, rules=rules, at=NIGHT)
    assert held == Next((), LOOK_AGAIN_S)
    morning = datetime(2026, 7, 2, 7, 0, tzinfo=ZONE)
    assert next_at(OUTAGE, rules=rules, at=morning) == Next((OUTAGE,))


def test_nothing_to_send_waits_for_something() -> None:
    """No timer wakes a receiver that has nothing to do."""
    assert next_at(rules=Rules()) == Next((), math.inf)


@pytest.mark.parametrize(
    ("local", "left_h"),
    [
        (datetime(2026, 7, 1, 21, 59, tzinfo=ZONE), 0.0),
        (datetime(2026, 7, 1, 22, 0, tzinfo=ZONE), 9.0),
        (datetime(2026, 7, 2, 6, 30, tzinfo=ZONE), 0.5),
        (datetime(2026, 7, 2, 7, 0, tzinfo=ZONE), 0.0),
        # The nights in which clocks change in Lisbon in 2026 (IANA time zone database).
        (datetime(2026, 3, 28, 23, 0, tzinfo=ZONE), 7.0),
        (datetime(2026, 10, 24, 23, 0, tzinfo=ZONE), 9.0),
    ],
)
def test_quiet_hours_over_midnight_and_over_the_change_of_clocks(
    local: datetime, left_h: float
) -> None:
    """An hour too long keeps the morning's news from the owner."""
    assert quiet_left_s(Rules(quiet=QUIET), local) == pytest.approx(left_h * 3600.0)


@pytest.mark.parametrize("fold", [0, 1])
def test_quiet_hours_that_end_in_the_hour_that_comes_twice(fold: int) -> None:
    """Whoever sleeps by that clock is not woken at its second 01:15."""
    local = datetime(2026, 10, 25, 1, 15, fold=fold, tzinfo=ZONE)

    assert quiet_left_s(Rules(quiet=(time(22, 0), time(1, 30))), local) == 15 * 60.0


def test_quiet_hours_within_a_day() -> None:
    """An owner who works at night sleeps by day."""
    rules = Rules(quiet=(time(8, 0), time(15, 0)))

    assert quiet_left_s(rules, NOON) == 3 * 3600.0
    assert quiet_left_s(rules, NIGHT) == 0.0


def test_receiver_chooses_by_severity_and_topic() -> None:
    """The integrator wants trouble; the owner wants to know that it is over."""
    battery = letter("battery ageing", topic=Topic.BATTERY, severity="warning")

    assert Rules(least="warning").wants(battery)
    assert not Rules(least="error").wants(battery)
    assert Rules(topics={Topic.BATTERY}).wants(battery)
    assert not Rules(topics={Topic.OVER}).wants(battery)


def test_an_error_without_a_topic_needs_somebody() -> None:
    """An error is what a person must act on, and is then never silenced."""
    assert topic_of("", "error") is Topic.NEEDS_YOU
    assert topic_of("", "warning") is Topic.OTHER
    assert topic_of("of a later release", "error") is Topic.NEEDS_YOU
    assert {Topic.MAINS_LOST, Topic.NEEDS_YOU} == ALWAYS_TOLD


@given(st.text())
def test_hostile_text_becomes_one_harmless_line(text: str) -> None:
    """A device that answers with line ends must not write headers or steer a terminal."""
    line = plain(text)

    assert line.isprintable()
    assert len(line.splitlines()) <= 1
    assert len(line) <= TEXT_MOST


@given(text=st.text(max_size=300), about=st.text(max_size=50))
def test_what_waits_is_read_back_as_it_was(text: str, about: str) -> None:
    """What is delivered after a crash is what was raised before it."""
    before = letter(plain(text), about=plain(about), topic=Topic.BATTERY, severity="warning")

    assert from_json(to_json(before)) == before


@pytest.mark.parametrize("body", ["", "[]", "{}", "7", '{"id": 1}', "null", "\0"])
def test_what_is_no_notice_is_said_to_be_none(body: str) -> None:
    """A damaged row must not keep the agent from starting."""
    with pytest.raises(ValueError):
        from_json(body)


def test_what_was_not_taken_lets_what_was_tried_less_go_first() -> None:
    """A notice that its receiver stumbles over keeps back neither the next, nor itself for good."""
    again = letter("mains is gone again", number=4)
    rules = Rules(batch_s=20.0, together=50)

    def found(tries: dict[str, int], now: float) -> Next:
        waiting = (LOST, OUTAGE, again)
        return next_of(waiting, rules, now=now, local=NOON, hurry=False, tries=tries)

    def after(tries: dict[str, int], now: float) -> tuple[Letter, ...]:
        return found(tries, now).letters

    assert after({LOST.id: 3}, 105.0) == (again,)
    # The rest waits for more, and is not forgotten over what is tried meanwhile.
    assert found({LOST.id: 3, again.id: 1}, 105.0) == Next((again,), new_in_s=15.0)
    assert after({LOST.id: 3, again.id: 1}, 120.0) == (OUTAGE,)
    assert after({LOST.id: 3, again.id: 4, OUTAGE.id: 4}, 120.0) == (LOST,)


def test_what_must_be_known_at_once_overtakes_a_backlog() -> None:
    """After a day without a receiver, whoever must act reads of that first."""
    assert next_at(OUTAGE, NEEDS, rules=Rules()).letters == (NEEDS,)
