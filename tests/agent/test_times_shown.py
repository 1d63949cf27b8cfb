"""Times that people read, in nights in which clocks are put forward and back.

Changes of 2026, by Debian's tzdata (zdump -v): Europe/Lisbon 29 March 01:00 UTC and 25 October
01:00 UTC, an hour; America/St_Johns 8 March 05:30 UTC and 1 November 04:30 UTC, an hour;
Australia/Lord_Howe 4 April 15:00 UTC and 3 October 15:30 UTC, half an hour.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from astral import Observer
from astral.sun import sunrise, sunset

from agent.cli.plan_text import clock, moment
from agent.config import LoadedSite, load
from agent.journal.file import Row
from agent.journal.view import lines, sentence
from agent.moment import shown
from agent.page.view_seen import Seen
from agent.planning.outlook import outlook
from agent.rehearsal.known import nothing_known
from agent.rehearsal.run import rehearse
from policies.events import PauseSet
from policies.model import Place, Site
from policies.night import Light, light_steps
from policies.state import SiteState
from tests.agent.plan_yard import CAMERA, RECORDER, TODAY, write_plan_yard
from tests.agent.rehearsal.yards import SLOW_POLLS, SMALL, terms

CHANGES = {
    "Europe/Lisbon": (("2026-03-29T01:00", 60), ("2026-10-25T01:00", -60)),
    "America/St_Johns": (("2026-03-08T05:30", 60), ("2026-11-01T04:30", -60)),
    "Australia/Lord_Howe": (("2026-10-03T15:30", 30), ("2026-04-04T15:00", -30)),
}
PLACES = {
    "Europe/Lisbon": Place(38.70, -9.14),
    "America/St_Johns": Place(47.56, -52.71),
    "Australia/Lord_Howe": Place(-31.55, 159.08),
}
ALL = [(zone, *change) for zone, both in CHANGES.items() for change in both]
BACK = [each for each in ALL if each[2] < 0]


def at_change(utc: str) -> datetime:
    return datetime.fromisoformat(utc).replace(tzinfo=UTC)


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_changes_are_where_the_table_above_has_them(zone: str, utc: str, minutes: int) -> None:
    """Else all that follows would test ordinary nights."""
    before = (at_change(utc) - timedelta(seconds=1)).astimezone(ZoneInfo(zone))
    after = at_change(utc).astimezone(ZoneInfo(zone))
    offsets = before.utcoffset(), after.utcoffset()

    assert offsets[0] is not None
    assert offsets[1] is not None
    assert (offsets[1] - offsets[0]) == timedelta(minutes=minutes)


# A moment


@pytest.mark.parametrize(("zone", "utc", "minutes"), BACK)
def test_time_that_comes_twice_says_which_it_is(zone: str, utc: str, minutes: int) -> None:
    """In a journal of that night 01:30 would be two moments."""
    quarter = timedelta(minutes=15)
    first, second = ((at_change(utc) + by).astimezone(ZoneInfo(zone)) for by in (-quarter, quarter))
    texts = {shown(first, "%H:%M"), shown(second, "%H:%M")}

    if minutes == -60:  # half an hour apart, both within the hour that comes twice
        assert all(len(text.split()) == 2 for text in texts)
    assert len(texts) == 2
    plain = (at_change(utc) + timedelta(hours=5)).astimezone(ZoneInfo(zone))
    assert shown(plain, "%H:%M") == f"{plain:%H:%M}"


# The journal


def row(number: int, utc: datetime) -> Row:
    text = utc.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    body = '{"at": 1.0, "unit": "cabinet", "until_at": 2.0}'
    return Row(number, 1, "boot", 1.0, 1.0, text, True, False, "began_self_test", body)


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_journal_tells_an_outage_across_the_change_in_order(
    zone: str, utc: str, minutes: int
) -> None:
    """Each of its moments is told apart, and is the one that clocks of the site showed."""
    moments = [at_change(utc) + timedelta(minutes=m) for m in range(-90, 91, 15)]
    told = list(lines([row(i, at) for i, at in enumerate(moments)], zone=ZoneInfo(zone)))
    times = [line.split("  ")[0] for line in told]

    assert len(set(times)) == len(times)
    for at, said in zip(moments, times, strict=True):
        assert said.startswith(f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M:%S}")


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_pause_across_the_change_ends_when_it_says(zone: str, utc: str, minutes: int) -> None:
    """Two hours of pause are two hours that pass."""
    set_at = at_change(utc) - timedelta(hours=1)
    said = sentence(
        PauseSet(10.0, 10.0 + 7200.0, "Ana"),
        utc=set_at.isoformat().replace("+00:00", "Z"),
        zone=ZoneInfo(zone),
    )
    ends = (set_at + timedelta(hours=2)).astimezone(ZoneInfo(zone))

    assert f"pause until {ends:%Y-%m-%d %H:%M:%S}" in said


# Page and plan


def seen_at(zone: str, utc: datetime) -> Seen:
    site = Site("boatyard", {}, {})
    return Seen(site, SiteState(), {}, None, None, 0.0, utc, ZoneInfo(zone), False, {})


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_page_and_terminal_tell_when_the_battery_ends(zone: str, utc: str, minutes: int) -> None:
    """What is told has to be what the clock on the wall will show then."""
    now = at_change(utc) - timedelta(minutes=40)
    ends = (at_change(utc) + timedelta(minutes=50)).astimezone(ZoneInfo(zone))

    assert seen_at(zone, now).clock(90 * 60.0).endswith(shown(ends, "%H:%M"))


def loaded_in(folder: Path, zone: str) -> LoadedSite:
    path = write_plan_yard(folder, CAMERA, RECORDER, unit=SMALL, more=SLOW_POLLS)
    place = PLACES[zone]
    text = path.read_text().replace("Europe/Lisbon", zone)
    text = text.replace("latitude = 38.70, longitude = -9.14",
                        f"latitude = {place.latitude}, longitude = {place.longitude}")  # fmt: skip
    path.write_text(text)
    loaded, faults = load(path, today=TODAY, secrets_must_exist=False)
    assert loaded is not None, faults
    return loaded


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_plan_across_the_change(tmp_path: Path, zone: str, utc: str, minutes: int) -> None:
    """The same plan as in any night, told by the clock that there is."""
    begins = (at_change(utc) - timedelta(minutes=5)).astimezone(ZoneInfo(zone))
    found = outlook(loaded_in(tmp_path, zone), begins=begins, today=TODAY, outages=1000)
    later = at_change(utc) + timedelta(minutes=10)

    assert moment(found, 900.0).astimezone(UTC) == later
    assert clock(found, 900.0) == shown(later.astimezone(ZoneInfo(zone)), "%H:%M")


@pytest.mark.parametrize(("zone", "utc", "minutes"), ALL)
def test_rehearsal_across_the_change(tmp_path: Path, zone: str, utc: str, minutes: int) -> None:
    """It begins when it says, takes what it takes, and has the light of that moment."""
    loaded = loaded_in(tmp_path, zone)
    begins = (at_change(utc) - timedelta(minutes=5)).astimezone(ZoneInfo(zone))
    known = nothing_known(loaded.site, at_change(utc) - timedelta(hours=2))
    across = rehearse(loaded, known, terms(begins=begins, mains_after_s=900.0))
    night = begins + timedelta(days=7)
    plain = rehearse(loaded, known, terms(begins=night, mains_after_s=900.0))

    assert across.begins.astimezone(UTC) == begins.astimezone(UTC)
    assert across.mains_back_s == pytest.approx(900.0, abs=0.1)
    assert [o.at_s for o in across.orders] == pytest.approx([o.at_s for o in plain.orders], abs=1.0)


# The sun


@pytest.mark.parametrize("zone", CHANGES)
@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("day", [-1, 0, 1])
def test_sun_rises_and_sets_around_the_change_where_astral_has_it(
    zone: str, which: int, day: int
) -> None:
    """Lights come on by the sun, not by the clock: astral's own sunrise and sunset, to 2 min.

    They are by NOAA's equations; ours look for the sun's height, by the same library.
    """
    utc, _ = CHANGES[zone][which]
    place, local = PLACES[zone], ZoneInfo(zone)
    on: date = (at_change(utc) + timedelta(days=day)).astimezone(local).date()
    begins = datetime(on.year, on.month, on.day, tzinfo=local)
    steps = light_steps(place, begins=begins, lasts_s=86400.0)
    observer = Observer(place.latitude, place.longitude)
    rises = sunrise(observer, on, tzinfo=local).astimezone(UTC)
    sets = sunset(observer, on, tzinfo=local).astimezone(UTC)
    changes = [begins.astimezone(UTC) + timedelta(seconds=step.after_s) for step in steps[1:]]

    assert [step.light for step in steps[1:]] == [Light.DAY, Light.NIGHT]
    for found, theirs in zip(changes, (rises, sets), strict=True):
        assert math.isclose((found - theirs).total_seconds(), 0.0, abs_tol=120.0)
