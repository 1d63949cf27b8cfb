"""The light at the site reaches the state, with the time of its next change."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime

import pytest

from agent.battery.daylight import Daylight
from policies.events import Event, LightChanged
from policies.model import Place
from policies.night import Light
from policies.state import SiteState, fold, initial
from tests.fakes import FakeClock
from tests.policies.sites import site_of

LISBON = Place(38.70, -9.14)
TROMSO = Place(69.65, 18.96)
NOON = datetime(2026, 11, 25, 12, tzinfo=UTC)
SUNSET_S = (5 * 60 + 17) * 60.0
"""From noon UTC to sunset in Lisbon on that day, 17:17: an almanac's figure (from memory)."""

SITE = site_of()


class Followed:
    """A site's state, and what keeps it told of the light."""

    def __init__(self, place: Place | None, *, utc: datetime = NOON, at: float = 0.0) -> None:
        self.clock = FakeClock(at=at, utc=utc)
        self.state: SiteState = initial(SITE)
        self.events: list[LightChanged] = []
        self.place = place

    async def record(self, event: Event) -> None:
        assert isinstance(event, LightChanged)
        self.events.append(event)
        self.state = fold(SITE, self.state, event)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        daylight = Daylight(
            self.place, clock=self.clock, state=lambda: self.state, record=self.record
        )
        task = asyncio.create_task(daylight.run())
        try:
            await self.clock.advance(1.0)
            yield
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)


async def test_dusk_and_dawn_reach_the_state_when_they_come() -> None:
    """An outage at 17:00 runs into the night, and the cameras' lights come on."""
    site = Followed(LISBON)
    async with site.running():
        by_day, until_at = site.state.light, site.state.light_until_at
        await site.clock.advance(24 * 3600.0)

    assert by_day is Light.DAY
    assert until_at == pytest.approx(SUNSET_S, abs=120.0)
    assert [event.light for event in site.events] == [Light.DAY, Light.NIGHT, Light.DAY]


async def test_restart_records_nothing_that_is_known() -> None:
    """The journal has it already."""
    site = Followed(LISBON)
    for _ in range(3):
        async with site.running():
            await site.clock.advance(600.0)

    assert len(site.events) == 1


async def test_without_a_place_the_light_stays_unknown() -> None:
    """Nothing is claimed, and of each device the greater draw counts."""
    site = Followed(None)
    async with site.running():
        await site.clock.advance(2 * 86400.0)

    assert site.events == []
    assert site.state.light is Light.UNKNOWN


async def test_polar_night_has_no_end_within_a_day() -> None:
    """In Tromsø the sun stays down from late November to mid January (from memory)."""
    site = Followed(TROMSO, utc=datetime(2026, 12, 21, 12, tzinfo=UTC))
    async with site.running():
        await site.clock.advance(86400.0)

    assert [(event.light, event.until_at) for event in site.events] == [(Light.NIGHT, None)]


async def test_wall_clock_that_is_set_is_followed() -> None:
    """A box without a battery clock starts in the wrong year."""
    site = Followed(LISBON)
    async with site.running():
        site.clock.step_wall(10 * 3600.0)
        await site.clock.advance(3601.0)

    assert site.state.light is Light.NIGHT
