"""Numbers for monitoring, as Prometheus reads them: what is there now, in base units.

Source: Prometheus' pages on metric names, on writing exporters and on its text format. What nobody
knows is absent, never 0: a charge of 0 that means "no answer" has woken people at night. Labels are
names of the site's file and words of closed sets, so that none can grow without bound.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Protocol

from prometheus_client import CollectorRegistry, ProcessCollector
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import Metric

from agent.health import Health
from agent.journal.codec import kind_of
from policies.decide import Decision
from policies.events import Event, OrderClosed, PollMissed, ReadingTaken
from policies.grades import Grade, Standing
from policies.model import Site
from policies.state import DeviceState, Phase, SiteState
from policies.unit_state import Supply, UnitState


class Counts:
    """What happened in this run, counted; the same as the journal, for who watches rates."""

    def __init__(self) -> None:
        self.polls: Counter[tuple[str, str]] = Counter()
        self.endings: Counter[tuple[str, str]] = Counter()
        self.events: Counter[str] = Counter()

    def hear(self, event: Event) -> None:
        """Count an event."""
        self.events[kind_of(type(event))] += 1
        match event:
            case ReadingTaken():
                self.polls[(event.reading.unit, "answered")] += 1
            case PollMissed():
                self.polls[(event.unit, "missed")] += 1
            case OrderClosed():
                self.endings[(event.task.value, event.ending.value)] += 1


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything that the numbers are taken from; nothing in it changes any more.

    Attributes:
        now: site time, s; utc: wall time of the same moment.
    """

    site: Site
    state: SiteState
    decision: Decision | None
    standings: Mapping[str, Standing]
    health: Health
    journal_healthy: bool
    dry_run: bool
    version: str
    now: float
    utc: datetime
    polls: Mapping[tuple[str, str], int]
    endings: Mapping[tuple[str, str], int]
    events: Mapping[str, int]

    def unix_s(self, at: float) -> float:
        """Return the wall time of a site time, as seconds since 1970."""
        return round(self.utc.timestamp() - (self.now - at), 3)


def text_of(snapshot: Snapshot, accept: str) -> tuple[bytes, str]:
    """Return the numbers in the format that the header *accept* asks for, and its media type."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Once(lambda: families(snapshot)))
    ProcessCollector(registry=registry)
    encode, media_type = choose_encoder(accept)
    return encode(registry), media_type


class _Once:
    def __init__(self, collect: Callable[[], Iterable[Metric]]) -> None:
        self._collect = collect

    def collect(self) -> Iterable[Metric]:
        return self._collect()


def families(snapshot: Snapshot) -> Iterator[Metric]:
    """Yield every family of numbers; one that has none is left out."""
    yield from _agent(snapshot)
    yield from (family for family in _units(snapshot) if family.samples)
    yield from (family for family in _devices(snapshot) if family.samples)
    yield from _counted(snapshot)


def _agent(snapshot: Snapshot) -> Iterator[Metric]:
    state, now = snapshot.state, snapshot.now
    yield InfoMetricFamily("lastwatt_build", "The release that runs", {"version": snapshot.version})
    yield _flag("lastwatt_healthy", "Whether the agent does its work", snapshot.health.is_well)
    yield _flag(
        "lastwatt_journal_healthy", "Whether the journal is written", snapshot.journal_healthy
    )
    yield _flag("lastwatt_dry_run", "Whether nothing is sent to any device", snapshot.dry_run)
    yield _flag("lastwatt_outage", "Whether an outage lasts", state.outage_at is not None)
    if state.outage_at is not None:
        yield GaugeMetricFamily(
            "lastwatt_outage_start_timestamp_seconds",
            "When this outage began",
            snapshot.unix_s(state.outage_at),
        )
    until_at = state.paused_until_at
    is_paused = until_at is not None and until_at > now
    yield _flag("lastwatt_paused", "Whether no automatic orders are given", is_paused)
    if until_at is not None and is_paused:
        yield GaugeMetricFamily(
            "lastwatt_pause_end_timestamp_seconds", "When the pause ends", snapshot.unix_s(until_at)
        )


class _Told(Protocol):
    def __call__(self, unit: UnitState) -> float | None: ...


def _reading(name: str) -> _Told:
    """Return what a unit's last answer says of a field; nothing once it is lost, or in doubt."""

    def told(unit: UnitState) -> float | None:
        if unit.reading is None or unit.lost_at is not None:
            return None
        return unit.reading.trusted(name)

    return told


_READINGS = (
    ("lastwatt_unit_battery_charge_ratio", "Charge, as the unit says", "charge"),
    ("lastwatt_unit_battery_volts", "Voltage of the battery", "battery_v"),
    ("lastwatt_unit_said_runtime_seconds", "Runtime, as the unit says", "runtime_s"),
    ("lastwatt_unit_output_watts", "Power over all its output lines", "output_w"),
    ("lastwatt_unit_load_ratio", "Load against what it can carry", "load_share"),
    ("lastwatt_unit_uptime_seconds", "Uptime of its SNMP agent", "uptime_s"),
)


