"""The state of a site, as the events of the journal fold to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import StrEnum
from functools import lru_cache
from types import MappingProxyType
from typing import Any

from policies.battery import BatteryPoint
from policies.events import (
    AgentStarted,
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    DeviceSeen,
    Ending,
    Event,
    GradeEarned,
    GradeVoided,
    IdentityPinned,
    LightChanged,
    LoadFound,
    LoginRefused,
    NoticesSilenced,
    OrderClosed,
    OrderGiven,
    PauseSet,
    PollMissed,
    ReadingTaken,
    SelfTestBegan,
    SelfTestEnded,
    SettingRemembered,
    StepBegan,
    StepEnded,
    WatchOnlySet,
    WorkDone,
    WorkPlanned,
)
from policies.grades import Earned, Grade
from policies.graph import SiteKey
from policies.identity import Pins
from policies.learnt import stage_times_s, with_sample
from policies.load import Draw, listed_draw
from policies.model import Order, Site, Task
from policies.night import Light
from policies.output_fold import heard, with_outputs
from policies.reasons import BY_HAND
from policies.recording_gap import NO_GAP, RecordingGap, gap_after
from policies.supply import FoundLoad, UnitState, judge, renewed, silent


class Phase(StrEnum):
    """Where a device is."""

    RUNNING = "running"
    RESTING = "coming to rest"
    AT_REST = "at rest"
    GIVEN_UP = "given up"
    STARTING = "starting"
    NEEDS_HAND = "needs a hand"


@dataclass(frozen=True, slots=True)
class OpenOrder:
    """An order under way.

    Attributes:
        steps: acts begun, in order, with their verdicts; None = in doubt.
        phase_before: where the device was, should the order be withdrawn.
        by_hand: somebody asked for it, alone or together with a policy.
        began_at: when each act last began that may have taken effect; done_at: when each was last
            seen done.
    """

    order_id: str
    order: Order
    given_at: float
    steps: tuple[tuple[str, str | None], ...] = ()
    phase_before: Phase = Phase.RUNNING
    by_hand: bool = False
    began_at: Mapping[str, float] = field(default_factory=dict)
    done_at: Mapping[str, float] = field(default_factory=dict)

    @property
    def told(self) -> frozenset[str]:
        """The acts that may have taken effect: answered, cut off, or in doubt."""
        return frozenset(
            act
            for act, verdict in self.steps
            if act in _CHANGING and verdict not in _WITHOUT_EFFECT
        )


_CHANGING = frozenset({"quiesce", "stop", "cut", "start", "restore", "uncut"})
_HALTING = frozenset({"stop", "cut"})
_WITHOUT_EFFECT = frozenset({"refused", "no answer", "not yet", "assumed"})
"""Acts and verdicts as the journal spells them; after these verdicts nothing was done."""


@dataclass(frozen=True, slots=True)
class DeviceState:
    """What is known of one device.

    Attributes:
        since_at: when it came into its phase.
        evidence: how its phase is known.
        order: the one under way, if any.
        is_assumed: at rest in dry run only; never at rest in the eyes of a live device.
        is_ours: it was quiesced or stopped by an order, and is owed its return.
        attempts: rest orders that failed in this outage; starts that failed in this return.
        in_short: its last rest order was of the shortened form.
        told: acts of orders that failed or were withdrawn, which may have taken effect all the
            same; empty again once it is known to be at rest or to run.
        was_seen_off: it was proven at rest, and neither told nor seen to run since.
        by_hand: it was stopped by hand, and stays so until it is started by hand.
        changed: acts of closed orders that may have taken effect since it was last started; see
            `owed`.
        was: stage -> what the device was set to before that changed it; kept while it is owed.
        took: how long each stage took, each time that it was seen; see `policies.learnt`.
        gap: since when, or for how long at last, it did not do its work.
        is_seen_gone: its last order to rest was seen to have worked, and it has not come back.
        seen_back_at: when it was last seen to run again after that; None = never.
        grades: what was shown to work, and when; see `policies.grades`.
        refused_login: hash of a login that a check by night was refused; "" = none.
        refused: how often each act was refused since this outage began, or since it was over.
        is_stop_in_doubt: all that is known of its failed stop is that it may have been sent: the
            agent ended before there was an answer.
    """

    phase: Phase = Phase.RUNNING
    since_at: float = 0.0
    evidence: str = ""
    order: OpenOrder | None = None
    is_assumed: bool = False
    is_ours: bool = False
    attempts: int = 0
    in_short: bool = False
    told: frozenset[str] = frozenset()
    was_seen_off: bool = False
    by_hand: bool = False
    changed: frozenset[str] = frozenset()
    was: Mapping[str, str] = field(default_factory=dict)
    refused: Mapping[str, int] = field(default_factory=dict)
    is_stop_in_doubt: bool = False
    took: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    gap: RecordingGap = NO_GAP
    is_seen_gone: bool = False
    seen_back_at: float | None = None
    grades: Mapping[str, Earned] = field(default_factory=dict)
    refused_login: str = ""

    @property
    def owed(self) -> frozenset[str]:
        """The acts that are to be undone yet: what quiesced it, what stopped it, what cut it."""
        under_way = frozenset() if self.order is None else self.order.told
        return (self.changed | under_way) - {"start", "restore", "uncut"}


@dataclass(frozen=True, slots=True)
class Silence:
    """Notices that somebody wants to hear nothing of for a while; see `NoticesSilenced`."""

    topic: str
    about: str
    until_at: float
    who: str

    def covers(self, topic: str, about: str, now: float) -> bool:
        """Whether a notice of *topic* about that is silenced by it now."""
        is_it = self.topic in ("", topic) and self.about in ("", about)
        return is_it and now < self.until_at


@dataclass(frozen=True, slots=True)
class SiteState:
    """The fold of a site's journal.

    Attributes:
        outage_at: when mains first failed at some unit; None while no unit is on battery.
        paused_until_at: end of the pause, or None.
        paused_by: who set it, "" while there is none.
        orders: number of orders ever given; makes the next order's id.
        pins: which box and units were commissioned, None = nothing was yet.
        works: regular work -> up to which moment nothing of it is missed.
        watches_only: why no order is given, by cause; empty = orders are given.
        light: whether it is dark at the site; light_until_at: until when, None = for long.
        silences: what nobody is told of for now.
    """

    units: Mapping[str, UnitState] = field(default_factory=dict)
    devices: Mapping[str, DeviceState] = field(default_factory=dict)
    outage_at: float | None = None
    paused_until_at: float | None = None
    orders: int = 0
    paused_by: str = ""
    light: Light = Light.UNKNOWN
    light_until_at: float | None = None
    pins: Pins | None = None
    watches_only: Mapping[str, str] = field(default_factory=dict)
    works: Mapping[str, datetime] = field(default_factory=dict)
    silences: tuple[Silence, ...] = ()


def initial(site: Site) -> SiteState:
    """Return the state of a site of which nothing is known: all devices are taken to run."""
    return SiteState(
        units=MappingProxyType({name: UnitState() for name in site.units}),
        devices=MappingProxyType({name: DeviceState() for name in site.devices}),
    )


def took_of(state: SiteState) -> dict[str, Mapping[str, tuple[float, ...]]]:
    """Return how long the stages of devices took, of those of which any was seen."""
    return {name: device.took for name, device in state.devices.items() if device.took}


def listed_load_w(site: Site, state: SiteState, unit: str) -> float:
    """Return what the file says of the devices still on behind *unit*, in W, in the light there is.

    What PoE loses counts. A device with several feeds counts whole at each: the load may move to
    any of them.
    """
    return _listed_now(site, state, unit).at(state.light)


def dusk_w(site: Site, state: SiteState, unit: str) -> float:
    """Return by how much the load of *unit* grows when it grows dark, in W; 0.0 in the dark."""
    if state.light is not Light.DAY:
        return 0.0
    draw = _listed_now(site, state, unit)
    return max(0.0, draw.night - draw.day)


def _listed_now(site: Site, state: SiteState, unit: str) -> Draw:
    off = frozenset(name for name in site.devices if _is_off(site, state, name))
    return _listed(SiteKey(site), unit, off)


@lru_cache(maxsize=64)
def _listed(key: SiteKey, unit: str, off: frozenset[str]) -> Draw:
    """Reckoned once for each set of devices that are off: every reading asks for it."""
    return listed_draw(key.site, unit, on=frozenset(key.site.devices) - off)


def _is_off(site: Site, state: SiteState, name: str) -> bool:
    device = state.devices[name]
    return (
        device.phase is Phase.AT_REST
        and not device.is_assumed
        and site.devices[name].stop_s is not None
    )


def fold(site: Site, state: SiteState, event: Event) -> SiteState:
    """Return the state after *event*; one of a device or unit no longer listed changes nothing."""
    match event:
        case ReadingTaken(reading=reading) if reading.unit in site.units:
            listed_w = listed_load_w(site, state, reading.unit)
            unit = judge(
                site.units[reading.unit], state.units[reading.unit], reading, listed_w=listed_w
            )
            output = heard(state.units[reading.unit], reading)
            return _with_unit(state, reading.unit, replace(unit, output=output))
        case PollMissed(at=at, unit=name) if name in site.units:
            return _with_unit(state, name, silent(site.units[name], state.units[name], at=at))
        case PauseSet() | NoticesSilenced():
            return _asked_for(state, event)
        case IdentityPinned(box=box, units=units, who=who, marks=marks):
            return replace(state, pins=Pins(box, units, who, marks), watches_only={})
        case WatchOnlySet(cause=cause, why=why):
            others = {c: said for c, said in state.watches_only.items() if c != cause}
            return replace(state, watches_only={**others, cause: why} if why else others)
        case WorkPlanned(work=work, since=until) | WorkDone(work=work, due=until):
            return replace(state, works=MappingProxyType({**state.works, work: until}))
        case LightChanged(light=light, until_at=until_at):
            return replace(state, light=light, light_until_at=until_at)
        case BatteryFitted() | BatteryMeasured() | BatteryJudged() | LoadFound():
            if event.unit in site.units:
                return _with_unit(state, event.unit, _learnt(site, state, event))
        case SelfTestBegan() | SelfTestEnded():
            if event.unit in site.units:
                return _with_unit(state, event.unit, _testing(state.units[event.unit], event))
        case _:
            return _fold_device(site, _with_gap(_with_outputs(site, state, event), event), event)
    return state


def _asked_for(state: SiteState, event: PauseSet | NoticesSilenced) -> SiteState:
    """The state after somebody asked for no orders, or no notices, for a while."""
    if isinstance(event, NoticesSilenced):
        return replace(state, silences=_silences(state, event))
    if event.until_at <= event.at:
        return replace(state, paused_until_at=None, paused_by="")
    return replace(state, paused_until_at=event.until_at, paused_by=event.who)


AFTER_TEST_S = 30.0
"""So long after a test a reading may still be of it: units are polled, and say things late."""


def _testing(unit: UnitState, event: SelfTestBegan | SelfTestEnded) -> UnitState:
    if isinstance(event, SelfTestEnded):
        return replace(unit, testing_until_at=event.at + AFTER_TEST_S)
    bads = None if unit.reading is None else unit.reading.line_bads
    return replace(unit, testing_until_at=event.until_at, bads_before_test=bads)


def _silences(state: SiteState, event: NoticesSilenced) -> tuple[Silence, ...]:
    """The silences after one was set or ended; those that are over are forgotten."""
    which = (event.topic, event.about)
    kept = [s for s in state.silences if (s.topic, s.about) != which and s.until_at > event.at]
    if event.until_at > event.at:
        kept.append(Silence(event.topic, event.about, event.until_at, event.who))
    return tuple(kept)


def _with_outputs(site: Site, state: SiteState, event: Event) -> SiteState:
    """The state after an event that says something of the units' own outputs, if it does."""
    units = with_outputs(site, state.units, event)
    return state if units is state.units else replace(state, units=units)


