"""The fake clock keeps the order that a real one would."""

from __future__ import annotations

import asyncio

import pytest

from drivers.base import Clock
from tests.fakes import START_UTC, FakeClock


async def test_sleepers_wake_in_the_order_of_their_deadlines() -> None:
    """Otherwise a test could see a stop before the poll that caused it."""
    clock: Clock = FakeClock(at=100.0)
    assert isinstance(clock, FakeClock)
    woken: list[tuple[str, float]] = []

    async def sleeper(name: str, *spans: float) -> None:
        for span in spans:
            await clock.sleep(span)
            woken.append((name, clock.monotonic()))

    async with asyncio.TaskGroup() as group:
        group.create_task(sleeper("late", 30.0))
        group.create_task(sleeper("often", 10.0, 15.0, 10.0))
        await clock.advance(31.0)
        assert clock.sleepers == 1
        await clock.advance(9.0)

    assert woken == [("often", 110.0), ("often", 125.0), ("late", 130.0), ("often", 135.0)]
    assert clock.monotonic() == 140.0


async def test_cancelled_sleeper_is_forgotten() -> None:
    """A withdrawn order must not wake up later."""
    clock = FakeClock()
    task = asyncio.create_task(clock.sleep(5.0))
    await clock.advance(1.0)
    task.cancel()
    await clock.advance(10.0)

    assert task.cancelled()
    assert clock.sleepers == 0


async def test_wall_clock_steps_without_site_time() -> None:
    """Deadlines must not move when the wall clock is set."""
    clock = FakeClock()
    clock.step_wall(-3600.0)
    await clock.advance(60.0)

    assert clock.monotonic() == 60.0
    assert (clock.utc() - START_UTC).total_seconds() == -3540.0


async def test_time_never_runs_backwards() -> None:
    """A negative step is a mistake in the test, not a feature."""
    with pytest.raises(ValueError, match="backwards"):
        await FakeClock().advance(-1.0)
