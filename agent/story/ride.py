"""Fills the past of a ride-through's picture from the story of its outage."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from typing import TypeVar

from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide
from agent.story.model import DeviceStory, Outage, PhaseSpan, Story, UnitStory
from policies.model import HOLDS_DATA
from policies.reasons import duration_text
from policies.state import Phase

POINTS = 240
"""Most points of one line: more than that no screen shows."""

_DOING = {
    Phase.RUNNING: Doing.ON,
    Phase.RESTING: Doing.STOPPING,
    Phase.AT_REST: Doing.AT_REST,
    Phase.GIVEN_UP: Doing.FAILED,
    Phase.STARTING: Doing.STARTING,
    Phase.NEEDS_HAND: Doing.FAILED,
}

_T = TypeVar("_T")


def ride_of(story: Story, outage: Outage, *, zone: tzinfo) -> RideView:
    """Return the picture of an outage as far as it has happened, nothing planned.

    Of one that goes on, now is the last that the story knows; whoever has a plan adds it to each
    unit and device, and the sure and likely end (`dataclasses.replace`).
    """
    began_at = outage.began_at
    begins = story.local(began_at, outage, zone)
    site = story.facts.name or "the site"
    back_s = None if outage.returned_at is None else outage.returned_at - began_at
    lasted = duration_text(outage.lasting_s)
    so_far = "so far" if back_s is None else "until mains was back"
    return RideView(
        title=f"{site}: outage of {begins:%Y-%m-%d %H:%M}",
        description=f"Mains failed at {begins:%Y-%m-%d %H:%M:%S}, {lasted} {so_far}.",
        begins=begins,
        now_s=None if outage.is_over else outage.until_at - began_at,
        units=tuple(_unit(unit, began_at) for unit in outage.units.values()),
        devices=tuple(_device(outage, device) for device in outage.devices.values()),
        mains_back_s=back_s,
    )


def _unit(unit: UnitStory, began_at: float) -> UnitRide:
    points = [point for point in unit.points if point.at >= began_at - 60.0]
    loads = [Load(p.at - began_at, p.load_w) for p in points if p.load_w is not None]
    charges = [(p.at - began_at, p.charge) for p in points if p.charge is not None]
    if unit.ended_at is not None:
        loads = _until_end(loads, unit.ended_at - began_at)
    left = [
        Left(b.at - began_at, b.left_lower, b.left_likely)
        for b in unit.beliefs
        if unit.ended_at is None or b.at <= unit.ended_at
    ]
    return UnitRide(
        unit.name,
        left=thinned(left),
        load=thinned(loads),
        charge=thinned(charges),
        ended_s=None if unit.ended_at is None else unit.ended_at - began_at,
    )


def _until_end(loads: list[Load], ended_s: float) -> list[Load]:
    """Loads with none from the output's end to the next reading after it."""
    before = [load for load in loads if load.at_s <= ended_s]
    return [*before, Load(ended_s, 0.0), *(load for load in loads if load.at_s > ended_s)]


def thinned(points: Sequence[_T], most: int = POINTS) -> tuple[_T, ...]:
    """Return about *most* of the points, evenly, the first and the last among them."""
    if len(points) <= most:
        return tuple(points)
    last = len(points) - 1
    return tuple(points[round(i * last / (most - 1))] for i in range(most))


def _device(outage: Outage, device: DeviceStory) -> DeviceRide:
    gap_s = device.gap_s(outage.until_at)
    hold_s, is_held = _hold(outage, device)
    is_lost = device.dark_at is not None and device.facts.role in HOLDS_DATA
    return DeviceRide(
        device.name,
        past=tuple(_spans(outage, device)),
        hold_until_s=hold_s,
        is_held=is_held,
        is_at_risk=is_lost or any(s.phase is Phase.GIVEN_UP for s in device.spans),
        note="" if gap_s < 1.0 else f"off {duration_text(gap_s)}",
    )


def _hold(outage: Outage, device: DeviceStory) -> tuple[float | None, bool]:
    """For how long its owner wishes it on, and whether it was, or mains came back before."""
    foretold = device.foretold
    if foretold is None or foretold.hold_until_at <= outage.began_at + 1.0:
        return None, True
    stopped = [gap.began_at for gap in device.gaps if gap.began_at is not None]
    is_held = all(at >= foretold.hold_until_at - 1.0 for at in stopped)
    return foretold.hold_until_at - outage.began_at, is_held


def _spans(outage: Outage, device: DeviceStory) -> list[Span]:
    """What it did, in s after mains failed; behind a unit that ended it is dark until it is back.

    What is never told anything is on again with its power; of the rest nobody knows before it is
    seen.
    """
    began_at, dark_at = outage.began_at, device.dark_at
    spans = [_span(one, began_at) for one in device.spans]
    if dark_at is None:
        return spans
    dark_s = dark_at - began_at
    later = [s for s in device.spans if s.began_at > dark_at and s.phase is not Phase.GIVEN_UP]
    before = [_cut(span, dark_s) for span in spans if span.begins_s < dark_s]
    holds_data = device.facts.role in HOLDS_DATA
    doing = Doing.LOST if holds_data else Doing.DARK
    if later:
        there_s: float | None = later[0].began_at - began_at
    else:
        there_s = None if outage.returned_at is None else outage.returned_at - began_at
    dark = Span(dark_s, there_s, doing, "its battery ended")
    after = [_span(one, began_at) for one in later]
    if not later and there_s is not None:
        back = Doing.UNKNOWN if holds_data else Doing.ON
        after = [Span(there_s, None, back, "its power came back")]
    return [*before, dark, *after]


def _cut(span: Span, at_s: float) -> Span:
    ends_s = at_s if span.ends_s is None else min(span.ends_s, at_s)
    return Span(span.begins_s, ends_s, span.doing, span.why)


def _span(one: PhaseSpan, began_at: float) -> Span:
    ends_s = None if one.ended_at is None else one.ended_at - began_at
    why = f"assumed: {one.why}" if one.is_assumed else one.why
    return Span(one.began_at - began_at, ends_s, _DOING[one.phase], why)