def _with_gap(state: SiteState, event: Event) -> SiteState:
    """The state after an event that may begin or end the gap in what a device records."""
    if not isinstance(event, StepBegan | StepEnded | OrderClosed | DeviceSeen):
        return state
    device = state.devices.get(event.device)
    if device is None:
        return state
    if isinstance(event, DeviceSeen):
        counts = device.order is None and device.phase is not Phase.RUNNING
    else:
        counts = device.order is not None and device.order.order_id == event.order_id
    if not counts:
        return state
    gap = gap_after(device.gap, event)
    if gap is device.gap:
        return state
    return _with_device(state, event.device, replace(device, gap=gap))


def _fold_device(site: Site, state: SiteState, event: Event) -> SiteState:
    """Return the state after an event of a device."""
    match event:
        case OrderGiven(order=order) if order.device in site.devices:
            return _given(state, event)
        case StepBegan(device=name) | StepEnded(device=name) | SettingRemembered(device=name) if (
            name in site.devices
        ):
            return _stepped(state, event)
        case OrderClosed(device=name) if name in site.devices:
            return _closed(state, event, settle_s=site.devices[name].settle_s)
        case DeviceSeen(device=name) if name in site.devices:
            return _seen(state, event)
        case GradeEarned(device=name) | GradeVoided(device=name) | LoginRefused(device=name) if (
            name in site.devices
        ):
            return _graded(state, event)
        case AgentStarted():
            return _untimed(state)
    return state


