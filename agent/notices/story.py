"""What an outage has to tell, from its begin to its end, beside what the engine says by itself.

It follows the events as they are folded, and raises notices of its own: how long the battery lasts,
until when is recorded, that all is at rest, that the site comes back, and what it came to.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from agent.notices.alarms import Alarms, Say
from drivers.base import Clock
from policies.decide import Decision
from policies.events import Event, OrderGiven, ReadingTaken
from policies.graph import graph_of
from policies.model import Role, Site, Task
from policies.plan import Plan
from policies.plan_use import is_fresh
from policies.reasons import BY_HAND, DRILL, duration_text, names_text, sureness_text
from policies.state import Phase, SiteState
from policies.telling import Topic
from policies.way_out import way_out_of

NUMBERS_WITHIN_S = 15.0
"""So long an outage's first numbers may take; then it is told of without them."""

SHIFT_LEAST_S = 300.0
SHIFT_SHARE = 0.2
SHIFT_EVERY_S = 600.0
"""When the end of recording is told anew: it moved by so much, and was not told for so long."""


@dataclass(slots=True)
class _Outage:
    """What was told of the one that is, or is being come back from.

    Attributes:
        began_at: None = before this run of the agent.
        over_at: when mains was back.
    """

    began_at: float | None
    over_at: float | None = None
    is_told: bool = False
    is_rest_told: bool = False
    is_return_told: bool = False
    ends_at: dict[str, float] = field(default_factory=dict)
    ends_told_at: float = -math.inf
    stopped: set[str] = field(default_factory=set)


