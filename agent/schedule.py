"""Regular work by the calendar: APScheduler, and only here. An outage is no calendar job."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

from apscheduler.schedulers.asyncio import (  # type: ignore[import-untyped]  # no types are published
    AsyncIOScheduler,
)


class Schedule:
    """Jobs at times of the site's own day; one that was missed is done once, late."""

    def __init__(self, zone: ZoneInfo) -> None:
        self._scheduler = AsyncIOScheduler(
            timezone=zone,
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def daily(self, name: str, do: Callable[[], None], *, hour: int, minute: int) -> None:
        """Call *do* every day at that local time; it must not block."""
        self._scheduler.add_job(do, "cron", hour=hour, minute=minute, id=name, name=name)

    def start(self) -> None:
        """Begin, on the running loop."""
        self._scheduler.start()

    def close(self) -> None:
        """End; a job under way is not waited for."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)
