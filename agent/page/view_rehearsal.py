"""A rehearsal in words and as a picture: one under way as far as it is, or the last that was."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta, tzinfo
from typing import Any

from agent.page.live_past import DOINGS
from agent.pictures.ride_battery import left_now
from agent.pictures.ride_view import DeviceRide, Doing, Left, Load, RideView, Span, UnitRide
from agent.rehearsal.result import Fate
from agent.story.ride import thinned
from policies.model import Site, Task
from policies.reasons import duration_text
from policies.runtime import Inverter, inverter_of
from policies.state import Phase

ORDERS_SHOWN = 60
SAMPLES_KEPT = 2000
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Sample:
    """A unit at one moment: its load, and how much longer it lasts; None = not asked, on mains."""

    at_s: float
    load_w: float
    lower_s: float | None
    median_s: float | None


@dataclass(slots=True)
class Track:
    """What was seen of a rehearsal under way, report by report.

    Attributes:
        name: of the rehearsal; another one begins a track of its own.
    """

    name: str
    at_s: float = 0.0
    units: dict[str, list[Sample]] = field(default_factory=dict)
    devices: dict[str, list[Span]] = field(default_factory=dict)

    def take(self, progress: Mapping[str, Any]) -> None:
        """Take in how far it is: `at_s` and the `status` that it has in the rehearsal."""
        self.at_s = max(self.at_s, float(progress["at_s"]))
        status = progress["status"]
        if not status or progress["at_s"] < 0.0:
            return
        for unit in status["units"]:
            self._take_unit(unit)
        for device in status["devices"]:
            name = device["name"]
            if name not in self.devices:
                self.devices[name] = _so_far(name, progress["orders"])
            self._take_device(name, DOINGS[Phase(device["phase"])])

    def _take_unit(self, unit: Mapping[str, Any]) -> None:
        samples = self.units.setdefault(unit["name"], [])
        if unit["load_w"] is None or (samples and samples[-1].at_s >= self.at_s):
            return
        samples.append(Sample(self.at_s, unit["load_w"], unit["lower_s"], unit["median_s"]))
        if len(samples) > SAMPLES_KEPT:
            del samples[1 : SAMPLES_KEPT // 2 : 2]

    def _take_device(self, name: str, doing: Doing) -> None:
        spans = self.devices[name]
        last = spans[-1]
        if last.doing is not doing:
            spans[-1] = Span(last.begins_s, self.at_s, last.doing)
            spans.append(Span(self.at_s, None, doing))


def _so_far(name: str, orders: Sequence[Mapping[str, Any]]) -> list[Span]:
    """What a device did before anybody looked, by the orders that it was given."""
    spans = [Span(0.0, None, Doing.ON)]

    def then(at_s: float, doing: Doing) -> None:
        spans[-1] = Span(spans[-1].begins_s, at_s, spans[-1].doing)
        spans.append(Span(at_s, None, doing))

    for order in orders:
        if order["device"] != name:
            continue
        is_rest = order["task"] == Task.REST.value
        then(order["at_s"], Doing.STOPPING if is_rest else Doing.STARTING)
        if order["ended_s"] is not None:
            then(order["ended_s"], Doing.AT_REST if is_rest else Doing.ON)
    return spans


def track_view(track: Track, begins: datetime, site: Site) -> RideView:
    """Return the picture of a rehearsal under way."""
    return RideView(
        title=f"{site.name}: a rehearsal under way",
        description=f"{duration_text(track.at_s)} after mains failed, in the rehearsal.",
        begins=begins,
        now_s=track.at_s,
        units=tuple(_ride(name, samples, site) for name, samples in track.units.items()),
        devices=tuple(
            DeviceRide(name, past=tuple(spans), note=spans[-1].doing.value)
            for name, spans in track.devices.items()
        ),
        until_s=max(600.0, 1.15 * track.at_s),
    )


def result_view(result: Mapping[str, Any], zone: tzinfo, site: Site) -> RideView:
    """Return the picture of a rehearsal that is over; *result* as its document."""
    begins = datetime.fromisoformat(str(result["begins"])).astimezone(zone)
    return RideView(
        title=f"{result['site']}: a rehearsal",
        description=f"{result['sentence']}.",
        begins=begins,
        now_s=None,
        units=tuple(_unit(unit, site) for unit in result["units"]),
        devices=tuple(_device(device) for device in result["devices"]),
        until_s=_until_s(result),
        mains_back_s=float(result["mains_back_s"]),
    )


def _until_s(result: Mapping[str, Any]) -> float:
    """Where the picture ends: some time after the last thing that happens, not hours."""
    moments = [float(result["mains_back_s"])]
    moments += [order["ended_s"] or order["at_s"] for order in result["orders"]]
    for device in result["devices"]:
        moments += [span["from_s"] for span in device["spans"]]
        moments += [device[key] for key in ("dark_s", "back_s") if device[key] is not None]
    return min(float(result["ended_s"]), 1.05 * max(moments) + 60.0)


def _unit(unit: Mapping[str, Any], site: Site) -> UnitRide:
    samples = [
        Sample(one["at_s"], one["load_w"], one["lower_s"], one["median_s"])
        for one in unit["samples"]
    ]
    ride = _ride(unit["name"], samples, site)
    return replace(ride, ended_s=unit["ended_s"])


def _ride(name: str, samples: Sequence[Sample], site: Site) -> UnitRide:
    if name not in site.units:  # it was another file's
        return UnitRide(name, load=_loads(samples))
    inverter = inverter_of(site.units[name].rating_w)
    return UnitRide(name, left=_band(samples, inverter), load=_loads(samples))


def _band(samples: Sequence[Sample], inverter: Inverter) -> tuple[Left, ...]:
    """What is left over time, as the rehearsed agent believed; until mains was back."""
    found: list[Left] = []
    missing_wh, before = 0.0, samples[0] if samples else Sample(0.0, 0.0, None, None)
    for sample in samples:
        stretch_h = (sample.at_s - before.at_s) / _HOUR_S
        missing_wh += inverter.drawn_w(before.load_w) * stretch_h
        before = sample
        if sample.lower_s is None or sample.median_s is None:
            if found:
                break
            continue
        found.append(
            left_now(
                sample.at_s,
                missing_wh=missing_wh,
                load_w=sample.load_w,
                lower_s=sample.lower_s,
                likely_s=sample.median_s,
                inverter=inverter,
            )
        )
    return thinned(found)


def _loads(samples: Sequence[Sample]) -> tuple[Load, ...]:
    """Its load, where that changes."""
    found: list[Load] = []
    for sample in samples:
        if not found or found[-1].watts != sample.load_w:
            found.append(Load(sample.at_s if found else 0.0, sample.load_w))
    return thinned(found)


_ENDS = {Fate.UNSAVED.value: Doing.LOST, Fate.GAVE_WAY.value: Doing.DARK}


def _device(device: Mapping[str, Any]) -> DeviceRide:
    spans = [
        Span(span["from_s"], span["to_s"], DOINGS[Phase(span["phase"])]) for span in device["spans"]
    ]
    dark_s, is_lost = device["dark_s"], device["fate"] == Fate.UNSAVED.value
    if dark_s is not None and device["fate"] in _ENDS:
        spans = list(_until(spans, dark_s))
        spans.append(Span(dark_s, device["back_s"], _ENDS[device["fate"]]))
        if device["back_s"] is not None:
            spans.append(Span(device["back_s"], None, Doing.ON))
    return DeviceRide(
        device["name"],
        past=tuple(spans),
        hold_until_s=device["hold_s"] or None,
        is_held=device["held"],
        note="back" if device["back_s"] is not None and not is_lost else device["fate"],
        is_at_risk=is_lost,
    )


def _until(spans: Sequence[Span], end_s: float) -> Iterator[Span]:
    for span in spans:
        if span.begins_s < end_s:
            ends_s = end_s if span.ends_s is None else min(span.ends_s, end_s)
            yield Span(span.begins_s, ends_s, span.doing, span.why)


def order_lines(
    orders: Sequence[Mapping[str, Any]], begins: datetime, zone: tzinfo
) -> list[tuple[str, str, str]]:
    """Return when, of whom and what each order says, oldest first, no more than are shown."""
    return [
        (
            f"{(begins + timedelta(seconds=order['at_s'])).astimezone(zone):%H:%M:%S}",
            order["device"],
            f"{order['reason']}{_ended(order)}",
        )
        for order in orders[:ORDERS_SHOWN]
    ]


def _ended(order: Mapping[str, Any]) -> str:
    return f" Ended: {order['ending']}." if order["ending"] else ""
