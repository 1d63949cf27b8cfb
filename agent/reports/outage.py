"""The report of one outage: what happened when, to whom, how that is known, and what to mend."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime, tzinfo
from typing import Any

from agent.reports.course import Line, course_of
from agent.reports.fates import Fate, FateTold, fates_of, grouped
from agent.reports.mend import to_mend
from agent.reports.pen import Pen, day_text, numbered, percent
from agent.story.model import DeviceStory, OrderStory, Outage, Story, UnitStory
from agent.story.ride import ride_of
from policies.events import Ending
from policies.model import HOLDS_DATA, Task
from policies.reasons import duration_text, names_text, sureness_text

MOST_LINES = 400
"""Of the course: a site of a thousand devices is told by its first and last lines."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One thing that was foretold, and what came."""

    what: str
    foretold: str
    came: str


@dataclass(frozen=True, slots=True)
class BatteryTold:
    """What one unit's battery did.

    Attributes:
        used_wh: None = its unit tells no load.
        mean_w: of the load on battery; None likewise.
        after: sentences on its health after the outage.
    """

    unit: str
    on_battery_s: float
    used_wh: float | None
    mean_w: float | None
    charge_before: float | None
    charge_least: float | None
    ended: str
    after: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class OutageTold:
    """Everything that the report of one outage says, before it is laid out."""

    site: str
    number: int
    day: str
    began: str
    returned: str | None
    lasting_s: float
    is_over: bool
    is_dry: bool
    lead: tuple[str, ...]
    course: tuple[Line, ...]
    left_out: int
    fates: tuple[FateTold, ...]
    batteries: tuple[BatteryTold, ...]
    compared: tuple[Compared, ...]
    mend: tuple[str, ...]


def outage_told(story: Story, outage: Outage, *, zone: tzinfo) -> OutageTold:
    """Return what the report of an outage says.

    Args:
        story: the journal's.
        outage: one of its own.
        zone: the site's time zone.
    """
    pen = Pen.over(story, zone, outage)
    fates = fates_of(outage, pen)
    lines = course_of(outage, pen)
    half = MOST_LINES // 2
    shown = lines if len(lines) <= MOST_LINES else [*lines[:half], *lines[-half:]]
    mend = to_mend(outage, fates, pen)
    return OutageTold(
        site=story.facts.name or "the site",
        number=outage.number,
        day=pen.date(outage.began_at, with_weekday=True),
        began=pen.clock(outage.began_at),
        returned=None if outage.returned_at is None else pen.clock(outage.returned_at),
        lasting_s=outage.lasting_s,
        is_over=outage.is_over,
        is_dry=outage.is_dry,
        lead=tuple(_lead(outage, fates, mend, pen)),
        course=tuple(shown),
        left_out=len(lines) - len(shown),
        fates=tuple(fates),
        batteries=tuple(
            _battery(story, unit, pen) for unit in outage.units.values() if unit.interruptions
        ),
        compared=tuple(_compared(outage, pen)),
        mend=tuple(mend),
    )


def outage_html(story: Story, outage: Outage, *, zone: tzinfo, made: datetime) -> str:
    """Return the report as one HTML file that needs nothing else.

    Args:
        story: the journal's.
        outage: one of its own.
        zone: the site's time zone.
        made: the present moment, aware; stands at the report's foot.
    """
    from agent.reports import render

    told = outage_told(story, outage, zone=zone)
    wide, narrow = render.pictures(ride_of(story, outage, zone=zone))
    local = made.astimezone(zone)
    return render.html(
        "outage.html",
        told=told,
        wide=wide,
        narrow=narrow,
        picture_style=render.picture_style(),
        groups=grouped(told.fates),
        made=f"{day_text(local.date())}, {local:%H:%M}",
        zone=str(zone),
    )


def as_document(told: OutageTold) -> dict[str, Any]:
    """Return it JSON-ready."""
    fields = asdict(told)
    for plain, fate in zip(fields["fates"], told.fates, strict=True):
        plain["role"] = None if fate.role is None else fate.role.value
        plain["fate"] = fate.fate.value
        plain["ends_well"] = fate.ends_well
        del plain["foretold_at"], plain["told_at"]
    return fields


# In short