def _learnt(
    site: Site,
    state: SiteState,
    event: BatteryFitted | BatteryMeasured | BatteryJudged | LoadFound,
) -> UnitState:
    """What is known of a unit after something was learnt of it that no reading says alone."""
    unit = state.units[event.unit]
    history = unit.battery
    match event:
        case BatteryFitted(is_first=is_first):
            history = history.renewed(
                on=event.on, fitted_at=event.fitted_at, at=event.at, is_first=is_first
            )
            if is_first:
                return replace(unit, battery=history)
            return renewed(site.units[event.unit], unit, history)
        case BatteryMeasured():
            point = BatteryPoint(event.on, event.energy_wh, event.low_wh, event.high_wh, event.how)
            return replace(unit, battery=history.with_point(point))
        case BatteryJudged(grade=grade):
            return replace(unit, battery=replace(history, judged=history.judged | {grade}))
        case LoadFound(light=light):
            found = FoundLoad(
                event.watts, event.step_w, event.is_share, event.said_w, event.said_at
            )
            return replace(unit, loads=MappingProxyType({**unit.loads, light: found}))


def _with_unit(state: SiteState, name: str, unit: UnitState) -> SiteState:
    units = MappingProxyType({**state.units, name: unit})
    began = [u.on_battery_at for u in units.values() if u.on_battery_at is not None]
    outage_at = (
        state.outage_at if began and state.outage_at is not None else min(began, default=None)
    )
    devices = state.devices
    if outage_at is not None and state.outage_at is None:
        # A new outage: what failed in the last one may be tried again.
        devices = MappingProxyType(
            {
                n: replace(d, attempts=0, refused={}) if d.attempts or d.refused else d
                for n, d in devices.items()
            }
        )
        units = MappingProxyType(
            {n: replace(u, output=replace(u.output, attempts=0)) for n, u in units.items()}
        )
    elif outage_at is None and state.outage_at is not None:
        devices = MappingProxyType(
            {n: replace(d, refused={}) if d.refused else d for n, d in devices.items()}
        )
    return replace(state, units=units, outage_at=outage_at, devices=devices)


