"""What `lastwatt plan` says, in words and as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from agent.cli.budget import NO_PLACE, gap_fields
from agent.cli.tables import table_lines
from agent.moment import shown
from agent.planning.outlook import Outlook, UnitOutlook
from policies.graph import may_be_stopped, writers_of
from policies.model import HOLDS_DATA
from policies.plan import PlannedStop, UnitCourse, Why
from policies.plan_ways import Buy, Cut, Drop, Ways
from policies.reasons import duration_text, names_text, sureness_text

_HOUR_S = 3600.0
_STEPS_SHOWN = 6


# For people


def text_of(found: Outlook) -> Iterator[str]:
    """Give the lines that a person reads, the conclusion first."""
    yield conclusion(found)
    yield ""
    yield from _table(found)
    yield ""
    for unit in found.units.values():
        yield from _unit_lines(found, unit)
    yield from _threshold_lines(found)
    yield from _unsaved_lines(found)
    yield from _second_best_lines(found)
    yield from _cut_lines(found)
    yield from _comeback_lines(found)
    for unit in found.units.values():
        if unit.ways is not None:
            yield from _way_lines(found, unit.ways)
    yield from _assumed(found)


def _second_best_lines(found: Outlook) -> Iterator[str]:
    """Say what nothing can be told to, how it is spared all the same, and where it cannot be."""
    site = found.loaded.site
    for name, device in site.devices.items():
        if not device.by_writers or device.no_touch:
            continue
        writers = writers_of(site, name)
        stay = [writer for writer in writers if not may_be_stopped(site, writer)]
        if stay or not writers:
            who = f"{names_text(stay)} cannot be cut" if stay else "nothing is known to write to it"
            yield f"{name} CANNOT be brought to rest: nothing can be told to it, and {who}."
            continue
        spared = duration_text(device.quiesce_s or 0.0)
        are = "is" if len(writers) == 1 else "are"
        then = "its power is cut" if device.is_cut else "it loses its power as it is"
        yield (
            f"Second best: nothing can be told to {name}. {names_text(writers)} {are} cut, it is "
            f"given {spared} to write out, then {then}."
        )


def _cut_lines(found: Outlook) -> Iterator[str]:
    """Say of what holds data and is cut at its feed when that is done, and when not."""
    for name, device in found.loaded.site.devices.items():
        if device.cut_s is not None and device.role in HOLDS_DATA and not device.no_touch:
            yield (
                f"Should its stop fail, {name} is cut at its feed, if it is known to be quiesced; "
                "else it goes on running, and is cut only to save another worth no less."
            )
        if device.is_cut and device.role in HOLDS_DATA and not device.no_touch:
            yield (
                f"{name} is cut at its feed, once it is known to be quiesced. If that fails it "
                "goes on running, and cameras of its own whose ports can be cut go off, so that "
                "its disk is idle; it is cut all the same only to save another worth no less."
            )


def conclusion(found: Outlook) -> str:
    """Return in one sentence what comes of the outage."""
    begins = f"{found.loaded.site.name}, an outage from {shown(found.begins, '%Y-%m-%d %H:%M')} on"
    lost = [stop.device for stop in found.lost]
    unmet = [stop.device for stop in found.plan.unmet]
    if lost:
        what = f"{names_text(lost)} cannot be brought to rest in time"
    elif unmet:
        short_wh = sum(unit.course.short_wh for unit in found.units.values())
        lacks = f"; the battery lacks {short_wh:.0f} Wh" if short_wh >= 0.5 else ""
        what = (
            f"everything comes to rest in time, but {names_text(unmet)} cannot stay on as long "
            f"as wished{lacks}"
        )
    elif any(device.hold_s > 0.0 for device in found.loaded.site.devices.values()):
        what = "everything comes to rest in time, and every hold time is met"
    else:
        what = "everything comes to rest in time"
    return f"{begins}: {what}. {_chance_text(found)}"


def _chance_text(found: Outlook) -> str:
    outages = next((unit.chances.outages for unit in found.units.values()), 0)
    if not any(unit.devices for unit in found.units.values()):
        return "Nothing has to be told to anybody."
    if found.all_well >= 1.0 - 1.0 / max(1, outages):
        return f"It ended well in all of {outages} such outages tried."
    return f"It ends well in {percent(found.all_well)} of such outages."


def percent(share: float) -> str:
    """Return a chance as people write it; what is not certain is never shown as 100 %."""
    if share >= 1.0:
        return "100 %"
    return f"{math.floor(1000.0 * share) / 10.0:.1f} %"


def clock(found: Outlook, after_s: float, *, with_seconds: bool = False) -> str:
    """Return the site's time so much after mains failed; the day is named if it is another."""
    if math.isinf(after_s):
        return "–"
    at = moment(found, after_s)
    days = (at.date() - found.begins.date()).days
    form = "%H:%M:%S" if with_seconds else "%H:%M"
    return shown(at, form) + (f" +{days} d" if days else "")


