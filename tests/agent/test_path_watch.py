"""A path counts as there only if it was heard all the while."""

from __future__ import annotations

import asyncio

import pytest

from agent.conduct.path_watch import GAP_MOST_S, PathWatch
from drivers.base import Act, Outcome, Verdict
from policies.model import Device
from tests.fakes import FakeClock

GATE = Device("gate recorder", path=("yard switch",))


class Switch:
    """A switch that is away in one stretch of time; every look is counted."""

    def __init__(self, clock: FakeClock, away: tuple[float, float] = (0.0, 0.0)) -> None:
        self.clock = clock
        self.away = away
        self.looks = 0
        self.can_be_asked = True

    async def look(self, device: str, *, within_s: float) -> Outcome | None:
        self.looks += 1
        if not self.can_be_asked:
            return None
        until_at = self.clock.monotonic() + within_s
        while self.away[0] <= self.clock.monotonic() < self.away[1]:
            if self.clock.monotonic() >= until_at:
                return Outcome(Act.CONFIRM_RUNNING, Verdict.NO_ANSWER, "silent")
            await self.clock.sleep(0.5)
        return Outcome(Act.CONFIRM_RUNNING, Verdict.DONE, "it answers")


async def gap_after(clock: FakeClock, watch: PathWatch, silent_s: float) -> str | None:
    """Watch so long, and return what is then said of the whole silence."""
    since_at = clock.monotonic()

    async def vigil() -> str | None:
        async with watch.over(GATE):
            await clock.sleep(silent_s)
            return await watch.gap_in(GATE, since_at=since_at)

    task = asyncio.create_task(vigil())
    for _ in range(int(silent_s) + 30):
        if task.done():
            break
        await clock.advance(1.0)
    return task.result()


@pytest.mark.parametrize(
    ("away", "gap"),
    [
        ((0.0, 0.0), None),
        ((1010.0, 1013.0), None),  # some lost packets
        ((1010.0, 1040.0), "yard switch"),  # it rebooted, and was back long before the end
        ((1000.0, 1030.0), "yard switch"),  # it was away from the beginning on
        ((1045.0, 1200.0), "yard switch"),  # it is away yet
    ],
)
async def test_path_that_was_away_for_a_while_is_named(
    away: tuple[float, float], gap: str | None
) -> None:
    """A recorder behind a switch that reboots looks off, and writes on."""
    clock = FakeClock(at=1000.0)
    switch = Switch(clock, away)
    watch = PathWatch(clock=clock, look=switch.look, is_off=lambda name: False)

    assert away[1] - away[0] == 0.0 or away[1] - away[0] < 5.0 or away[1] - away[0] > GAP_MOST_S
    assert await gap_after(clock, watch, 60.0) == gap


async def test_one_watch_serves_all_that_lie_behind() -> None:
    """Two hundred recorders must not ask their switch two hundred times as often."""
    clock = FakeClock(at=1000.0)
    switch = Switch(clock)
    watch = PathWatch(clock=clock, look=switch.look, is_off=lambda name: False)

    async def vigil() -> None:
        async with watch.over(GATE):
            await clock.sleep(60.0)

    tasks = [asyncio.create_task(vigil()) for _ in range(200)]
    for _ in range(62):
        await clock.advance(1.0)
    assert all(task.done() for task in tasks)
    assert switch.looks <= 32

    before = switch.looks
    await clock.advance(30.0)
    assert switch.looks == before  # nobody behind it is watched any more


@pytest.mark.parametrize("is_off", [True, False])
async def test_what_cannot_be_asked_counts_as_there_unless_it_is_off(is_off: bool) -> None:
    """A switch without a login carries what lies behind it, until we stop it."""
    clock = FakeClock(at=1000.0)
    switch = Switch(clock)
    switch.can_be_asked = False
    watch = PathWatch(clock=clock, look=switch.look, is_off=lambda name: is_off)

    assert await gap_after(clock, watch, 60.0) == ("yard switch" if is_off else None)
