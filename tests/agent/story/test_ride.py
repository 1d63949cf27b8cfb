"""The past of a ride-through's picture, filled from its story."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from agent.pictures.ride_view import Doing
from agent.story.ride import ride_of, thinned
from tests.agent.story.telling import rows_of, story_of
from tests.agent.story.test_story import yard_ride, yard_story
from tests.agent.yards import Yard

LISBON = ZoneInfo("Europe/Lisbon")


async def test_the_past_is_as_the_story_has_it() -> None:
    """Page and report draw the same picture."""
    story = yard_story(await yard_ride())
    outage = story.outages[0]
    view = ride_of(story, outage, zone=LISBON)
    recorder = next(d for d in view.devices if d.name == "gate recorder")

    assert [span.doing for span in recorder.past] == [
        Doing.ON, Doing.STOPPING, Doing.AT_REST, Doing.STARTING, Doing.ON,
    ]  # fmt: skip
    assert recorder.past[0].begins_s == 0.0
    assert recorder.past[1].why == outage.devices["gate recorder"].orders[0].reasons[0]
    assert recorder.past[-1].ends_s is None
    assert view.now_s is None
    assert view.mains_back_s == outage.lasting_s
    assert view.units[0].load
    assert not recorder.planned


async def test_of_one_that_runs_now_is_the_last_that_is_known() -> None:
    """The page adds the plan from there on."""
    story = yard_story(await yard_ride(back=False))
    outage = story.present
    assert outage is not None
    view = ride_of(story, outage, zone=LISBON)

    assert view.now_s == story.until_at - outage.began_at
    assert view.mains_back_s is None


async def test_times_are_local_and_durations_monotonic_across_the_change() -> None:
    """Lisbon's clocks go back from 02:00 to 01:00 on 25 October 2026, at 01:00 UTC."""
    start = datetime(2026, 10, 25, 0, 42, tzinfo=UTC)  # site time 1025 is 00:59:05 UTC
    story = story_of(rows_of(await yard_ride(), start=start), Yard().site)
    outage = story.outages[0]
    began, back = (
        story.moment(at).utc.astimezone(LISBON)
        for at in (outage.began_at, outage.returned_at or 0.0)
    )

    assert f"{began:%H:%M:%S %Z}" == "01:59:05 WEST"
    assert f"{back:%H:%M %Z}".endswith("WET")
    assert back.hour == 1
    assert (back - began).total_seconds() < 0 or back.utcoffset() != began.utcoffset()
    assert (
        outage.lasting_s
        == (
            story.moment(outage.returned_at or 0.0).utc - story.moment(outage.began_at).utc
        ).total_seconds()
    )


def test_long_lines_are_thinned_and_keep_their_ends() -> None:
    """Eight hours of readings every two seconds are no picture."""
    found = thinned(range(10_000), most=100)

    assert len(found) == 100
    assert (found[0], found[-1]) == (0, 9_999)
