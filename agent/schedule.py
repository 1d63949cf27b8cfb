"""Regular work by the calendar: APScheduler, and only here. An outage is no calendar job."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, time
from zoneinfo import ZoneInfo

import structlog
from apscheduler.schedulers.asyncio import (  # type: ignore[import-untyped]  # no types are published
    AsyncIOScheduler,
)

log = structlog.get_logger()


class Schedule:
    """Jobs at times of the site's own day; one that was missed is done once, late."""

    def __init__(self, zone: ZoneInfo) -> None:
        self._scheduler = AsyncIOScheduler(
            timezone=zone,
            # By default a job that is a second late is dropped.
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def daily(self, name: str, do: Callable[[], None], *, at: time) -> None:
        """Call *do* every day at that local time, on the loop; it must not block.

        What it raises is logged, and it is called again the next day.
        """

        async def job() -> None:  # a plain function would run in the loop's shared threads
            try:
                do()
            except Exception:  # one of the outermost loops
                log.exception("failed_job", job=name)

        self._scheduler.add_job(
            job, "cron", hour=at.hour, minute=at.minute, second=at.second, id=name, name=name
        )

    def start(self) -> None:
        """Begin, on the running loop."""
        self._scheduler.start()

    def due_at(self, name: str) -> datetime | None:
        """Return when a job is due next, None where there is none, or nothing was started."""
        job = self._scheduler.get_job(name)
        due: datetime | None = getattr(job, "next_run_time", None)
        return due

    def close(self) -> None:
        """End; a job under way is not waited for. Safe to call twice."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