def _with_device(state: SiteState, name: str, device: DeviceState) -> SiteState:
    return replace(state, devices=MappingProxyType({**state.devices, name: device}))


def _given(state: SiteState, event: OrderGiven) -> SiteState:
    order = event.order
    device = state.devices[order.device]
    by_hand = order.reason.code == BY_HAND
    if device.order is not None and device.order.order.task is order.task:
        # The same task again, now in short or also by hand: one conversation goes on.
        opened = replace(device.order, order=order, by_hand=by_hand or device.order.by_hand)
        return _with_device(
            state, order.device, replace(device, order=opened, in_short=order.in_short)
        )
    device = replace(
        device,
        phase=Phase.RESTING if order.task is Task.REST else Phase.STARTING,
        since_at=event.at,
        evidence="",
        order=OpenOrder(
            event.order_id,
            order,
            event.at,
            phase_before=device.phase if device.order is None else device.order.phase_before,
            by_hand=by_hand,
        ),
        in_short=order.in_short,
        by_hand=device.by_hand and not (by_hand and order.task is Task.START),
    )
    return replace(_with_device(state, order.device, device), orders=state.orders + 1)


def _stepped(state: SiteState, event: StepBegan | StepEnded | SettingRemembered) -> SiteState:
    if isinstance(event, SettingRemembered):
        return _remembered(state, event)
    device = state.devices[event.device]
    if device.order is None or device.order.order_id != event.order_id:
        return state
    steps = device.order.steps
    if isinstance(event, StepBegan):
        steps = (*steps, (event.act, None))
    elif steps and steps[-1] == (event.act, None):
        steps = (*steps[:-1], (event.act, event.verdict))
    refused = device.refused
    if isinstance(event, StepEnded) and event.verdict == "refused":
        refused = {**refused, event.act: refused.get(event.act, 0) + 1}
    opened = _timed(replace(device.order, steps=steps), event)
    device = replace(device, order=opened, is_ours=True, refused=refused)
    return _with_device(state, event.device, device)


