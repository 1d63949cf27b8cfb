"""What people are told of, and how long what carries their notices out waits for that.

A notice that is raised while the way to the internet is being taken down reaches nobody. So the
devices of that way are stopped only once the notices that wait are out, or a set time has passed.
What holds data is never held back for it, and nothing beyond the last moment at which its stop can
safely begin: the timeline keeps that time free before it.
"""

from __future__ import annotations

import math
from enum import StrEnum

from policies.model import Order, Site, Task
from policies.reasons import BY_HAND, DRILL
from policies.short import IN_SHORT
from policies.timeline import Timeline
from policies.way_out import first_of


class Topic(StrEnum):
    """What a notice is about; receivers choose by it, and notices are silenced by it."""

    MAINS_LOST = "mains lost"
    OUTAGE = "outage"
    RECORDING_ENDS = "recording ends"
    NEEDS_YOU = "needs you"
    ALL_AT_REST = "all at rest"
    COMING_BACK = "coming back"
    OVER = "over"
    BATTERY = "battery"
    ALARM = "alarm"
    OTHER = "other"


ALWAYS_TOLD = frozenset({Topic.MAINS_LOST, Topic.NEEDS_YOU})
"""Neither silence nor quiet hours keep these back: somebody may have cut the power, or must act."""

_WORDS = frozenset(word.value for word in Topic)

_NEVER_HELD = IN_SHORT | {"overload", "floor", BY_HAND, DRILL}
"""Codes of reasons that leave no time, or that somebody who waits has given."""


def topic_of(topic: str, severity: str) -> Topic:
    """Return what a notice is about.

    Args:
        topic: as it was raised with; "" where nobody said.
        severity: an error is what a person must act on.
    """
    if topic in _WORDS:
        return Topic(topic)
    return Topic.NEEDS_YOU if severity == "error" else Topic.OTHER


def silenced_text(topic: str, about: str) -> str:
    """Return what a silence is of: "notices of battery about cabinet"."""
    return f"notices{f' of {topic}' if topic else ''}{f' about {about}' if about else ''}"


def hold_until_at(site: Site, course: Timeline, order: Order, *, due_at: float) -> float:
    """Return until when an order may wait for notices to get out; -inf where it may not.

    Only what stops first of the way out may: once that is down, nothing gets out by the rest.

    Args:
        site: whose way out it may be on.
        course: the timeline that it was decided by.
        order: it is due since *due_at*.
        due_at: site time, s.
    """
    may_wait = (
        order.task is Task.REST
        and not order.in_short
        and order.reason.code not in _NEVER_HELD
        and order.device in first_of(site)
    )
    if not may_wait:
        return -math.inf
    return min(due_at + site.notices_s, course.bare[order.device].start_latest_at)