def moment(found: Outlook, after_s: float) -> datetime:
    """Return the instant so much later, whatever the wall clock does in between."""
    later = found.begins.astimezone(UTC) + timedelta(seconds=after_s)
    return later.astimezone(found.loaded.time_zone)


_HEAD = ("", "on until", "after", "at rest by", "latest start", "hold", "in time", "")


def _table(found: Outlook) -> Iterator[str]:
    """Give the table; its last column, in words, stands to the left."""
    rows = _rows(found)
    width = max(len(row[0]) for row in rows)
    figures = [(row[0].ljust(width), *row[1:-1], ".") for row in rows]
    for line, row in zip(table_lines(figures), rows, strict=True):
        yield (line[:-1] + row[-1]).rstrip()


def _rows(found: Outlook) -> list[Sequence[str]]:
    rows: list[Sequence[str]] = [_HEAD]
    order = sorted(found.plan.stops.values(), key=lambda stop: (stop.on_until_at, stop.device))
    for stop in order:
        chance = found.chance_of(stop.device)
        is_counted = found.loaded.site.devices[stop.device].role in HOLDS_DATA
        rows.append(
            (
                stop.device,
                clock(found, stop.on_until_at),
                "–" if math.isinf(stop.on_until_at) else duration_text(stop.on_until_at),
                clock(found, stop.at_rest_at),
                clock(found, stop.latest_at) if stop.latest_at >= 0.0 else "too late",
                _hold_text(stop),
                percent(chance) if chance is not None and is_counted else "",
                _why_text(found, stop),
            )
        )
    return rows


def _hold_text(stop: PlannedStop) -> str:
    if stop.hold_until_at <= 0.0:
        return ""
    return duration_text(stop.hold_until_at) + ("" if stop.is_held else " NOT met")


def _why_text(found: Outlook, stop: PlannedStop) -> str:
    match stop.why:
        case Why.GIVES_WAY:
            return f"gives way to {stop.sake}" if stop.sake else "given up: not worth its power"
        case Why.UNTOLD | Why.NO_TOUCH if stop.on_until_at < stop.dark_at - 1.0:
            return f"{stop.why}, at {clock(found, stop.dark_at)}; of no use until then"
        case Why.KEPT if not stop.is_in_time:
            return "stopped at once; the battery may end before"
        case _:
            return stop.why.value


def _unit_lines(found: Outlook, unit: UnitOutlook) -> Iterator[str]:
    course = unit.course
    ends = f"{clock(found, course.lower_s)} at least ({sureness_text(course.quantile)})"
    stops = f"; the last stop ends by {clock(found, course.stops_end_s)}" if course.falls else ""
    yield (
        f"{course.unit} carries what is kept on until {ends}, "
        f"{clock(found, course.median_s)} likely{stops}. "
        f"Its load: {_load_text(found, course)}."
    )
    if course.light_load_s >= 1.0:
        least_w = found.loaded.site.units[course.unit].min_load_w
        yield (
            f"WARNING  {course.unit}: for {duration_text(course.light_load_s)} before all that "
            f"holds data is at rest it carries less than {least_w:g} W, and may switch itself off; "
            "leave something plugged in that draws so much, or switch its energy saver off"
        )


def _load_text(found: Outlook, course: UnitCourse) -> str:
    steps = [s for s in course.steps if s.after_s < course.median_s]
    told = [f"{steps[0].load_w:.0f} W at first"]
    told += [f"{s.load_w:.0f} W from {clock(found, s.after_s)}" for s in steps[1:_STEPS_SHOWN]]
    if len(steps) > _STEPS_SHOWN:
        told.append(f"{steps[-1].load_w:.0f} W in the end")
    return ", ".join(told)