def _untimed(state: SiteState) -> SiteState:
    """Forget when acts of open orders began: nobody was there to see how long they took."""
    devices = {
        name: device
        if device.order is None or not device.order.began_at
        else replace(device, order=replace(device.order, began_at={}))
        for name, device in state.devices.items()
    }
    return replace(state, devices=MappingProxyType(devices))


def _timed(opened: OpenOrder, event: StepBegan | StepEnded) -> OpenOrder:
    began_at, act = opened.began_at, event.act
    if isinstance(event, StepBegan):
        return replace(opened, began_at={**began_at, act: event.at})
    if event.verdict == "done":
        return replace(opened, done_at={**opened.done_at, act: event.at})
    if event.verdict in _WITHOUT_EFFECT:
        return replace(opened, began_at={a: at for a, at in began_at.items() if a != act})
    return opened


def _remembered(state: SiteState, event: SettingRemembered) -> SiteState:
    """Keep what a device was set to; what was found first stays while its undoing is owed."""
    device = state.devices[event.device]
    if event.stage in device.was and event.stage in device.owed:
        return state
    was = MappingProxyType({**device.was, event.stage: event.was})
    return _with_device(state, event.device, replace(device, was=was))


_PHASES = {
    (Task.REST, Ending.AT_REST): Phase.AT_REST,
    (Task.REST, Ending.ASSUMED): Phase.AT_REST,
    (Task.REST, Ending.FAILED): Phase.GIVEN_UP,
    (Task.START, Ending.RUNNING): Phase.RUNNING,
    (Task.START, Ending.ASSUMED): Phase.RUNNING,
    (Task.START, Ending.FAILED): Phase.NEEDS_HAND,
}


def _closed(state: SiteState, event: OrderClosed, *, settle_s: float) -> SiteState:
    device = state.devices[event.device]
    opened = device.order
    if opened is None or opened.order_id != event.order_id:
        return state
    told = device.told | opened.told
    if event.ending is Ending.WITHDRAWN:
        device = replace(
            device,
            phase=opened.phase_before,
            since_at=event.at,
            order=None,
            told=told,
            changed=device.owed,
        )
        return _with_device(state, event.device, device)
    phase = _PHASES[event.task, event.ending]
    failed = event.ending is Ending.FAILED
    device = replace(
        device,
        phase=phase,
        since_at=event.at,
        evidence=event.evidence,
        order=None,
        is_assumed=event.ending is Ending.ASSUMED and event.task is Task.REST,
        is_ours=device.is_ours and phase is not Phase.RUNNING,
        attempts=device.attempts + 1 if failed else 0,
        told=told if failed else frozenset(),
        is_stop_in_doubt=failed and _is_stop_in_doubt(device, opened),
        was_seen_off=event.ending is Ending.AT_REST
        or (failed and device.was_seen_off and not told),
        by_hand=opened.by_hand if event.task is Task.REST else device.by_hand,
        changed=frozenset() if phase is Phase.RUNNING else device.owed,
        was={} if phase is Phase.RUNNING else device.was,
        took=device.took if failed else _taken(device.took, opened, settle_s=settle_s),
        **_shown(device, opened, event),
    )
    return _with_device(state, event.device, device)


