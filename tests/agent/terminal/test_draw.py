"""The picture in a terminal: characters alone tell what was and what is planned."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide
from agent.terminal.draw import BLOCKS, PLAIN, Glyphs, lines
from agent.terminal.glance import Glance, as_fields, from_fields

LISBON = ZoneInfo("Europe/Lisbon")
BEGINS = datetime(2026, 11, 25, 17, 0, tzinfo=LISBON)

GATE = DeviceRide(
    "gate recorder",
    past=(Span(0.0, None, Doing.ON),),
    planned=(Span(600.0, 1200.0, Doing.ON), Span(1200.0, 1300.0, Doing.STOPPING),
             Span(1300.0, None, Doing.AT_REST)),
    hold_until_s=900.0,
    latest_s=1250.0,
    note="until 17:20",
)  # fmt: skip
DESK = DeviceRide(
    "desk",
    past=(Span(0.0, 120.0, Doing.ON), Span(120.0, 200.0, Doing.STOPPING),
          Span(200.0, None, Doing.AT_REST)),
    note="at rest",
)  # fmt: skip
CABINET = UnitRide(
    "cabinet",
    left=(Left(0.0, 0.8, 1.0), Left(600.0, 0.5, 0.8)),
    left_planned=(Left(600.0, 0.5, 0.8), Left(1500.0, 0.0, 0.5), Left(2300.0, 0.0, 0.0)),
    load=(Load(0.0, 99.0), Load(200.0, 39.0)),
    load_planned=(Load(600.0, 39.0), Load(1300.0, 9.0)),
    sure_end_s=1500.0,
    likely_end_s=2300.0,
)


def ride(**more: object) -> RideView:
    fields: dict[str, object] = {
        "title": "t", "description": "d", "begins": BEGINS, "now_s": 600.0,
        "units": (CABINET,), "devices": (GATE, DESK), "until_s": 2400.0,
    }  # fmt: skip
    return RideView(**{**fields, **more})  # type: ignore[arg-type]  # by name


def glance(of: RideView | None, **more: object) -> Glance:
    fields: dict[str, object] = {
        "site": "Quayside boatyard", "at": BEGINS + timedelta(minutes=10), "tone": "heed",
        "head": "On battery, and all is well so far.", "why": "The battery lasts.",
        "notes": (), "ride": of, "is_imagined": False,
    }  # fmt: skip
    return Glance(**{**fields, **more})  # type: ignore[arg-type]  # by name


def text(found: Glance, width: int = 80, height: int = 24, glyphs: Glyphs = BLOCKS) -> list[str]:
    return [
        "".join(piece.text for piece in line) for line in lines(found, width, height, glyphs=glyphs)
    ]


def row(of: list[str], name: str) -> str:
    return next(line for line in of if line.startswith(name))


def test_rehearsal_is_told_apart_from_the_site() -> None:
    """A rehearsed outage that looks like a real one sends somebody out at night."""
    under_way = glance(
        ride(), rehearsal="A rehearsal is under way, begun by Ana.", is_rehearsed=True
    )
    shown = text(under_way)

    assert "A rehearsal is under way, begun by Ana." in shown
    assert "In the rehearsal:" in shown
    assert "In the rehearsal:" not in text(glance(ride(), rehearsal="Last rehearsal: x."))


def test_times_follow_the_sites_clock_over_a_change_and_over_json() -> None:
    """After the clocks went back a picture whose zone was lost would be off by an hour."""
    begins = datetime(2026, 10, 25, 0, 0, tzinfo=LISBON)
    found = glance(ride(begins=begins, until_s=5 * 3600.0), time_zone="Europe/Lisbon")
    shown = text(from_fields(as_fields(found)), width=100)

    (times,) = [line for line in shown if "01:00 WE" in line]
    assert times.split() == ["00:00", "01:00", "WEST", "01:00", "WET", "02:00", "03:00"]


def test_sentence_comes_first() -> None:
    """Whoever logs in over SSH in the night wants one answer."""
    shown = text(glance(ride()))

    assert shown[0].startswith("Quayside boatyard")
    assert shown[0].endswith("Wed 25 Nov 17:10:00")
    assert shown[1] == "On battery, and all is well so far."


def test_past_is_solid_and_planned_is_faint() -> None:
    """Without colours too, nobody may take what is planned for what has happened."""
    shown = text(glance(ride()))
    gate = row(shown, "gate recorder")
    past, planned = gate.split("│")

    assert "█" in past
    assert "░" not in past
    assert "░" in planned
    assert "█" not in planned
    assert planned.index("░") < planned.index("h") < planned.index("▒") < planned.index("·")
    assert gate.rstrip().endswith("until 17:20")


def test_device_that_was_stopped_shows_when() -> None:
    """A quarter of the time on at 120 of 600 s, by hand; then stopping, then at rest."""
    desk = row(text(glance(ride())), "desk").split("│")[0]

    on = desk.count("█")
    assert 0.1 < on / (on + desk.count("▒") + desk.count("·")) < 0.35
    assert desk.index("█") < desk.index("▒") < desk.index("·")


def test_times_stand_where_they_are() -> None:
    """17:20 is half of the way from 17:00 to 17:40."""
    shown = text(glance(ride()))
    times = next(line for line in shown if "17:20" in line and "cabinet" not in line
                 and "until" not in line)  # fmt: skip
    gate = row(shown, "gate recorder")
    begins = gate.index("█")
    ends = gate.rindex("·")

    assert times.index("17:20") - begins == pytest.approx(0.5 * (ends - begins), abs=1.5)


def test_battery_falls_and_its_band_widens() -> None:
    """The lowest row ends last; the likely end lies behind the sure one."""
    shown = text(glance(ride()))
    top = next(i for i, line in enumerate(shown) if line.startswith("cabinet"))
    lengths = [len(line[:62].rstrip()) for line in shown[top : top + 4]]

    assert lengths == sorted(lengths)
    lowest = shown[top + 3].split("│")[1]
    assert lowest.index("▒") < lowest.index("░")


def test_load_says_what_is_carried_now() -> None:
    """And falls as devices go."""
    load = row(text(glance(ride())), "  load")

    assert "39 W" in load
    assert load.index("█") < load.index("▄")


@pytest.mark.parametrize("glyphs", [BLOCKS, PLAIN])
@given(width=st.integers(1, 200), height=st.integers(1, 60), count=st.integers(0, 40))
def test_it_fits_into_any_terminal(glyphs: Glyphs, width: int, height: int, count: int) -> None:
    """A line too long wraps, and the picture falls apart."""
    many = tuple(
        DeviceRide(f"device {i}", GATE.past, GATE.planned, note="until 17:20") for i in range(count)
    )
    shown = text(glance(ride(devices=many)), width, height, glyphs)

    assert len(shown) <= height
    assert max(map(len, shown)) <= width


def test_plain_terminal_gets_plain_characters() -> None:
    """A serial console knows ASCII alone, and has to tell the two apart all the same."""
    shown = text(glance(ride()), glyphs=PLAIN)

    assert "\n".join(shown).isascii()
    past, planned = row(shown, "gate recorder")[18:62].split("|")
    assert set(past.strip()) == {"#"}
    assert "-" in planned
    assert "#" not in planned


def test_more_devices_than_lines_are_counted() -> None:
    """What is left out must be said."""
    many = tuple(DeviceRide(f"device {i}", GATE.past) for i in range(40))
    shown = text(glance(ride(devices=many)))

    left_out = next(line for line in shown if "more devices" in line)
    named = sum(line.startswith("device ") for line in shown)
    assert f"and {40 - named} more devices" in left_out


def test_imagined_outage_is_called_so() -> None:
    """On mains everything in the picture is planned, and nobody must be frightened."""
    planned = DeviceRide("gate recorder", planned=GATE.planned)
    shown = text(glance(ride(devices=(planned,), now_s=0.0), is_imagined=True))

    assert "If mains failed now:" in shown
    assert "█" not in "".join(row(shown, "gate recorder"))


def test_old_picture_is_called_so() -> None:
    """Figures of an agent that is gone must not pass for the present."""
    drawn = lines(glance(ride()), 80, 24, stale="No answer for 12 s; this is how it was.")

    assert drawn[1][0].text.startswith("No answer for 12 s")
    assert drawn[1][0].style == "alarm"


@pytest.mark.parametrize(
    ("zone", "begins", "told"),
    [
        # Clocks go back at 02:00 on 25 October 2026 in Lisbon (EU), an hour; at Lord Howe they go
        # forward at 02:00 on 4 October 2026, by half an hour: Debian's tzdata, by zdump.
        ("Europe/Lisbon", datetime(2026, 10, 25, 0, 30), ["00:30", "01:00", "01:30", "01:00"]),
        ("Australia/Lord_Howe", datetime(2026, 10, 4, 1, 0), ["01:00", "01:30", "02:30"]),
    ],
)
def test_times_across_a_change_of_the_clocks(zone: str, begins: datetime, told: list[str]) -> None:
    """An outage in that night is drawn in time that passed, with what clocks show."""
    begins = begins.replace(tzinfo=ZoneInfo(zone))
    shown = text(glance(ride(begins=begins, until_s=7200.0)), 100, 30)
    times = next(line for line in shown if told[0] in line)

    found = times.split()
    assert [at for at in found if at in told][: len(told)] == told


def test_glance_is_read_back_as_it_was() -> None:
    """It passes the agent's socket as JSON."""
    found = from_fields(as_fields(glance(ride())))

    assert text(found) == text(glance(ride()))
    with pytest.raises(ValueError, match="fields"):
        from_fields({"site": 1})