def _threshold_lines(found: Outlook) -> Iterator[str]:
    if found.best_worth is None:
        return
    lost = max(0.0, found.best_worth - found.plan.worth)
    share = lost / found.best_worth if found.best_worth > 0.0 else 0.0
    owners = [stop.device for stop in found.plan.stops.values() if stop.why is Why.OWNER]
    if owners:
        cost = f"they cost {percent(share)} of it" if share >= 0.001 else "they cost nothing of it"
        yield (
            f"By its owner's threshold {names_text(owners)} "
            f"{'stops' if len(owners) == 1 else 'stop'}. Against the best plan, worth "
            f"{found.best_worth:.1f} (hours times worth), {cost}."
        )
    else:
        yield "No owner's threshold is reached before the plan itself stops its device."
    for stop in found.plan.unmet:
        device = found.loaded.site.devices[stop.device]
        wish_s = None if device.stop_when is None else device.stop_when.on_battery_for_s
        if wish_s is not None and wish_s < device.hold_s:
            yield (
                f"WARNING  {stop.device}: its own threshold, on_battery_for, stops it after "
                f"{duration_text(wish_s)}, before its hold time of {duration_text(device.hold_s)} "
                "has passed; change one of the two"
            )


def _unsaved_lines(found: Outlook) -> Iterator[str]:
    for stop in found.plan.unsaved:
        match stop.why:
            case Why.DARK:
                why = "it hangs on a mains socket, and goes dark unprepared"
            case Why.NO_TOUCH:
                why = "no order may touch it; it loses power unprepared"
            case Why.UNTOLD:
                why = "nothing says how to bring it to rest, or something keeps it from that"
            case _:
                why = "its stop and what follows it take longer than the battery surely lasts"
        yield f"NOT SAVED  {stop.device}: {why}"


def _comeback_lines(found: Outlook) -> Iterator[str]:
    if found.by_hand:
        yield (
            f"Will not come back by themselves: {names_text(found.by_hand, most=20)}; somebody has "
            "to switch them on."
        )
    if not found.by_itself:
        return
    yield (
        "Start by themselves when power comes, so that nothing can hold them off until mains is "
        "steady and the battery holds enough for one more orderly stop: "
        f"{names_text(found.by_itself, most=20)}."
    )
    units = found.loaded.site.units
    feeding = sorted(found.units_of(found.by_itself))
    uncontrolled = [name for name in feeding if units[name].output is None]
    if uncontrolled:
        waiting = [n for n in found.by_itself if found.units_of([n]) & set(uncontrolled)]
        yield (
            f"Nothing switches the output of {names_text(uncontrolled)}: should mains return "
            f"before its battery has ended, {names_text(waiting, most=20)} "
            f"{'stays' if len(waiting) == 1 else 'stay'} off until somebody sees to it."
        )
    for name in feeding:
        control = units[name].output
        if control is not None:
            yield (
                f"The output of {name} drops once all on it is at rest, stays off for "
                f"{duration_text(control.off_for_s)} at least, and returns with mains. That "
                "startup delay buys time, not charge: the next outage finds the battery as empty "
                "as this one leaves it."
            )


def _way_lines(found: Outlook, ways: Ways) -> Iterator[str]:
    yield ""
    yield f"{ways.unit} lacks {ways.short_wh:.0f} Wh for all hold times. The cheapest ways out:"
    for drop in ways.drops:
        yield f"  {_drop_text(drop)}"
    for cut in ways.cuts:
        yield f"  {_cut_text(cut)}"
    if ways.buy is not None:
        yield f"  {_buy_text(found, ways.unit, ways.buy)}"
    if not ways.drops and not ways.cuts:
        yield "  No device to take off it, and no hold time to cut, would be enough by itself."


def _drop_text(drop: Drop) -> str:
    more = [name for name in drop.gone if name not in drop.devices]
    what = names_text(drop.devices)
    with_it = f" (and {names_text(more)} with it)" if more else ""
    return f"take {what}{with_it} off this battery: costs {drop.worth:g} of worth an hour"


def _cut_text(cut: Cut) -> str:
    whose = names_text(cut.devices)
    if cut.to_s < 60.0:
        return f"give up the hold time of {whose}: costs {cut.worth:.1f} (hours times worth)"
    to = duration_text(60.0 * math.floor(cut.to_s / 60.0))
    each = " each" if len(cut.devices) > 1 else ""
    return f"cut the hold time of {whose} to {to}{each}: costs {cut.worth:.1f} (hours times worth)"


