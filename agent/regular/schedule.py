"""Regular work by the calendar: APScheduler, and only here. An outage is no calendar job."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import structlog
from apscheduler.schedulers.asyncio import (  # type: ignore[import-untyped]  # no types are published
    AsyncIOScheduler,
)
from apscheduler.triggers.base import (  # type: ignore[import-untyped]  # as above
    BaseTrigger,
)

from agent.regular.due_times import Rule, next_due

log = structlog.get_logger()

LOOK_EVERY_S = 600.0
"""How soon it is seen that the wall clock was set: a job waits in seconds that pass."""

SET_BACK = timedelta(days=1)
"""A clock that was set back by more had been wrong: what it had put off is due by the new one."""


class _Due(BaseTrigger):  # type: ignore[misc]  # no types are published
    """A rule, as APScheduler asks for it."""

    def __init__(self, rule: Rule, zone: ZoneInfo) -> None:
        self._rule, self._zone = rule, zone

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        """Return when it is due next; what was missed is due at once, see `Schedule`."""
        after = now if previous is None else previous
        # It tells moments apart by the wall clock of one zone, on which some come twice.
        return next_due(self._rule, after, self._zone).astimezone(UTC)


class Schedule:
    """Jobs at times of the site's own day; one that was missed is done once, late."""

    def __init__(
        self,
        zone: ZoneInfo,
        *,
        utc: Callable[[], datetime] = lambda: datetime.now(UTC),
        look_every_s: float = LOOK_EVERY_S,
    ) -> None:
        """Prepare.

        Args:
            zone: the site's.
            utc: the wall clock, as far as it is watched for being set.
            look_every_s: how often it is looked at.
        """
        self._zone, self._utc, self._look_every_s = zone, utc, look_every_s
        self._seen = utc()
        self._looking: asyncio.TimerHandle | None = None
        self._scheduler = AsyncIOScheduler(
            timezone=UTC,
            # By default a job that is a second late is dropped.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def daily(self, name: str, do: Callable[[], None], *, at: time) -> None:
        """Call *do* every day at that local time, on the loop; it must not block.

        What it raises is logged, and it is called again the next day.
        """
        self.by(name, do, rule=Rule(at))

    def by(self, name: str, do: Callable[[], None], *, rule: Rule) -> None:
        """Call *do* whenever a rule has it; see `daily`."""

        async def job() -> None:  # a plain function would run in the loop's shared threads
            try:
                do()
            except Exception:  # one of the outermost loops
                log.exception("failed_job", job=name)

        self._scheduler.add_job(job, _Due(rule, self._zone), id=name, name=name)

    def start(self) -> None:
        """Begin, on the running loop."""
        self._seen = self._utc()
        self._scheduler.start()
        self._look_later()

    def due_at(self, name: str) -> datetime | None:
        """Return when a job is due next, None where there is none, or nothing was started."""
        job = self._scheduler.get_job(name)
        due: datetime | None = getattr(job, "next_run_time", None)
        return due

    def close(self) -> None:
        """End; a job under way is not waited for. Safe to call twice."""
        if self._looking is not None:
            self._looking.cancel()
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    def _look_later(self) -> None:
        loop = asyncio.get_running_loop()
        self._looking = loop.call_later(self._look_every_s, self._look)

    def _look(self) -> None:
        """See what is due by the clock that there is, whatever it was set to since the last look.

        What it was set forward over is due at once.
        """
        before, self._seen = self._seen, self._utc()
        if self._seen < before - SET_BACK:
            log.info("set_back_clock", by_s=round((before - self._seen).total_seconds()))
            for job in self._scheduler.get_jobs():
                job.modify(next_run_time=job.trigger.get_next_fire_time(None, self._seen))
        self._scheduler.wakeup()
        self._look_later()
