"""Calendar jobs: on time by the site's own clock, on the loop, and none ends another."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import structlog

from agent.regular.schedule import Schedule

LISBON = ZoneInfo("Europe/Lisbon")


@contextmanager
def scheduled(zone: ZoneInfo = LISBON) -> Iterator[Schedule]:
    schedule = Schedule(zone)
    try:
        yield schedule
    finally:
        schedule.close()


def soon() -> time:
    """Return the local time in two to three seconds from now: a busy machine may need one."""
    return (datetime.now(LISBON) + timedelta(seconds=3)).time().replace(microsecond=0)


async def test_job_is_due_at_local_time() -> None:
    """The journal is pruned at night where the site is, not where the clock is set to."""
    with scheduled() as schedule:
        schedule.daily("prune", lambda: None, at=time(3, 30))
        schedule.start()
        due = schedule.due_at("prune")

    assert due is not None
    local = due.astimezone(LISBON)
    assert (local.hour, local.minute) == (3, 30)
    assert (
        timedelta() < due - datetime.now(LISBON) <= timedelta(hours=25)
    )  # a day of 25 h in autumn


async def test_job_runs_on_the_loop() -> None:
    """What it touches belongs to the loop; in a pool's thread it would race with it."""
    ran: asyncio.Future[int] = asyncio.get_running_loop().create_future()
    with scheduled() as schedule:
        schedule.daily("note", lambda: ran.set_result(threading.get_ident()), at=soon())
        schedule.start()

        async with asyncio.timeout(30):
            assert await ran == threading.get_ident()


async def test_failed_job_is_logged_and_due_again() -> None:
    """One bad night must not be the last one that the journal is pruned in."""
    done = asyncio.Event()

    def fail() -> None:
        done.set()
        raise ZeroDivisionError

    with structlog.testing.capture_logs() as logs, scheduled() as schedule:
        schedule.daily("prune", fail, at=soon())
        schedule.start()
        async with asyncio.timeout(30):
            await done.wait()
        await asyncio.sleep(0)
        due = schedule.due_at("prune")

    assert [entry["event"] for entry in logs] == ["failed_job"]
    assert due is not None
    assert due > datetime.now(LISBON) + timedelta(hours=20)


async def test_clock_that_is_set_back_by_years_puts_nothing_off_for_years() -> None:
    """A box may begin with a clock that is far ahead; once it is right, the next night counts."""
    ahead = timedelta(days=900)
    wrong = [datetime.now(UTC) + ahead] * 2  # as it is prepared, and as it begins
    schedule = Schedule(
        LISBON, utc=lambda: wrong.pop() if wrong else datetime.now(UTC), look_every_s=0.05
    )
    try:
        schedule.daily("prune", lambda: None, at=time(3, 30))
        schedule.start()
        by_the_wrong_one = datetime.now(UTC) + ahead
        schedule._scheduler.modify_job("prune", next_run_time=by_the_wrong_one)
        async with asyncio.timeout(30):
            while (schedule.due_at("prune") or by_the_wrong_one) >= by_the_wrong_one:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        due = schedule.due_at("prune")
    finally:
        schedule.close()

    assert due is not None
    assert timedelta() < due - datetime.now(UTC) <= timedelta(hours=25)
    assert due.astimezone(LISBON).time() == time(3, 30)


async def test_closing_twice_or_before_the_start_is_harmless() -> None:
    """Ending goes through every path, also when the start failed."""
    never_started = Schedule(LISBON)
    never_started.close()
    schedule = Schedule(LISBON)
    schedule.start()
    schedule.close()
    schedule.close()
    await asyncio.sleep(0)
    schedule.close()

    assert schedule.due_at("prune") is None
    assert asyncio.all_tasks() == {asyncio.current_task()}