def _buy_text(found: Outlook, unit: str, buy: Buy) -> str:
    battery = found.loaded.site.units[unit].battery
    text = f"fit a battery of {buy.times:.2f} times the energy"
    if buy.amp_hours is not None and buy.volts is not None:
        text += (
            f", such as {buy.volts:g} V {buy.amp_hours:g} Ah in place of {battery.amp_hours:g} Ah"
        )
    return f"{text}, if the unit can take it; see `lastwatt size`"


def _assumed(found: Outlook) -> Iterator[str]:
    said = [f"batteries full and everything on; planned for {duration_text(found.plan.horizon_s)}"]
    for unit in found.units.values():
        if not unit.is_fitted and not found.loaded.site.units[unit.course.unit].battery.table:
            said.append(
                f"{unit.course.unit}: its battery was never measured; `lastwatt fit` makes its "
                "bound longer"
            )
    said += [f"{gap.unit}: it measured {gap.sentence}; planned with that" for gap in found.gaps]
    if found.loaded.place is None:
        said.append(NO_PLACE)
    yield ""
    yield "Assumed:"
    yield from (f"  {text}" for text in said)


# For machines


def as_document(found: Outlook) -> dict[str, Any]:
    """Return what JSON shows; spans in s from the moment mains fails."""
    return {
        "site": found.loaded.site.name,
        "conclusion": conclusion(found),
        "begins": found.begins.isoformat(),
        "horizon_s": found.plan.horizon_s,
        "all_well": round(found.all_well, 5),
        "worth": round(found.plan.worth, 4),
        "best_worth": None if found.best_worth is None else round(found.best_worth, 4),
        "units": [_unit_fields(found, unit) for unit in found.units.values()],
        "devices": [_device_fields(found, stop) for stop in found.plan.stops.values()],
        "not_saved": [stop.device for stop in found.plan.unsaved],
        "by_hand": found.by_hand,
        "by_itself": found.by_itself,
        "measured": [gap_fields(gap) for gap in found.gaps],
        "ways_out": [_way_fields(u.ways) for u in found.units.values() if u.ways is not None],
    }


def _unit_fields(found: Outlook, unit: UnitOutlook) -> dict[str, Any]:
    course = unit.course
    return {
        "name": course.unit,
        "quantile": course.quantile,
        "lower_s": _span(course.lower_s),
        "median_s": _span(course.median_s),
        "stops_end_s": _span(course.stops_end_s),
        "short_wh": round(course.short_wh, 2),
        "light_load_s": _span(course.light_load_s),
        "all_well": round(unit.chances.all_well, 5),
        "outages": unit.chances.outages,
        "ends_s": {f"{q:g}": _span(at_s) for q, at_s in unit.chances.ends_s.items()},
        "load": [{"after_s": _span(s.after_s), "watts": round(s.load_w, 2)} for s in course.steps],
        "output_is_switched": found.loaded.site.units[course.unit].output is not None,
        "at_hand": [
            {
                "after_s": _span(point.after_s),
                "lower_wh": round(point.lower_wh, 2),
                "median_wh": round(point.median_wh, 2),
            }
            for point in unit.points
        ],
    }


def _device_fields(found: Outlook, stop: PlannedStop) -> dict[str, Any]:
    device = found.loaded.site.devices[stop.device]
    return {
        "name": stop.device,
        "role": device.role.value,
        "why": stop.why.name.lower(),
        "says": _why_text(found, stop),
        "sake": stop.sake or None,
        "on_until_s": _span(stop.on_until_at),
        "at_rest_s": _span(stop.at_rest_at),
        "latest_start_s": _span(stop.latest_at),
        "dark_s": _span(stop.dark_at),
        "hold_s": device.hold_s or None,
        "hold_met": stop.is_held if device.hold_s else None,
        "in_time": stop.is_in_time,
        "chance": found.chance_of(stop.device),
        "worth": device.worth,
        "starts": device.starts.value,
    }


def _way_fields(ways: Ways) -> dict[str, Any]:
    return {
        "unit": ways.unit,
        "short_wh": round(ways.short_wh, 2),
        "drop": [
            {"devices": list(d.devices), "gone": list(d.gone), "worth": d.worth} for d in ways.drops
        ],
        "cut": [
            {"devices": list(c.devices), "to_s": _span(c.to_s), "worth": round(c.worth, 3)}
            for c in ways.cuts
        ],
        "battery": None
        if ways.buy is None
        else {
            "times": round(ways.buy.times, 3),
            "volts": ways.buy.volts,
            "amp_hours": ways.buy.amp_hours,
        },
    }


def _span(seconds: float) -> float | None:
    return round(seconds, 1) if math.isfinite(seconds) else None
