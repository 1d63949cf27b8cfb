"""The course of an outage, line by line: what happened when, on the site's clock."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from agent.reports.pen import Pen
from agent.story.model import DeviceStory, Interruption, OrderStory, Outage
from policies.events import Ending
from policies.model import Task
from policies.reasons import duration_text

_UNSEEN_S = 120.0
"""A return that nobody saw for longer is told as such."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the course; times in s after mains failed and on the site's clock."""

    after_s: float
    clock: str
    text: str
    kind: str


_Said = Iterator[tuple[float, str, str]]
"""When, what, and of which kind that is."""


def course_of(outage: Outage, pen: Pen) -> list[Line]:
    """Return the course, in order."""
    said = [*_mains(outage), *_devices(outage), *_others(outage, pen)]
    said.sort(key=lambda one: one[0])
    return [Line(at - outage.began_at, pen.clock(at), text, kind) for at, text, kind in said]


def _mains(outage: Outage) -> _Said:
    for one in outage.interruptions:
        where = f" at {one.unit}" if len(outage.units) > 1 else ""
        yield one.failed_at, f"Mains failed{where}.", "mains"
        if one.returned_at is not None:
            yield (
                one.returned_at,
                f"Mains was back{where}{_away_text(one, one.returned_at)}",
                "mains",
            )
    if outage.steady_at is not None and outage.is_over:
        yield (
            outage.steady_at,
            "Mains had been steady for as long as is asked.",
            "mains",
        )


def _away_text(one: Interruption, returned_at: float) -> str:
    said = f", after {duration_text(one.lasting_s(returned_at))}."
    unseen_s = returned_at - one.last_on_battery_at
    if unseen_s <= _UNSEEN_S:
        return said
    return f"{said} Nobody saw just when: it may have been up to {duration_text(unseen_s)} earlier."


def _devices(outage: Outage) -> _Said:
    for device in outage.devices.values():
        for order in device.orders:
            yield from _order(device, order)


def _order(device: DeviceStory, order: OrderStory) -> _Said:
    name = device.name
    if order.task is Task.REST:
        yield order.given_at, f"{name}: {order.reasons[0].rstrip('.')}.", "order"
    if order.closed_at is None:
        return
    how = f": {order.evidence}" if order.evidence else ""
    match order.ending:
        case Ending.AT_REST:
            yield order.closed_at, f"{name} is at rest{how}.", "rest"
        case Ending.RUNNING:
            yield order.closed_at, f"{name} runs again{how}.", "back"
        case Ending.FAILED:
            task = "brought to rest" if order.task is Task.REST else "started"
            yield order.closed_at, f"{name} could not be {task}{how}.", "failed"
        case Ending.WITHDRAWN:
            yield order.closed_at, f"{name}: the order was withdrawn{how}.", "order"
        case Ending.ASSUMED:
            yield order.closed_at, f"{name}: assumed, since nothing is sent in dry run.", "order"


def _others(outage: Outage, pen: Pen) -> _Said:
    for unit in outage.units.values():
        if unit.ended_at is not None:
            yield unit.ended_at, f"The output of {unit.name} ended: {unit.ended_how}.", "end"
    for begin, end in outage.absences:
        yield begin, f"lastwatt was away from here until {pen.clock(end)}.", "away"
    for notice in outage.heard:
        is_told = notice.about in outage.devices or "mains has failed" in notice.text
        if notice.severity != "info" and not is_told:
            yield notice.at, f"Told: {notice.text.rstrip('.')}.", "told"