def _lead(outage: Outage, fates: list[FateTold], mend: list[str], pen: Pen) -> Iterator[str]:
    day = pen.date(outage.began_at, with_weekday=True)
    began = f"Mains failed on {day} at {pen.clock(outage.began_at)}"
    if outage.returned_at is None:
        yield f"{began}, and has not come back yet: {duration_text(outage.lasting_s)} so far."
    else:
        yield f"{began} and was back{_back_for_good(outage, pen)}"
    yield _saved_text(fates)
    yield from _gap_texts(fates)
    yield _back_text(outage, fates, pen)
    if outage.is_dry:
        yield "lastwatt was in dry run: nothing was sent to any device."
    if not mend and outage.is_over:
        yield "Nothing is left to be mended."


def _back_for_good(outage: Outage, pen: Pen) -> str:
    assert outage.returned_at is not None
    lasted = duration_text(outage.lasting_s)
    times = max(len(unit.interruptions) for unit in outage.units.values())
    if times < 2:
        return f" at {pen.clock(outage.returned_at)}, {lasted} later."
    away_s = max(
        sum(one.lasting_s(outage.until_at) for one in unit.interruptions)
        for unit in outage.units.values()
    )
    return (
        f" for good at {pen.clock(outage.returned_at)}, {lasted} later; in between it came and "
        f"went, and was away {times} times, {duration_text(away_s)} in all."
    )


def _saved_text(fates: list[FateTold]) -> str:
    holding = [f for f in fates if f.role in HOLDS_DATA]
    lost = [f.name for f in holding if f.fate is Fate.LOST]
    failed = [f.name for f in holding if f.fate is Fate.FAILED]
    rested = [f for f in holding if f.fate is Fate.RESTED]
    touched = [f for f in fates if f.told_at is not None]
    if lost:
        return (
            f"{names_text(lost)} {'was' if len(lost) == 1 else 'were'} not brought to rest before "
            "the power ended: recordings or disks may be damaged."
        )
    if failed:
        its = "its power" if len(failed) == 1 else "their power"
        return (
            f"{names_text(failed)} could not be brought to rest; as far as is known {its} did not "
            "end."
        )
    if not holding:
        return f"{numbered(len(touched), 'device').capitalize()} had to be told anything."
    if not rested:
        return "The battery carried everything that records, without a stop."
    names = names_text([f.name for f in rested])
    if len(rested) == len(holding):
        return f"Everything that holds recordings or data came to rest in order: {names}."
    return f"What had to stop came to rest in order: {names}. The others ran on."


def _gap_texts(fates: list[FateTold]) -> Iterator[str]:
    gaps = [f for f in fates if f.role in HOLDS_DATA and (f.gap_s >= 1.0 or f.is_gap_open)]
    if len(gaps) > 4:
        longest = max(gaps, key=lambda f: f.gap_s)
        yield (
            f"{len(gaps)} of them did not record, or work, for a while; the longest was "
            f"{longest.name} with {longest.gap_text}."
        )
    elif gaps:
        each = names_text([f"{f.name} for {f.gap_text}" for f in gaps])
        yield f"Not recorded, or not at work: {each}."


def _back_text(outage: Outage, fates: list[FateTold], pen: Pen) -> str:
    if outage.returned_at is None:
        return "Mains is still away."
    missing = [f.name for f in fates if not f.is_back]
    if missing:
        state = "is" if len(missing) == 1 else "are"
        return f"{names_text(missing)} {state} not running again yet."
    if not outage.is_over:
        return "Not everything is back yet."
    at = outage.closed_at if outage.closed_at is not None else outage.until_at
    return f"Everything was as before by {pen.clock(at)}."


# Batteries


def _battery(story: Story, unit: UnitStory, pen: Pen) -> BatteryTold:
    on_battery_s = sum(
        one.lasting_s(story.until_at)
        if unit.ended_at is None
        else max(0.0, min(unit.ended_at, one.returned_at or unit.ended_at) - one.failed_at)
        for one in unit.interruptions
    )
    charges = unit.charges
    ended = ""
    if unit.ended_at is not None:
        ended = f"Its output ended about {pen.clock(unit.ended_at)}: {unit.ended_how}."
    used_wh = unit.used_wh
    is_timed = used_wh is not None and on_battery_s > 0.0
    return BatteryTold(
        unit.name,
        on_battery_s,
        used_wh,
        3600.0 * (used_wh or 0.0) / on_battery_s if is_timed else None,
        None if charges is None else charges[0],
        None if charges is None else charges[1],
        ended,
        tuple(_health(story, unit)),
    )


