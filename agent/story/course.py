"""What is gathered of one outage while its entries are read, and the outage that it makes."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from agent.story.devices import Followed, device_of
from agent.story.model import (
    DeviceFacts,
    DeviceStory,
    Interruption,
    OrderStory,
    Outage,
    PhaseSpan,
    SiteFacts,
    StepStory,
    UnitStory,
    Window,
)
from agent.story.units import UnitCourse
from policies.events import (
    BatteryJudged,
    BatteryMeasured,
    BeliefHeld,
    DeviceSeen,
    Event,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    PlanHeld,
    StepBegan,
    StepEnded,
)
from policies.owed import DONE
from policies.recording_gap import RecordingGap
from policies.state import DeviceState, Phase

QUIET_S = 900.0
"""Where somebody has to lend a hand, an outage is closed once so long nothing has happened."""

CLOSED_AFTER_S = 86400.0
"""However much is left to come, an outage is closed so long after mains was back."""


@dataclass(slots=True)
class DeviceCourse:
    """What is gathered of one device."""

    name: str
    spans: list[PhaseSpan]
    orders: dict[str, OrderStory] = field(default_factory=dict)
    gaps: list[RecordingGap] = field(default_factory=list)
    state: DeviceState = field(default_factory=DeviceState)

    def take(self, event: Event, after: DeviceState) -> None:
        """Take one of its events, and where it leaves the device."""
        self._order(event)
        before, self.state = self.spans[-1], after
        if after.phase is not before.phase:
            self.spans[-1] = replace(before, ended_at=event.at)
            why = _why(event, after)
            self.spans.append(PhaseSpan(after.phase, event.at, None, why, after.is_assumed))
        self._gap(after.gap)

    def _gap(self, gap: RecordingGap) -> None:
        if gap.began_at is None:
            return
        if self.gaps and self.gaps[-1].began_at == gap.began_at:
            self.gaps[-1] = gap
            return
        is_of_now = gap.is_open or gap.began_at >= self.spans[0].began_at
        if is_of_now and (not self.gaps or gap.began_at > (self.gaps[-1].began_at or 0.0)):
            self.gaps.append(gap)

    def _order(self, event: Event) -> None:
        match event:
            case OrderGiven(order_id=name, order=order):
                reason, known = order.reason, self.orders.get(name)
                if known is None:
                    self.orders[name] = OrderStory(
                        name, order.task, event.at, (reason.sentence,), (reason.code,),
                        order.deadline_at, order.in_short,
                    )  # fmt: skip
                else:
                    self.orders[name] = replace(
                        known,
                        reasons=(*known.reasons, reason.sentence),
                        codes=(*known.codes, reason.code),
                        deadline_at=order.deadline_at,
                        in_short=order.in_short,
                    )
            case StepBegan(order_id=name, act=act) if name in self.orders:
                known = self.orders[name]
                self.orders[name] = replace(known, steps=(*known.steps, StepStory(act, event.at)))
            case StepEnded(order_id=name) if name in self.orders:
                self.orders[name] = _step_ended(self.orders[name], event)
            case OrderClosed(order_id=name) if name in self.orders:
                self.orders[name] = replace(
                    self.orders[name],
                    closed_at=event.at,
                    ending=event.ending,
                    evidence=event.evidence,
                )


def _step_ended(order: OrderStory, event: StepEnded) -> OrderStory:
    began_at, before = max(0.0, event.at - event.took_s), order.steps
    if before and before[-1].act == event.act and not before[-1].verdict:
        began_at, before = before[-1].began_at, before[:-1]
    step = StepStory(
        event.act, began_at, event.at, event.verdict, event.evidence, event.advice
    )  # fmt: skip
    return replace(order, steps=(*before, step))


def _why(event: Event, after: DeviceState) -> str:
    match event:
        case OrderGiven(order=order):
            return order.reason.sentence
        case OrderClosed(evidence=evidence) | DeviceSeen(evidence=evidence):
            return evidence
        case _:
            return after.evidence


@dataclass(slots=True)
class OutageCourse:
    """What is gathered of one outage.

    Attributes:
        away: units that mains is away from; returned_at: when it was back at the last of them.
        changed_at: when anything last happened to a device.
    """

    number: int
    facts: SiteFacts
    began_at: float
    judged_at: float
    is_dry: bool
    units: dict[str, UnitCourse] = field(default_factory=dict)
    devices: dict[str, DeviceCourse] = field(default_factory=dict)
    away: set[str] = field(default_factory=set)
    returned_at: float | None = None
    changed_at: float = 0.0
    heard: list[NoticeRaised] = field(default_factory=list)
    beliefs: list[BeliefHeld] = field(default_factory=list)
    learnt: list[BatteryMeasured | BatteryJudged] = field(default_factory=list)
    plan: PlanHeld | None = None
    absences: list[Window] = field(default_factory=list)

    def know(self, followed: Followed) -> None:
        """Begin with every device that is known of, where it is."""
        for name in (*self.facts.devices, *followed.known):
            self._device(name, followed.now(name))

    def unit(self, name: str) -> UnitCourse:
        """Return what is gathered of a unit."""
        if name not in self.units:
            self.units[name] = UnitCourse(name, self.facts.rating_w.get(name))
        return self.units[name]

    def _device(self, name: str, now: DeviceState) -> DeviceCourse:
        if name not in self.devices:
            span = PhaseSpan(now.phase, self.began_at, None, now.evidence, now.is_assumed)
            course = self.devices[name] = DeviceCourse(name, [span], state=now)
            if now.gap.is_open:
                course.gaps.append(now.gap)
        return self.devices[name]

    def take(self, event: Event, before: DeviceState, after: DeviceState) -> None:
        """Take one more event; *before* and *after* is where its device is, if it is one's."""
        name = device_of(event)
        if name is not None:
            self._device(name, before).take(event, after)
            self.changed_at = max(self.changed_at, event.at)
        match event:
            case NoticeRaised():
                self.heard.append(event)
            case BeliefHeld():
                self.beliefs.append(event)
            case BatteryMeasured() | BatteryJudged():
                self.learnt.append(event)
            case PlanHeld() if self.plan is None:
                self.plan = event

    def failed(self, unit: str, at: float) -> None:
        """Mains is away from a unit; where it was back already, it was not for good."""
        self.unit(unit)
        self.away.add(unit)
        self.returned_at = None
        self.began_at = min(self.began_at, at)

    def returned(self, done: Interruption) -> None:
        """Mains is back at a unit."""
        self.unit(done.unit).interruptions.append(done)
        self.away.discard(done.unit)
        if not self.away:
            ends = [one.returned_at for unit in self.units.values() for one in unit.interruptions]
            self.returned_at = max(at for at in ends if at is not None)

    @property
    def steady_at(self) -> float | None:
        """When mains will have been back for long enough, or was; None = it is not back."""
        return None if self.returned_at is None else self.returned_at + self.facts.steady_s

    def closed_at(self, at: float) -> float | None:
        """Return when nothing was left to come, if that was so by *at*."""
        steady_at = self.steady_at
        if steady_at is None or self.returned_at is None or at < steady_at:
            return None
        settled_at = max(steady_at, self.changed_at)
        touched = [course for course in self.devices.values() if course.orders]
        if all(_is_settled(course) for course in touched):
            return settled_at
        waits = any(_waits_for_somebody(course) for course in touched)
        is_open = any(course.state.order is not None for course in touched)
        if waits and not is_open and at - self.changed_at >= QUIET_S:
            return settled_at
        return at if at - self.returned_at >= CLOSED_AFTER_S else None

    def told(
        self, *, until_at: float, closed_at: float | None, open_: tuple[Interruption, ...]
    ) -> Outage:
        """Return the outage as it stands.

        Args:
            until_at: the last that is known.
            closed_at: when it was closed, None = it was not.
            open_: interruptions that go on.
        """
        units = {
            name: self._unit(course, [one for one in open_ if one.unit == name])
            for name, course in self.units.items()
        }
        steady_at = self.steady_at
        return Outage(
            number=self.number,
            began_at=self.began_at,
            judged_at=self.judged_at,
            returned_at=self.returned_at,
            steady_at=None if steady_at is None or steady_at > until_at else steady_at,
            closed_at=closed_at,
            until_at=until_at,
            units=units,
            devices={
                name: self._device_story(course, units) for name, course in self.devices.items()
            },
            heard=tuple(self.heard),
            plan=self.plan,
            absences=tuple(self.absences),
            is_dry=self.is_dry,
        )

    def _unit(self, course: UnitCourse, open_: list[Interruption]) -> UnitStory:
        mine = [one for one in self.learnt if one.unit == course.name]
        return UnitStory(
            course.name,
            (*course.interruptions, *open_),
            tuple(course.points),
            tuple(one for one in self.beliefs if one.unit == course.name),
            course.ended_at,
            course.ended_how,
            tuple(one for one in mine if isinstance(one, BatteryMeasured)),
            tuple(one for one in mine if isinstance(one, BatteryJudged)),
        )

    def _device_story(self, course: DeviceCourse, units: dict[str, UnitStory]) -> DeviceStory:
        facts = self.facts.devices.get(course.name, DeviceFacts())
        owed = tuple(word for act, word in DONE.items() if act in course.state.owed)
        stops = () if self.plan is None else self.plan.stops
        return DeviceStory(
            course.name,
            facts,
            # One that begins and ends with the outage itself has no length: it is left out.
            tuple(span for span in course.spans if span.ended_at != span.began_at),
            tuple(course.orders.values()),
            tuple(course.gaps),
            _dark_at(course, facts, units),
            owed,
            next((stop for stop in stops if stop.device == course.name), None),
            course.state.by_hand,
        )


def _is_settled(course: DeviceCourse) -> bool:
    state = course.state
    return (state.phase is Phase.RUNNING and not state.owed) or state.by_hand


def _waits_for_somebody(course: DeviceCourse) -> bool:
    """Whether nothing more may come of it by itself; what is owed may yet be put back."""
    return course.state.phase in (Phase.NEEDS_HAND, Phase.RUNNING)


def _dark_at(course: DeviceCourse, facts: DeviceFacts, units: dict[str, UnitStory]) -> float | None:
    """When its last unit ended while it was not known to be at rest."""
    ends = [units[name].ended_at if name in units else None for name in facts.units]
    known = [at for at in ends if at is not None]
    if not known or len(known) < len(ends):
        return None
    at = max(known)
    there = [span for span in course.spans if span.began_at <= at]
    at_rest = there and there[-1].phase is Phase.AT_REST and not there[-1].is_assumed
    return None if at_rest else at
