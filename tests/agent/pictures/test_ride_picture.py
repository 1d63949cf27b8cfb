"""The picture of a ride-through: past solid, plan faint, and nothing a strict page would refuse."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from agent.pictures.ride_picture import NARROW, WIDE, Layout, ride_picture
from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide

_SVG = "{http://www.w3.org/2000/svg}"
_LISBON = ZoneInfo("Europe/Lisbon")


def _view(**changes: object) -> RideView:
    """An outage of a quarter of an hour so far, with one device of each fate."""
    unit = UnitRide(
        "cabinet",
        left=(Left(0.0, 0.6, 1.0), Left(900.0, 0.4, 0.8)),
        left_planned=(Left(900.0, 0.4, 0.8), Left(3600.0, 0.0, 0.0)),
        load=(Load(0.0, 130.0), Load(200.0, 96.0)),
        load_planned=(Load(900.0, 96.0), Load(2100.0, 64.0)),
        charge=((300.0, 0.9),),
        sure_end_s=2400.0,
        likely_end_s=3600.0,
        sureness="95 % sure",
    )
    devices = (
        DeviceRide(
            "gate recorder",
            past=(Span(0.0, None, Doing.ON),),
            planned=(
                Span(900.0, 2040.0, Doing.ON),
                Span(2040.0, 2130.0, Doing.STOPPING),
                Span(2130.0, None, Doing.AT_REST),
            ),
            hold_until_s=7200.0,
            is_held=False,
            latest_s=2200.0,
            note="until 17:54",
        ),
        DeviceRide(
            "store <1>",
            past=(Span(0.0, 150.0, Doing.ON), Span(150.0, None, Doing.LOST)),
            is_at_risk=True,
        ),
    )
    view = RideView(
        title="Quayside boatyard",
        description="On battery.",
        begins=datetime(2026, 11, 28, 17, 20, 13, tzinfo=_LISBON),
        now_s=900.0,
        units=(unit,),
        devices=devices,
    )
    return replace(view, **changes)  # type: ignore[arg-type]


def _drawn(view: RideView, layout: Layout = WIDE) -> ElementTree.Element:
    return ElementTree.fromstring(ride_picture(view, layout=layout, is_alone=False))


def _paths(root: ElementTree.Element, kind: str) -> list[str]:
    wanted = set(kind.split())
    return [
        path.get("d", "")
        for path in root.iter(f"{_SVG}path")
        if wanted <= set(path.get("class", "").split())
    ]


def _first_x(path: str) -> float:
    found = re.match(r"M([\d.]+)", path)
    assert found
    return float(found[1])


def _texts(root: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in root.iter(f"{_SVG}text")]


def test_past_is_solid_until_now_and_the_plan_faint_from_there() -> None:
    """Who looks can tell what has happened from what may yet."""
    root = _drawn(_view())
    now = _first_x(_paths(root, "now")[0])

    solid, faint = _paths(root, "on was")[0], _paths(root, "on will")[0]

    assert f"H{now:.1f}" in solid
    assert _first_x(faint) == now
    assert _first_x(_paths(root, "band will")[0]) == now


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_nothing_in_it_needs_leave_of_a_strict_page(layout: Layout) -> None:
    """No style, script, address or handler inside: a Content-Security-Policy refuses those."""
    root = _drawn(_view(), layout)

    names = {element.tag.removeprefix(_SVG) for element in root.iter()}
    keys = {key for element in root.iter() for key in element.attrib}

    assert not names & {"style", "script", "image", "a", "use", "foreignObject"}
    assert not {k for k in keys if k == "style" or k.startswith("on") or "href" in k}


def test_alone_it_brings_its_style_along() -> None:
    """A picture in a report shows its colours without any other file."""
    text = ride_picture(_view())

    assert "<style>" in text
    assert ".ride .band" in text
    assert "http://www.w3.org/2000/svg" in text
    assert not re.search(r"https?://(?!www\.w3\.org)", text)


def test_two_on_one_page_share_no_id() -> None:
    """A reader of the page hears the title of each picture."""
    both = [
        ElementTree.fromstring(ride_picture(_view(), layout=layout, name=name))
        for layout, name in ((WIDE, "wide"), (NARROW, "narrow"))
    ]
    ids = [element.get("id") for root in both for element in root.iter() if element.get("id")]

    assert len(ids) == len(set(ids)) == 4
    assert both[0].get("aria-labelledby") == "wide-title wide-text"


def test_title_and_description_stand_for_the_picture() -> None:
    """Who cannot see it hears the same."""
    root = _drawn(_view())

    assert [root[0].text, root[1].text] == ["Quayside boatyard", "On battery."]
    assert root.get("role") == "img"


def test_names_are_text_and_no_markup() -> None:
    """A device's name cannot break the page."""
    assert "store <1>" in _texts(_drawn(_view()))