def _units(snapshot: Snapshot) -> Iterator[Metric]:
    units = snapshot.state.units
    yield _one_of(
        "lastwatt_unit_supply", "What the unit lives on", "unit", "supply", Supply,
        {name: unit.supply for name, unit in units.items()},
    )  # fmt: skip
    yield _by_name(
        "lastwatt_unit_answers", "Whether the unit answers", "unit",
        {n: float(u.silent_at is None and u.lost_at is None) for n, u in units.items()},
    )  # fmt: skip
    yield _by_name(
        "lastwatt_unit_last_reading_timestamp_seconds", "When it last answered", "unit",
        {n: snapshot.unix_s(u.heard_at) for n, u in units.items() if u.heard_at is not None},
    )  # fmt: skip
    for name, text, field in _READINGS:
        told = _reading(field)
        yield _by_name(name, text, "unit", {n: told(unit) for n, unit in units.items()})
    yield _by_name(
        "lastwatt_unit_counted_load_watts", "Load that is reckoned with", "unit",
        {n: u.load_w for n, u in units.items() if u.reading is not None and u.lost_at is None},
    )  # fmt: skip
    yield from _foreseen(snapshot)
    yield from _alarms(units)


def _foreseen(snapshot: Snapshot) -> Iterator[Metric]:
    """How long each battery lasts yet, on battery; absent on mains."""
    course = None if snapshot.decision is None else snapshot.decision.timeline
    if course is None:
        return
    for name, text, ends in (
        ("lastwatt_unit_runtime_lower_seconds", "It lasts at least so long", course.unit_lower_s),
        ("lastwatt_unit_runtime_median_seconds", "It likely lasts so long", course.unit_median_s),
    ):
        yield _by_name(name, text, "unit", dict(ends))


def _alarms(units: Mapping[str, UnitState]) -> Iterator[Metric]:
    count = {n: u.reading for n, u in units.items() if u.reading and u.lost_at is None}
    yield _by_name(
        "lastwatt_unit_alarms", "How many alarms of RFC 1628 the unit has", "unit",
        {name: float(len(reading.alarms)) for name, reading in count.items()},
    )  # fmt: skip
    active = GaugeMetricFamily(
        "lastwatt_unit_alarm",
        "An alarm of the unit, by its RFC name",
        labels=("unit", "alarm"),
    )
    for name, reading in count.items():
        for alarm in sorted(reading.alarms, key=lambda alarm: alarm.value):
            active.add_metric((name, alarm.value), 1.0)
    yield active
    bads = CounterMetricFamily(
        "lastwatt_unit_line_bads", "upsInputLineBads: input out of tolerance", labels=("unit",)
    )
    for name, reading in count.items():
        if reading.line_bads is not None and "line_bads" not in reading.doubts:
            bads.add_metric((name,), float(reading.line_bads))
    yield bads


def _devices(snapshot: Snapshot) -> Iterator[Metric]:
    devices, now = snapshot.state.devices, snapshot.now
    yield _one_of(
        "lastwatt_device_phase", "Where the device is", "device", "phase", Phase,
        {name: device.phase for name, device in devices.items()},
    )  # fmt: skip
    yield _by_name(
        "lastwatt_device_phase_start_timestamp_seconds", "Since when it is there", "device",
        {name: snapshot.unix_s(device.since_at) for name, device in devices.items()},
    )  # fmt: skip
    yield _one_of(
        "lastwatt_device_grade", "How well its order is known to work", "device", "grade", Grade,
        {name: found.grade for name, found in snapshot.standings.items()},
    )  # fmt: skip
    yield _by_name(
        "lastwatt_device_owed", "Whether something is to be undone there", "device",
        {name: float(bool(device.owed)) for name, device in devices.items()},
    )  # fmt: skip
    yield _by_name(
        "lastwatt_device_gap_seconds", "How long it did not do its work, at last", "device",
        {name: _gap_s(device, now) for name, device in devices.items()},
    )  # fmt: skip
    slots = {} if snapshot.decision is None else snapshot.decision.timeline.planned
    yield _by_name(
        "lastwatt_device_latest_safe_start_seconds", "Its stop must begin within", "device",
        {name: slot.start_latest_at - now for name, slot in slots.items()},
    )  # fmt: skip


def _gap_s(device: DeviceState, now: float) -> float | None:
    return None if device.gap.began_at is None else device.gap.lasting_s(now)


def _counted(snapshot: Snapshot) -> Iterator[Metric]:
    polls = CounterMetricFamily(
        "lastwatt_polls", "Polls of a unit in this run", labels=("unit", "result")
    )
    for unit in snapshot.site.units:
        for result in ("answered", "missed"):
            polls.add_metric((unit, result), float(snapshot.polls.get((unit, result), 0)))
    yield polls
    orders = CounterMetricFamily(
        "lastwatt_orders", "Orders of this run that ended, and how", labels=("task", "ending")
    )
    for ended, times in sorted(snapshot.endings.items()):
        orders.add_metric(ended, float(times))
    if orders.samples:
        yield orders
    events = CounterMetricFamily("lastwatt_events", "Events of this run", labels=("kind",))
    for kind, times in sorted(snapshot.events.items()):
        events.add_metric((kind,), float(times))
    if events.samples:
        yield events


def _flag(name: str, text: str, is_set: bool) -> Metric:
    return GaugeMetricFamily(name, text, float(is_set))


def _by_name(
    name: str, text: str, label: str, values: Mapping[str, float | None]
) -> GaugeMetricFamily:
    """Return a family with a number for each name that has one."""
    family = GaugeMetricFamily(name, text, labels=(label,))
    for key, value in values.items():
        if value is not None and math.isfinite(value):
            family.add_metric((key,), value)
    return family


def _one_of(
    name: str, text: str, label: str, what: str, words: type[StrEnum], values: Mapping[str, StrEnum]
) -> GaugeMetricFamily:
    """Return a family with 1 for the word that holds and 0 for the others, for each name."""
    family = GaugeMetricFamily(name, text, labels=(label, what))
    for key, value in values.items():
        for word in words:
            family.add_metric((key, word.value), float(word is value))
    return family
