"""Gathers what happens in a rehearsal into its result."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from agent.rehearsal.result import (
    DeviceResult,
    Fate,
    Sample,
    Span,
    Told,
    UnitResult,
    Written,
)
from agent.simulation.truth import What
from drivers.base import Act
from policies.events import (
    Ending,
    Event,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    StepEnded,
)
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, Device, Site, Task
from policies.state import SiteState

SHOWN = frozenset({Act.QUIESCE, Act.STOP, Act.CUT, Act.START, Act.RESTORE, Act.UNCUT})
_WELL = frozenset({Ending.AT_REST, Ending.ASSUMED})
KEPT = 240
"""So many samples a unit are kept of a rehearsal: more than a picture of it has columns."""

MOST = 10_000
"""Of orders, notices and samples; a rehearsal has some dozens of the first two."""


@dataclass(slots=True)
class _Device:
    stopped_s: float | None = None
    rested_s: float | None = None
    dark_s: float | None = None
    back_s: float | None = None
    hurt_s: float | None = None
    reason: str = ""
    was_gone_through: bool = False
    spans: list[Span] = field(default_factory=list)


class Record:
    """What happened so far."""

    def __init__(self, site: Site) -> None:
        """Begin with nothing."""
        self._site = site
        self._devices = {name: _Device() for name in site.devices}
        self._orders: dict[str, Told] = {}
        self._ended_s: dict[str, float] = {}
        self._samples: dict[str, list[Sample]] = {name: [] for name in site.units}
        self.written: list[Written] = []
        self.notices: list[tuple[float, str, str]] = []
        self.failures: list[str] = []

    # Hearing

    def event(self, event: Event, at_s: float) -> None:
        """Take an event of the engine."""
        match event:
            case OrderGiven(order=order, order_id=order_id):
                self._given(order_id, event, at_s)
                if order.task is Task.REST:
                    device = self._devices[order.device]
                    device.stopped_s = at_s if device.stopped_s is None else device.stopped_s
                    device.reason = device.reason or order.reason.sentence
            case StepEnded(act=act, sent=sent, order_id=order_id) if order_id in self._orders:
                if act in SHOWN and sent:
                    told = self._orders[order_id]
                    fresh = tuple(line for line in sent if line not in told.sent)
                    self._orders[order_id] = replace(told, sent=told.sent + fresh)
            case OrderClosed():
                self._closed(event, at_s)
            case NoticeRaised(severity=severity, text=text) if len(self.notices) < MOST:
                self.notices.append((round(at_s, 1), severity, text))
            case _:
                pass

    def _given(self, order_id: str, event: OrderGiven, at_s: float) -> None:
        order = event.order
        known = self._orders.get(order_id)
        if known is not None:
            self._orders[order_id] = replace(known, in_short=known.in_short or order.in_short)
        elif len(self._orders) < MOST:
            self._orders[order_id] = Told(
                order.device,
                round(at_s, 1),
                order.task.value,
                order.reason.code,
                order.reason.sentence,
                order.in_short,
            )

    def _closed(self, event: OrderClosed, at_s: float) -> None:
        told = self._orders.get(event.order_id)
        if told is not None:
            self._orders[event.order_id] = replace(
                told,
                ended_s=round(at_s, 1),
                ending=event.ending.value,
                evidence=event.evidence,
            )
        device = self._devices.get(event.device)
        if device is None:
            return
        if event.task is Task.REST and event.ending in _WELL:
            device.rested_s = at_s if device.rested_s is None else device.rested_s
            device.was_gone_through = True
        elif event.task is Task.START and event.ending is Ending.RUNNING:
            device.back_s = at_s
        elif event.ending is Ending.WITHDRAWN and device.rested_s is None:
            device.stopped_s = None

    def truth(self, what: What, name: str, at_s: float) -> None:
        """Take what truly happened to a unit or device."""
        if what is What.BATTERY_END and name in self._site.units:
            self._ended_s.setdefault(name, at_s)
        device = self._devices.get(name)
        if device is None:
            return
        match what:
            case What.HURT if device.hurt_s is None:
                device.hurt_s = at_s
            case What.BOOTED if device.dark_s is not None or device.rested_s is not None:
                device.back_s = at_s
            case _:
                pass

    def lost_power(self, name: str, at_s: float) -> None:
        """A device has lost its power."""
        device = self._devices[name]
        device.dark_s = at_s if device.dark_s is None else device.dark_s

    def phases(self, state: SiteState, at_s: float) -> None:
        """Take the phases that the devices are in now."""
        for name, device in state.devices.items():
            spans, phase = self._devices[name].spans, device.phase.value
            if spans and spans[-1].phase == phase:
                continue
            if spans:
                spans[-1] = replace(spans[-1], to_s=round(at_s, 1))
            spans.append(Span(phase, round(at_s, 1), None))

    def sample(self, unit: str, sample: Sample) -> None:
        """Take a unit's figures."""
        if len(self._samples[unit]) < MOST:
            self._samples[unit].append(sample)

    # Telling

    @property
    def orders(self) -> tuple[Told, ...]:
        """All orders so far, as they were given."""
        return tuple(self._orders.values())

    def devices(
        self, settings: Mapping[str, str], *, mains_back_s: float
    ) -> tuple[DeviceResult, ...]:
        """Return what became of each device."""
        return tuple(
            self._device(name, device, settings.get(name, ""), mains_back_s)
            for name, device in self._site.devices.items()
        )

    def _device(
        self, name: str, device: Device, settings: str, mains_back_s: float
    ) -> DeviceResult:
        seen = self._devices[name]
        ends = [at for at in (seen.stopped_s, seen.dark_s) if at is not None]
        on_s = min(ends, default=mains_back_s)
        return DeviceResult(
            name,
            device.role.value,
            self._fate(name, device),
            _rounded(seen.stopped_s),
            _rounded(seen.rested_s),
            _rounded(seen.dark_s),
            _rounded(seen.back_s),
            device.hold_s,
            held=on_s >= min(device.hold_s, mains_back_s) - 1.0,
            reason=seen.reason,
            spans=tuple(seen.spans),
            settings=settings,
            was_gone_through=seen.was_gone_through,
        )

    def _fate(self, name: str, device: Device) -> Fate:
        seen = self._devices[name]
        if seen.dark_s is not None and not graph_of(self._site).units[name]:
            return Fate.NO_BATTERY
        if seen.hurt_s is not None and device.role in HOLDS_DATA:
            return Fate.UNTOUCHED if not may_be_stopped(self._site, name) else Fate.UNSAVED
        if seen.rested_s is not None:
            return Fate.AT_REST
        if seen.dark_s is not None:
            return Fate.GAVE_WAY
        return Fate.STAYED_ON

    def units(self, left: Mapping[str, float]) -> tuple[UnitResult, ...]:
        """Return what became of each unit; *left* is the share left as mains came back."""
        found = []
        for name, samples in self._samples.items():
            told = next((each for each in samples if each.lower_s is not None), None)
            first = told or (samples[0] if samples else Sample(0.0, 0.0, None, None, 1.0))
            found.append(
                UnitResult(
                    name,
                    first.load_w,
                    first.lower_s,
                    first.median_s,
                    _rounded(self._ended_s.get(name)),
                    round(left.get(name, 1.0), 4),
                    tuple(thinned(samples)),
                )
            )
        return tuple(found)


def thinned(samples: list[Sample]) -> list[Sample]:
    """Return at most `KEPT` of them, evenly, the first and the last among them."""
    if len(samples) <= KEPT:
        return samples
    return [samples[i * (len(samples) - 1) // (KEPT - 1)] for i in range(KEPT)]


def _rounded(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 1)