def test_a_recorder_shows_hold_time_latest_safe_start_and_wedge() -> None:
    """What was asked for, what is safe and when it winds down can be read off the bar."""
    root = _drawn(_view())

    assert len(_paths(root, "unheld")) == 1
    assert len(_paths(root, "latest")) == 1 + 1  # the bar's, and the key's
    assert len(_paths(root, "ebb will")) == 1
    assert _paths(root, "lost was")


def test_times_are_the_sites_own_over_a_change_of_its_clock() -> None:
    """In the night when clocks go back, one o'clock is named twice and no hour is left out."""
    begins = datetime(2026, 10, 25, 0, 0, tzinfo=_LISBON)
    root = _drawn(_view(begins=begins, until_s=3.5 * 3600.0, now_s=None))

    hours = [text for text in _texts(root) if re.match(r"\d\d:00", text)]

    assert hours == ["00:00", "01:00 WEST", "01:00 WET", "02:00", "03:00"][: len(hours)]
    assert len(hours) >= 4
    assert "clocks go back" in _texts(root)
    assert len(_paths(root, "changed")) == 1


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_moments_after_a_change_are_as_round_as_before(layout: Layout) -> None:
    """On an axis of two days the clock is read at midnight and noon, not at eleven."""
    begins = datetime(2026, 10, 24, 9, 0, tzinfo=_LISBON)
    root = _drawn(_view(begins=begins, until_s=40 * 3600.0, now_s=None), layout)

    hours = [text for text in _texts(root) if re.fullmatch(r"\d\d:\d\d", text)]

    assert hours and all(int(text[:2]) % 6 == 0 for text in hours if text.endswith(":00"))
    assert {text[3:] for text in hours} == {"00"}


def test_an_outage_of_a_minute_has_ticks_with_seconds() -> None:
    """A flicker is drawn as legibly as an evening."""
    view = _view(until_s=60.0, now_s=None, devices=(), units=())

    assert any(re.fullmatch(r"17:20:\d\d", text) for text in _texts(_drawn(view)))


@pytest.mark.parametrize("layout", [WIDE, NARROW], ids=["wide", "narrow"])
def test_long_names_and_notes_are_shortened(layout: Layout) -> None:
    """Names that are too long end in an ellipsis rather than in the bars."""
    long = DeviceRide("W" * 60, past=(Span(0.0, None, Doing.ON),), note="M" * 60)
    texts = _texts(_drawn(_view(devices=(long,)), layout))

    assert sum(text.endswith("…") for text in texts) == 2


def test_the_key_names_only_what_is_drawn() -> None:
    """No sign is explained that the picture does not have."""
    quiet = DeviceRide("modem", past=(Span(0.0, None, Doing.ON),))
    texts = _texts(_drawn(_view(devices=(quiet,), units=())))

    assert "on" in texts
    assert not {"stopping", "at rest", "hold time", "faint: planned"} & set(texts)