def _is_stop_in_doubt(device: DeviceState, opened: OpenOrder) -> bool:
    """Whether its stop may have been sent, by this order or before it, and was never answered."""
    sent = {
        verdict for act, verdict in opened.steps if act == "stop" and verdict not in _WITHOUT_EFFECT
    }
    if not sent:
        return device.is_stop_in_doubt
    return sent == {None} and (device.is_stop_in_doubt or "stop" not in device.told)


def _taken(
    took: Mapping[str, tuple[float, ...]], opened: OpenOrder, *, settle_s: float
) -> Mapping[str, tuple[float, ...]]:
    """Return how long stages took, with those of an order that came to a good end.

    Only what was seen to be over counts; what was only given its time says nothing. The silence
    that proves a device gone is no part of its stop; one that proved nothing, since its path was
    away, does not tell when the device went.
    """
    if opened.steps.count(("confirm_gone", "done")) > 1:
        return took
    seen = stage_times_s(opened.began_at, opened.done_at, settle_s=settle_s)
    for stage, seconds in seen.items():
        took = with_sample(took, stage, seconds)
    return took


def _shown(device: DeviceState, opened: OpenOrder, event: OrderClosed) -> dict[str, Any]:
    """What a closed order shows of whether the device goes in order, and comes back.

    Of one that is only quiesced there is nothing to be seen gone: that it was, and that this was
    undone, shows as much.
    """
    done = {act for act, verdict in opened.steps if verdict == "done"}
    is_halted = not _HALTING.isdisjoint(opened.told | device.changed)
    if event.task is Task.REST:
        proof = "confirm_gone" if is_halted else "confirm_quiesced"
        return {"is_seen_gone": event.ending is Ending.AT_REST and proof in done}
    if event.ending is not Ending.RUNNING:
        return {}
    proof = "confirm_running" if is_halted else "restore"
    back_at = event.at if device.is_seen_gone and proof in done else device.seen_back_at
    return {"is_seen_gone": False, "seen_back_at": back_at}


def _graded(state: SiteState, event: GradeEarned | GradeVoided | LoginRefused) -> SiteState:
    device = state.devices[event.device]
    if isinstance(event, LoginRefused):
        return _with_device(state, event.device, replace(device, refused_login=event.login))
    grades = {name: known for name, known in device.grades.items() if name != event.grade}
    if isinstance(event, GradeEarned):
        grades[event.grade] = Earned(event.on, event.evidence, event.settings)
        if event.grade in (Grade.LOGIN_CHECKED, Grade.DRILLED):
            device = replace(device, refused_login="")
    return _with_device(state, event.device, replace(device, grades=MappingProxyType(grades)))


def _seen(state: SiteState, event: DeviceSeen) -> SiteState:
    device = state.devices[event.device]
    if device.order is not None or device.phase is Phase.RUNNING:
        return state
    # Power back undoes a stop; whether it undoes a quiescing, nobody has seen.
    running = DeviceState(
        phase=Phase.RUNNING,
        since_at=event.at,
        evidence=event.evidence,
        changed=device.owed & {"quiesce"},
        was={stage: was for stage, was in device.was.items() if stage == "quiesce"},
        took=device.took,
        gap=device.gap,
        seen_back_at=event.at if device.is_seen_gone else device.seen_back_at,
        grades=device.grades,
        refused_login=device.refused_login,
    )
    return _with_device(state, event.device, running)