def _health(story: Story, unit: UnitStory) -> Iterator[str]:
    share = story.facts.new_per_wh.get(unit.name)
    for point in unit.measured:
        of_new = "" if share is None else f", {percent(share * point.energy_wh)} of a new one"
        yield (
            f"This outage measured it: a full battery holds {point.energy_wh:.0f} Wh "
            f"({point.low_wh:.0f} to {point.high_wh:.0f} Wh){of_new}."
        )
    yield from (f"{one.why[:1].upper()}{one.why[1:]}." for one in unit.judged)
    if unit.measured or unit.judged:
        return
    known = [point for point in story.measured if point.unit == unit.name]
    if known and share is not None:
        yield (
            "This outage was too short, or too shallow, to measure it. When last measured, on "
            f"{day_text(known[-1].on)}, it held {percent(share * known[-1].energy_wh)} of a new "
            "one."
        )
    else:
        yield "This outage was too short, or too shallow, to measure it; nothing else has yet."


# Predicted against actual


def _compared(outage: Outage, pen: Pen) -> Iterator[Compared]:
    for unit in outage.units.values():
        if unit.beliefs and unit.interruptions:
            first = unit.beliefs[0]
            lower_at, likely_at = first.at + first.lower_s, first.at + first.median_s
            yield Compared(
                f"battery of {unit.name}",
                f"lasts until {pen.clock(lower_at, with_seconds=False)} at least "
                f"({sureness_text(first.quantile)}), {pen.clock(likely_at, with_seconds=False)} "
                f"likely, at {first.load_w:.0f} W",
                _battery_came(outage, unit, pen),
            )
    for device in outage.devices.values():
        foretold = device.foretold
        stop = next((o for o in device.orders if o.task is Task.REST), None)
        if foretold is None or (stop is None and foretold.on_until_at == float("inf")):
            continue
        if stop is None and device.facts.is_passive:
            continue
        rest = _rest_text(foretold.at_rest_at, pen)
        yield Compared(
            device.name,
            f"on until {_until_text(foretold.on_until_at, pen)}{rest} ({foretold.why})",
            _device_came(outage, device, stop, pen),
        )


def _until_text(at: float, pen: Pen) -> str:
    return "the end" if at == float("inf") else pen.clock(at)


def _rest_text(at: float, pen: Pen) -> str:
    return "" if at == float("inf") else f", at rest by {pen.clock(at)}"


def _battery_came(outage: Outage, unit: UnitStory, pen: Pen) -> str:
    first = unit.beliefs[0]
    lower_at, likely_at = first.at + first.lower_s, first.at + first.median_s
    loads = [p.load_w for p in unit.on_battery if p.load_w is not None]
    least = f", {min(loads):.0f} W at the least" if loads else ""
    if unit.ended_at is not None:
        if unit.ended_at < lower_at - 60.0:
            how = "before its bound"
        elif unit.ended_at > likely_at:
            how = "later than likely"
        else:
            how = "between the two"
        return f"ended about {pen.clock(unit.ended_at, with_seconds=False)}, {how}{least}"
    if outage.returned_at is None:
        return f"still carries{least}"
    still = "had carried past its bound" if outage.returned_at > lower_at else "was not at its end"
    return f"{still} when mains was back at {pen.clock(outage.returned_at)}{least}"


def _device_came(outage: Outage, device: DeviceStory, stop: OrderStory | None, pen: Pen) -> str:
    if stop is None:
        if device.dark_at is not None:
            return f"lost its power about {pen.clock(device.dark_at)}"
        return "on throughout: it was not needed" if outage.returned_at else "still on"
    said = f"told at {pen.clock(stop.given_at)}"
    if stop.ending is Ending.AT_REST and stop.closed_at is not None:
        return f"{said}, at rest at {pen.clock(stop.closed_at)}"
    return f"{said}, {'under way' if stop.ending is None else stop.ending.value}"
