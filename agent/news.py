"""What a reading changes for people, and whether it is worth keeping."""

from __future__ import annotations

from collections.abc import Iterable

import structlog

from policies.events import Event, NoticeRaised, SupplyJudged
from policies.left_off import LeftOff
from policies.model import Reading
from policies.state import Phase, SiteState
from policies.supply import Supply, UnitState
from policies.telling import Topic

log = structlog.get_logger()

READING_EVERY_S = 60.0
"""On steady mains, one reading a minute is journalled; on battery, every one."""


def is_worth_noting(
    before: UnitState, after: UnitState, reading: Reading, *, noted_at: float | None
) -> bool:
    """Return whether a reading tells more than those already journalled.

    Args:
        before: the unit without it.
        after: the unit with it.
        reading: the new one.
        noted_at: site time of the last one journalled, s; None = there is none.
    """
    if after.is_on_battery or after.signs or before.lost_at is not None:
        return True
    if before.supply is not after.supply:
        return True
    last = before.reading
    if last is None or last.alarms != reading.alarms or last.doubts != reading.doubts:
        return True
    return noted_at is None or reading.at - noted_at >= READING_EVERY_S


def supply_news(unit: str, before: UnitState, after: UnitState, *, now: float) -> list[Event]:
    """Return what is to be said of one unit's change: the judgement, and notices to people."""
    news: list[Event] = []
    notices: list[tuple[str, str, str]] = []
    if before.supply is not after.supply or before.why != after.why:
        news.append(SupplyJudged(now, unit, after.supply, after.why))
    if before.lost_at is None and after.lost_at is not None:
        notices.append(("error", f"{unit} is not heard from: {after.why}", ""))
    if before.lost_at is not None and after.lost_at is None:
        notices.append(("info", f"{unit} is heard from again", ""))
    if before.supply is not after.supply:
        notices += _of_supply(unit, before, after)
    return [
        *news,
        *(NoticeRaised(now, severity, unit, text, topic) for severity, text, topic in notices),
    ]


def _of_supply(unit: str, before: UnitState, after: UnitState) -> list[tuple[str, str, str]]:
    match after.supply:
        case Supply.BATTERY:
            text = f"mains has failed: {unit} runs on its battery"
            return [("error", text, Topic.MAINS_LOST)]
        case Supply.UNPROTECTED:
            return [
                (
                    "error",
                    f"{unit} gives no protection: {after.why}; the next outage is not carried",
                    "",
                )
            ]
        case Supply.MAINS if before.supply is Supply.BATTERY:
            return [("info", f"mains is back at {unit}", Topic.COMING_BACK)]
        case Supply.MAINS if before.supply is Supply.UNPROTECTED:
            return [("info", f"{unit} protects again", "")]
        case Supply.UNKNOWN if after.lost_at is None:
            return [("warning", f"{unit} cannot be judged: {after.why}", "")]
        case _:
            return []


def log_notice(notice: NoticeRaised) -> None:
    """Put a notice into the log, at the level of its severity."""
    level = {"info": log.info, "warning": log.warning}.get(notice.severity, log.error)
    level("raised_notice", about=notice.about, text=notice.text)


class LeftOffNews:
    """Tells of each device that stays off though mains is back, once until it runs again."""

    def __init__(self) -> None:
        """Nothing is told yet; what an earlier run told is told again."""
        self._told: set[str] = set()

    def notices(
        self, left_off: Iterable[LeftOff], state: SiteState, *, now: float
    ) -> list[NoticeRaised]:
        """Return what is to be told of those that were not told of yet."""
        devices = state.devices
        self._told = {name for name in self._told if devices[name].phase is not Phase.RUNNING}
        new = [each for each in left_off if each.device not in self._told]
        self._told.update(each.device for each in new)
        return [NoticeRaised(now, "error", each.device, each.text) for each in new]