class Story:
    """Follows a site's events and tells what they come to."""

    def __init__(
        self,
        site: Site,
        state: SiteState,
        *,
        clock: Clock,
        zone: tzinfo,
        say: Say,
        sureness: Callable[[str], float],
        plan: Callable[[], Plan | None] = lambda: None,
    ) -> None:
        """Take up where an earlier run left off; what it told is not told again.

        But for until when is recorded: nothing keeps what was said of that.

        Args:
            site: what there is.
            state: as the journal recalls it.
            clock: of site time and wall time.
            zone: the site's; times of day are told in it.
            say: raises a notice.
            sureness: the quantile that the lower bound of a unit is of; 0.05 is "95 % sure".
            plan: the last one that was made of what to give up when, or None.
        """
        self._site = site
        self._clock = clock
        self._zone = zone
        self._say = say
        self._sureness = sureness
        self._plan = plan
        self._alarms = Alarms(site.units, state, say=say)
        self._outage: _Outage | None = None
        owed = {n for n, known in state.devices.items() if _is_away(known.phase, known.is_ours)}
        if state.outage_at is not None:
            is_rested = bool(owed) and self._are_rested(state)
            self._outage = _Outage(
                state.outage_at, is_told=True, is_rest_told=is_rested, stopped=owed
            )
        elif owed:
            now = clock.monotonic()
            self._outage = _Outage(None, over_at=now, is_told=True, stopped=owed)

    def hear(self, event: Event, state: SiteState, decision: Decision | None) -> None:
        """Take one event, the state with it, and the last decision before it."""
        if isinstance(event, ReadingTaken) and event.reading.unit in self._site.units:
            self._alarms.hear(event.reading)
        self._follow(state)
        outage = self._outage
        if outage is None:
            return
        if isinstance(event, OrderGiven):
            self._hear_order(outage, event, state)
        if outage.over_at is not None:
            self._tell_over(outage, state)
            return
        if decision is not None or event.at - (outage.began_at or event.at) > NUMBERS_WITHIN_S:
            self._tell_outage(outage, state, decision, event.at)
        if decision is not None and outage.is_told:
            self._tell_ends(outage, state, decision, event.at)
        self._tell_rest(outage, state, decision)

    def _follow(self, state: SiteState) -> None:
        """Note that an outage began or ended."""
        outage, began_at = self._outage, state.outage_at
        if began_at is not None and (outage is None or outage.over_at is not None):
            before = outage.stopped if outage is not None else set()
            self._outage = _Outage(began_at, stopped=set(before))
        elif began_at is None and outage is not None and outage.over_at is None:
            outage.over_at = self._clock.monotonic()

    # While it lasts

    def _tell_outage(
        self, outage: _Outage, state: SiteState, decision: Decision | None, now: float
    ) -> None:
        if outage.is_told or outage.began_at is None:
            return
        numbers = [] if decision is None else list(self._lasting(state, decision))
        if not numbers and now - outage.began_at <= NUMBERS_WITHIN_S:
            return
        outage.is_told = True
        since = self._time(outage.began_at)
        told = "; ".join(numbers) or "how long the battery lasts is not known"
        text = f"an outage has begun: on battery since {since}. {told[0].upper()}{told[1:]}."
        self._say("warning", self._site.name, text, Topic.OUTAGE)

    def _tell_ends(self, outage: _Outage, state: SiteState, decision: Decision, now: float) -> None:
        """Tell until when is recorded, and again where that moves far."""
        ends_at = self._ends_at(state, decision, now)
        if not ends_at or now - outage.ends_told_at < SHIFT_EVERY_S:
            return
        if not any(_has_moved(outage.ends_at.get(n), at, now) for n, at in ends_at.items()):
            return
        outage.ends_at, outage.ends_told_at = ends_at, now
        order = sorted(ends_at.items(), key=lambda end: end[1])
        said = [f"at {self._time(at)} ({name}, in {duration_text(at - now)})" for name, at in order]
        text = f"recording ends {names_text(said)} at the earliest, if mains stays away so long"
        self._say("warning", self._site.name, text, Topic.RECORDING_ENDS)

    def _ends_at(self, state: SiteState, decision: Decision, now: float) -> dict[str, float]:
        """When the stop of each recorder that still runs is to begin, as far as that is known."""
        plan = self._plan()
        fresh = plan if plan is not None and is_fresh(plan, state, now) else None
        found: dict[str, float] = {}
        for name, device in self._site.devices.items():
            slot = decision.timeline.planned.get(name)
            is_running = state.devices[name].phase is Phase.RUNNING
            if device.role is not Role.RECORDER or not is_running or slot is None:
                continue
            stop = None if fresh is None else fresh.stops.get(name)
            planned_at = math.inf if stop is None else stop.on_until_at
            at = min(planned_at, slot.ends_at if device.is_passive else slot.start_latest_at)
            if math.isfinite(at) and at > now:
                found[name] = at
        return found

    def _hear_order(self, outage: _Outage, event: OrderGiven, state: SiteState) -> None:
        order = event.order
        if order.reason.code in (BY_HAND, DRILL):
            return
        is_new = order.device not in outage.stopped
        device = self._site.devices.get(order.device)
        if order.task is Task.REST:
            outage.stopped.add(order.device)
            if is_new and device is not None and device.role is Role.RECORDER:
                text = f"{order.device}: {order.reason.sentence}"
                self._say("warning", order.device, text, Topic.RECORDING_ENDS)
        elif outage.over_at is not None and not outage.is_return_told:
            outage.is_return_told = True
            away = [n for n, d in state.devices.items() if _is_away(d.phase, d.is_ours)]
            text = f"coming back, {names_text(away or [order.device])}: {order.reason.sentence}"
            self._say("info", self._site.name, text, Topic.COMING_BACK)

    def _tell_rest(self, outage: _Outage, state: SiteState, decision: Decision | None) -> None:
        """Tell, once, that all that is to be brought to rest is: but for the way out."""
        if outage.is_rest_told or not outage.stopped:
            return
        if not self._are_rested(state):
            return
        outage.is_rest_told = True
        site, meant = self._site, self._to_rest()
        failed = sorted(n for n in meant if state.devices[n].phase is Phase.GIVEN_UP)
        rested = len(meant) - len(failed)
        text = f"all at rest: {rested} {'device' if rested == 1 else 'devices'}"
        if failed:
            text = (
                f"{rested} of {len(meant)} devices are at rest; {names_text(failed)} could not be"
            )
        left = "; ".join(() if decision is None else self._lasting(state, decision))
        text = f"{text}. {left[0].upper()}{left[1:]}." if left else text
        self._say("warning" if failed else "info", site.name, text, Topic.ALL_AT_REST)

    def _to_rest(self) -> list[str]:
        """What is to be brought to rest before that is told: all but the way out."""
        site = self._site
        return [
            name
            for name in graph_of(site).stoppable
            if name not in way_out_of(site) and not site.devices[name].is_only_cut
        ]

    def _are_rested(self, state: SiteState) -> bool:
        """Whether all of these are, or could not be brought to it."""
        phases = {state.devices[name].phase for name in self._to_rest()}
        return bool(phases) and phases <= {Phase.AT_REST, Phase.GIVEN_UP}

    def _lasting(self, state: SiteState, decision: Decision) -> Iterator[str]:
        """Yield how long the battery of each unit on battery lasts, with its numbers."""
        for name, lower_s in decision.timeline.unit_lower_s.items():
            unit = state.units[name]
            if not unit.is_on_battery or math.isinf(lower_s):
                continue
            median_s = decision.timeline.unit_median_s[name]
            sure = sureness_text(self._sureness(name))
            yield (
                f"the battery of {name} lasts at least {duration_text(lower_s)} ({sure}; "
                f"{duration_text(median_s)} likely) at {unit.load_w:.0f} W"
            )

    # After it

    def _tell_over(self, outage: _Outage, state: SiteState) -> None:
        """Tell, once nothing more is to be expected, what it came to."""
        for known in state.devices.values():
            if known.order is not None:
                return
            is_left = known.by_hand or known.phase is Phase.NEEDS_HAND
            if _is_away(known.phase, known.is_ours) and not is_left:
                return
        if any(unit.output.is_pending for unit in state.units.values()):
            return
        self._outage = None
        text = " ".join(self._summary(outage, state))
        hands = any(d.phase is Phase.NEEDS_HAND for d in state.devices.values())
        self._say("warning" if hands else "info", self._site.name, text, Topic.OVER)

    def _summary(self, outage: _Outage, state: SiteState) -> Iterator[str]:
        over_at = outage.over_at or self._clock.monotonic()
        if outage.began_at is None:
            yield "The outage is over."
        else:
            lasted = duration_text(over_at - outage.began_at)
            since, until = self._time(outage.began_at), self._time(over_at)
            yield f"The outage is over: it lasted {lasted}, from {since} to {until}."
        stopped = sorted(outage.stopped & state.devices.keys())
        hands = [n for n in stopped if state.devices[n].phase is Phase.NEEDS_HAND]
        if not stopped:
            yield "Nothing had to be stopped."
        else:
            back = "all are back" if not hands else f"{names_text(hands)} must be started by hand"
            yield f"Stopped: {names_text(stopped)}; {back}."
        now = self._clock.monotonic()
        gaps = [
            f"{name} for {duration_text(state.devices[name].gap.lasting_s(now))}"
            for name in stopped
            if self._site.devices[name].role is Role.RECORDER
            and state.devices[name].gap.began_at is not None
        ]
        if gaps:
            yield f"Nothing was recorded by {names_text(gaps)}."
        for name, unit in state.units.items():
            charge = None if unit.reading is None else unit.reading.charge
            if charge is not None:
                yield f"The battery of {name} is at {charge:.0%}."

    def _time(self, at: float) -> str:
        """Return the time of day at a site time, with the date where that is another one."""
        utc: datetime = self._clock.utc()
        local = (utc + timedelta(seconds=at - self._clock.monotonic())).astimezone(self._zone)
        is_today = local.date() == utc.astimezone(self._zone).date()
        return f"{local:%H:%M:%S}" if is_today else f"{local:%Y-%m-%d %H:%M}"


def _is_away(phase: Phase, is_ours: bool) -> bool:
    return is_ours and phase is not Phase.RUNNING


def _has_moved(before_at: float | None, at: float, now: float) -> bool:
    if before_at is None:
        return True
    return abs(at - before_at) > max(SHIFT_LEAST_S, SHIFT_SHARE * (before_at - now))
