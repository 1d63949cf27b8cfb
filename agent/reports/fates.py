"""What became of each device in an outage, in words an owner understands, and how that is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from agent.reports.pen import Pen
from agent.story.model import DeviceStory, OrderStory, Outage
from policies.events import Ending
from policies.model import HOLDS_DATA, Role, Task
from policies.reasons import duration_text
from policies.state import Phase


class Fate(StrEnum):
    """What became of a device until mains was back."""

    STAYED_ON = "stayed on"
    RESTED = "came to rest in order"
    RESTED_DRY = "was only rehearsed"
    FAILED = "did not come to rest"
    LOST = "lost power while running"
    DARK = "lost power"
    BUSY = "was on its way to rest"
    OFF_BEFORE = "was off before"
    NO_TOUCH = "was left alone"


GOOD = frozenset({Fate.STAYED_ON, Fate.RESTED, Fate.OFF_BEFORE, Fate.NO_TOUCH, Fate.DARK})


@dataclass(frozen=True, slots=True)
class FateTold:
    """One device's fate.

    Attributes:
        course: what happened to it, in sentences.
        evidence: how its rest, or its failure, is known; "" = nothing had to be known.
        gap_s: how long it did not do its work in all, in s; 0 = it always did, as far as is known.
        is_gap_open: it has not come back yet.
        ends_well: nothing of it is left to be mended.
    """

    name: str
    role: Role | None
    fate: Fate
    course: tuple[str, ...]
    evidence: str
    gap_s: float
    is_gap_open: bool
    is_back: bool
    foretold_at: float | None
    told_at: float | None

    @property
    def ends_well(self) -> bool:
        """Whether nothing of it is left to be mended."""
        return self.fate in GOOD and self.is_back

    @property
    def gap_sentence(self) -> str:
        """The same with what it did not do; "" where there is nothing to say."""
        if self.role not in HOLDS_DATA and self.gap_s < 1.0:
            return ""
        records = self.role is Role.RECORDER
        if self.gap_text in ("none", "not known"):
            return f"{'gap in its recording' if records else 'gap'}: {self.gap_text}"
        return f"{'recorded nothing' if records else 'not at work'} for {self.gap_text}"

    @property
    def gap_text(self) -> str:
        """How long it did not do its work."""
        if self.gap_s < 1.0 and not self.is_gap_open:
            return "none" if self.fate is not Fate.LOST else "not known"
        return f"{duration_text(self.gap_s)}{' so far' if self.is_gap_open else ''}"


def fates_of(outage: Outage, pen: Pen) -> list[FateTold]:
    """Return the fates of all devices: what holds data first, then as the site's file has them."""
    told = [_fate(outage, device, pen) for device in outage.devices.values()]
    return sorted(told, key=lambda one: one.role not in HOLDS_DATA)


def grouped(fates: Sequence[FateTold]) -> list[tuple[FateTold, ...]]:
    """Return the fates in groups of which the same is to be said, in order.

    What an order reached stands alone.
    """
    groups: dict[object, list[FateTold]] = {}
    for told in fates:
        key: object = told.name if told.told_at is not None else (told.fate, told.course)
        groups.setdefault(key, []).append(told)
    return [tuple(group) for group in groups.values()]


def _fate(outage: Outage, device: DeviceStory, pen: Pen) -> FateTold:
    fate = _what(outage, device)
    rests = [order for order in device.orders if order.task is Task.REST]
    gap_s = device.gap_s(outage.until_at)
    foretold = device.foretold
    return FateTold(
        device.name,
        device.facts.role,
        fate,
        tuple(_course(outage, device, fate, pen)),
        _evidence(device, rests),
        gap_s,
        any(gap.is_open for gap in device.gaps),
        _is_back(outage, device),
        None if foretold is None else foretold.on_until_at,
        rests[0].given_at if rests else None,
    )


def _what(outage: Outage, device: DeviceStory) -> Fate:
    if device.dark_at is not None:
        return Fate.LOST if device.facts.role in HOLDS_DATA else Fate.DARK
    rests = [order for order in device.orders if order.task is Task.REST]
    endings = {order.ending for order in rests}
    if Ending.AT_REST in endings:
        return Fate.RESTED
    if Ending.ASSUMED in endings:
        return Fate.RESTED_DRY
    if Ending.FAILED in endings:
        return Fate.FAILED
    if any(order.ending is None for order in rests):
        return Fate.BUSY
    if device.spans[0].phase is Phase.AT_REST:
        return Fate.OFF_BEFORE
    return Fate.NO_TOUCH if device.facts.no_touch else Fate.STAYED_ON


