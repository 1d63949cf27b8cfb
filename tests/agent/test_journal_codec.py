"""What the journal writes is read back as it was, by this release and by its neighbours."""

import json
import math
from typing import Any, NoReturn

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.journal.codec import EVENT_CLASSES, VERSION, decode, decode_state, encode, kind_of
from policies.events import Event, NoticeRaised, ReadingTaken, StepEnded, SupplyJudged
from policies.model import Alarm, Battery, Device, OutputSource, Reading, Site, Unit
from policies.state import DeviceState, Phase, SiteState, initial
from policies.supply import Supply, UnitState

SITE = Site(
    "boatyard",
    {"cabinet": Unit("cabinet", 1000.0, 700.0, Battery(watt_hours=200.0))},
    {name: Device(name, feeds=("cabinet",)) for name in ("gate recorder", "yard switch")},
)


def refuse(constant: str) -> NoReturn:
    raise AssertionError(f"{constant} is not JSON (RFC 8259 section 6)")


def is_same(back: object, value: object, text: str) -> bool:
    """Whether two values are equal; NaN, which equals nothing, is left to the text."""
    return back == value or '"NaN"' in text


@given(event=st.sampled_from(list(EVENT_CLASSES.values())).flatmap(st.from_type))
def test_every_event_comes_back_as_it_was(event: Event) -> None:
    """An event changed by its journey through the journal would fold to another state."""
    text = encode(event)
    back = decode(kind_of(type(event)), VERSION, text)

    assert type(back) is type(event)
    assert back is not None
    assert is_same(back, event, text)
    assert encode(back) == text
    json.loads(text, parse_constant=refuse)


@given(state=st.from_type(SiteState))
def test_every_state_comes_back_as_it_was(state: SiteState) -> None:
    """A snapshot is where the next start begins; what it forgets is forgotten for good."""
    text = encode(state)
    site = Site(
        "drawn",
        {name: SITE.units["cabinet"] for name in state.units},
        {name: Device(name) for name in state.devices},
    )

    assert is_same(decode_state(site, text), state, text)


def test_infinity_is_text_to_programs_and_infinity_to_us() -> None:
    """JSON has no infinity; a program that reads an export must not choke on it."""
    reading = Reading("cabinet", 1.0, runtime_s=math.inf, output_w=-math.inf)
    text = encode(ReadingTaken(1.0, reading))

    assert json.loads(text)["reading"]["runtime_s"] == "Infinity"
    assert decode("took_reading", VERSION, text) == ReadingTaken(1.0, reading)


def test_half_a_character_from_a_device_is_replaced() -> None:
    """Evidence quotes what devices send, and SQLite would refuse a lone surrogate."""
    text = encode(StepEnded(1.0, "a#1", "a", "stop", "done", "said \udcff\x00"))
    back = decode("ended_step", VERSION, text)

    assert back == StepEnded(1.0, "a#1", "a", "stop", "done", "said ?\x00")


def test_kinds_of_released_events_stay() -> None:
    """A class renamed without care would make old journals unreadable."""
    assert set(EVENT_CLASSES) >= {
        "took_reading",
        "missed_poll",
        "gave_order",
        "began_step",
        "ended_step",
        "closed_order",
        "set_pause",
        "judged_supply",
        "raised_notice",
        "started_agent",
        "ended_agent",
        "took_floor",
        "fitted_battery",
        "measured_battery",
        "judged_battery",
        "found_load",
        "changed_light",
    }


def test_a_body_written_today_is_read_for_ever() -> None:
    """Files outlive releases: this text stands in journals that exist."""
    body = (
        '{"at":7.5,"reading":{"unit":"cabinet","at":7.25,"output_source":5,"charge":0.5,'
        '"alarms":["upsAlarmOnBattery"],"doubts":{"runtime_s":"stuck"}}}'
    )

    assert decode("took_reading", 1, body) == ReadingTaken(
        7.5,
        Reading(
            "cabinet",
            7.25,
            output_source=OutputSource.BATTERY,
            charge=0.5,
            alarms=frozenset({Alarm.ON_BATTERY}),
            doubts={"runtime_s": "stuck"},
        ),
    )


def test_a_field_that_a_newer_release_added_is_passed_over() -> None:
    """A release rolled back reads its successor's journal."""
    body = '{"at":1.0,"unit":"cabinet","supply":"mains","why":"so","sure":0.9}'

    assert decode("judged_supply", 1, body) == SupplyJudged(1.0, "cabinet", Supply.MAINS, "so")


@pytest.mark.parametrize(
    ("kind", "version"), [("sang_song", 1), ("took_reading", VERSION + 1), ("sang_song", 9)]
)
def test_what_a_newer_release_wrote_is_no_event_to_us(kind: str, version: int) -> None:
    """The fold passes over what it cannot know, instead of keeping the agent down."""
    assert decode(kind, version, "anything at all") is None


@pytest.mark.parametrize(
    "body", ["", "{", "[]", "null", '{"at":"x"}', '{"at":1.0,"severity":5,"about":"","text":""}']
)
def test_a_damaged_body_is_said_to_be(body: str) -> None:
    """Damage read as some other event would be worse than damage."""
    with pytest.raises(ValueError, match=r"."):
        decode("raised_notice", VERSION, body)


def test_the_message_on_a_damaged_body_does_not_repeat_it() -> None:
    """An error's text goes to logs and pages; a body may be megabytes of anything."""
    with pytest.raises(ValueError, match=r"severity: Field required") as caught:
        decode("raised_notice", VERSION, '{"at":1.0,"about":"hunter2"}')

    assert "hunter2" not in str(caught.value)


def test_a_state_is_fitted_to_the_site_as_it_is_listed_now() -> None:
    """Devices come and go in the file while the journal remembers; the fold must not trip."""
    held = SiteState(
        units={"cabinet": UnitState(load_w=40.0), "sold": UnitState()},
        devices={"gate recorder": DeviceState(phase=Phase.AT_REST), "sold": DeviceState()},
        orders=4,
    )
    fitted = decode_state(SITE, encode(held))

    assert dict(fitted.units) == {"cabinet": UnitState(load_w=40.0)}
    assert dict(fitted.devices) == {
        "gate recorder": DeviceState(phase=Phase.AT_REST),
        "yard switch": initial(SITE).devices["yard switch"],
    }
    assert fitted.orders == 4


def test_what_has_no_form_in_the_journal_is_our_fault() -> None:
    """Better a failing test here than an entry that says nothing."""
    odd: Any = NoticeRaised(1.0, "info", "a", object())  # type: ignore[arg-type]  # on purpose

    with pytest.raises(TypeError, match="no form for a object"):
        encode(odd)