def _is_back(outage: Outage, device: DeviceStory) -> bool:
    """Whether it runs again, or nobody expects it to yet."""
    if device.phase is Phase.NEEDS_HAND:
        return False
    if not outage.is_over and outage.returned_at is None:
        return True
    if device.dark_at is not None and device.facts.role in HOLDS_DATA:
        return any(s.phase is Phase.RUNNING and s.began_at > device.dark_at for s in device.spans)
    return device.phase is Phase.RUNNING or not device.was_touched or device.by_hand


def _evidence(device: DeviceStory, rests: list[OrderStory]) -> str:
    closed = [order for order in rests if order.ending in (Ending.AT_REST, Ending.FAILED)]
    if closed:
        return closed[-1].evidence
    assumed = [order for order in rests if order.ending is Ending.ASSUMED]
    return assumed[-1].evidence if assumed else ""


def _course(outage: Outage, device: DeviceStory, fate: Fate, pen: Pen) -> list[str]:
    said = []
    for order in device.orders:
        said += _rest_said(order, pen) if order.task is Task.REST else _start_said(order, pen)
    if device.dark_at is not None:
        seen = "still running" if fate is Fate.LOST else "before it was told anything"
        if device.facts.is_passive and fate is not Fate.LOST:
            seen = "told nothing, as planned"
        said.append(f"Its power ended about {pen.clock(device.dark_at)}, {seen}.")
    elif not device.orders and fate is Fate.STAYED_ON:
        said.append("Told nothing, and on throughout as far as is known.")
    elif fate is Fate.NO_TOUCH:
        said.append("No order may reach it.")
    elif fate is Fate.OFF_BEFORE:
        said.append("It was at rest when mains failed.")
    if device.phase is Phase.RUNNING and device.orders:
        last = device.spans[-1]
        is_start = any(order.closed_at == last.began_at for order in device.orders)
        if not is_start and last.why:
            said.append(f"Seen running again at {pen.clock(last.began_at)}: {last.why}.")
    if device.by_hand and device.phase is not Phase.RUNNING:
        said.append("It was stopped by hand, and stays so until it is started by hand.")
    return said


def _rest_said(order: OrderStory, pen: Pen) -> list[str]:
    reason = _sentence(order.reasons[0])
    short = ", in short" if order.in_short else ""
    match order.ending:
        case Ending.AT_REST:
            end = f"At rest at {pen.clock(order.closed_at or order.given_at)}"
            end += f", after {duration_text((order.closed_at or 0.0) - order.given_at)}{short}."
        case Ending.FAILED:
            end = f"Given up at {pen.clock(order.closed_at or order.given_at)}: {order.evidence}."
        case Ending.WITHDRAWN:
            end = f"Withdrawn before it began: {order.evidence}."
        case Ending.ASSUMED:
            end = "Dry run: nothing was sent, and its rest is assumed."
        case _:
            end = "Not at its end yet."
    return [f"Told at {pen.clock(order.given_at)}: {reason}", end]


def _start_said(order: OrderStory, pen: Pen) -> list[str]:
    match order.ending:
        case Ending.RUNNING:
            how = f": {order.evidence}" if order.evidence else ""
            return [f"Running again at {pen.clock(order.closed_at or order.given_at)}{how}."]
        case Ending.FAILED:
            return [
                f"Its start at {pen.clock(order.given_at)} did not work by "
                f"{pen.clock(order.closed_at or order.given_at)}: {order.evidence}."
            ]
        case Ending.ASSUMED:
            return ["Dry run: its start is assumed."]
        case Ending.WITHDRAWN:
            return [f"Its start was withdrawn: {order.evidence}."]
        case _:
            return [f"Being started since {pen.clock(order.given_at)}."]


def _sentence(reason: str) -> str:
    """A reason with its first letter large and a full stop."""
    text = reason[:1].upper() + reason[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."
