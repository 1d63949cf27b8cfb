"""What must always hold (the design's eleven invariants), checked against the truth as it goes.

Of the eleven these are held here: 1, 3, 4, 5, 6, 7, 8, 9, 10 and 11; what concerns the units' own
outputs in `agent.simulation.output_checks`. Left out, since nothing undoes by a list yet: the
restoration away from the box (10). The second is measured, not checked: see
`agent.simulation.clairvoyant`.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from agent.conduct.perform import CHANGING
from agent.conduct.steps import WITHOUT_EFFECT
from agent.engine import Engine
from agent.simulation.interface import SECRET, Interface
from agent.simulation.keeper import Disk
from agent.simulation.output_checks import OutputChecks
from agent.simulation.scenario import Scenario, is_in
from agent.simulation.truth import Body, Machine, SiteTruth, What
from drivers.base import Act, Repeat
from policies.cut_unproven import cut_serves
from policies.decide import Decision
from policies.events import (
    Ending,
    Event,
    FloorTaken,
    NoticeRaised,
    OrderClosed,
    OrderGiven,
    PollMissed,
    StepBegan,
    StepEnded,
)
from policies.graph import graph_of, may_be_stopped, writers_of
from policies.model import HOLDS_DATA, Order, Role, Starts, Task
from policies.runtime import LoadStep
from policies.seen import believable_charge
from policies.state import Phase, SiteState, listed_load_w
from policies.supply import belief_of

EXCEPTIONS = frozenset({"overload", "countdown", "unit_lost"})
"""Reasons that may stop something on steady mains: the exceptions that the design names."""

IN_SHORT = frozenset({"too_late", "battery_low", "countdown"})
"""Reasons that say that time is too short."""

SEEN_STEADY = 2
"""Truthful readings after which the agent knows that mains is there."""

STUCK_AFTER_S = 120.0
"""An order that is still open this long after its deadline will never end."""


@dataclass(frozen=True, slots=True)
class Violation:
    """One thing that must always hold and did not.

    Attributes:
        seed: draws it again.
        invariant: its number.
        at: loop time, s.
        text: what happened.
    """

    seed: int
    invariant: int
    at: float
    text: str


@dataclass(slots=True)
class _Eyes:
    """What the agent has had a chance to see of one unit.

    Attributes:
        truthful: readings in a row that showed mains while mains was there.
        odd: readings in a row that said whatever they liked.
        heard_at: when it last answered.
    """

    truthful: int = 0
    odd: int = 0
    heard_at: float = 0.0


@dataclass(slots=True)
class _Told:
    """What one device has taken in, until it runs anew.

    Attributes:
        counts: how often it took in each act.
        told_at: when it last took in one.
        is_owed: it was quiesced or stopped, and does not serve again yet.
    """

    counts: Counter[Act] = field(default_factory=Counter)
    told_at: float = 0.0
    is_owed: bool = False


class Checks:
    """Looks on; the world calls it as things happen."""

    def __init__(
        self,
        scenario: Scenario,
        truth: SiteTruth,
        *,
        interfaces: dict[str, Interface],
        engine: Callable[[], Engine | None],
        disk: Callable[[], Disk],
        now: Callable[[], float],
    ) -> None:
        """Prepare.

        Args:
            scenario: what was drawn.
            truth: the site.
            interfaces: by device.
            engine: the present engine; None while there is none.
            disk: the journal.
            now: the site time, as the agent reckons it.
        """
        self._scenario = scenario
        self._site = scenario.site
        self._graph = graph_of(scenario.site)
        self._truth = truth
        self._interfaces = interfaces
        self._engine = engine
        self._disk = disk
        self._now = now
        self._eyes = {name: _Eyes() for name in self._site.units}
        self._told = {name: _Told() for name in self._site.devices}
        self._named: dict[str, float] = {}
        self._steps: Counter[str] = Counter()
        self._batch: list[Order] = []
        self._batch_at = 0.0
        self._batch_of: Decision | None = None
        self._batch_state: SiteState | None = None
        self._has_floor = False
        self._woke: set[str] = set()
        self._notices: defaultdict[str, list[str]] = defaultdict(list)
        self.violations: list[Violation] = []
        self._output = OutputChecks(
            scenario, truth, disk=disk, say=self._say, is_deceiving=self._is_deceiving
        )

    # What the world tells

    def on_written(self, unit: str, name: str, value: int) -> None:
        """A unit takes a SET of its control group; it has not acted yet."""
        self._output.on_written(unit, name, value)

    def on_life(self) -> None:
        """A run of the agent has begun or ended: what it saw counts no more."""
        self._end_batch()
        self._steps = Counter()
        for entry in self._disk().entries:
            if isinstance(entry.held, StepBegan | StepEnded):
                self._count(entry.held)
        for eyes in self._eyes.values():
            eyes.truthful, eyes.odd, eyes.heard_at = 0, 0, self._truth.now

    def on_failure(self, text: str) -> None:
        """The agent failed by itself."""
        self._say(10, text)

    def on_reading(self, unit: str, *, is_odd: bool) -> None:
        """A unit has answered."""
        eyes, plant = self._eyes[unit], self._truth.plants[unit]
        eyes.heard_at = self._truth.now
        if is_odd:
            eyes.odd += 1
            return
        eyes.odd = 0
        is_cut_off = is_in(self._scenario.quirks[unit].comms_lost, self._truth.now)
        shows_mains = plant.mains and plant.output and not is_cut_off
        shows_mains = shows_mains and not (plant.is_testing and not self._tells_tests(unit))
        eyes.truthful = eyes.truthful + 1 if shows_mains else 0

    def on_truth(self, what: What, name: str, at: float) -> None:
        """Something has happened to the site."""
        if what is What.MAINS_FAIL and name in self._eyes:
            self._eyes[name].truthful = 0
        if what is What.OUTPUT_OFF:
            self._output.on_drop(name)
        if name not in self._told:
            return
        machine, told = self._truth.machines[name], self._told[name]
        if what is What.WAKES:
            self._woke.add(name)
        if what is What.BOOTED:
            told.counts[Act.STOP] = told.counts[Act.QUIESCE] = 0
        if what is What.WENT_OFF:
            told.counts[Act.START] = 0
        if machine.serves:
            told.is_owed = False

    def on_told(self, name: str, act: Act) -> None:
        """A device takes in what changes it; it has not acted yet."""
        device, told = self._site.devices[name], self._told[name]
        if device.role is Role.AGENT_BOX:
            self._output.on_box_told(name, act)
            return
        if not may_be_stopped(self._site, name) and (act is not Act.START or device.no_touch):
            self._say(11, f"{name} was told to {act.value}, and must not be touched")
        told.counts[act] += 1
        repeat = self._interfaces[name].manners.acts.get(act, Repeat.SAFE)
        is_in_doubt = self._is_disk_troubled(told.told_at)  # the stop went first, as it should
        if repeat is Repeat.NEVER and told.counts[act] > 1 and not is_in_doubt:
            self._say(10, f"{name} was told twice to {act.value}, which must never be repeated")
        told.told_at = self._truth.now
        self._check_intent(name, act)
        if act in (Act.START, Act.UNCUT):
            self._output.on_start(name)
            told.counts[Act.QUIESCE] = 0
            self._check_return(name)
            return
        told.is_owed = True
        told.counts[Act.START] = 0
        if act is Act.CUT or (act is Act.STOP and device.is_cut):
            self._check_cut(name)
        if act in (Act.STOP, Act.CUT):
            self._check_nothing_hangs_on(name)

    def on_event(self, event: Event) -> None:
        """The engine has folded an event."""
        engine = self._engine()
        if engine is None:
            return
        self._check_secrets(event)
        match event:
            case OrderGiven(order=order):
                self._on_order(order, engine)
            case StepBegan() | StepEnded():
                self._count(event)
            case OrderClosed():
                self._on_closed(event)
            case NoticeRaised(severity=severity, about=about, text=text):
                self._notices[about].append(text)
                if severity != "info":
                    self._named[about] = self._truth.now
            case FloorTaken(why=why):
                self._has_floor = True
                self._say(10, f"the planning code failed: {why}")
            case PollMissed(unit=unit):
                self._on_missed(unit, engine.state)

    # 1, 3, 5

    def _on_order(self, order: Order, engine: Engine) -> None:
        # Two units may be heard in the same moment: each decision knows more than the one before.
        if self._truth.now != self._batch_at or engine.decision is not self._batch_of:
            self._end_batch()
        self._batch_at, self._batch_of = self._truth.now, engine.decision
        if order.task is Task.REST:
            self._batch.append(order)
            self._batch_state = engine.state
            if order.reason.code not in EXCEPTIONS and self._is_steady(order):
                self._say(1, f"{order.device} was told to rest on mains: {order.reason.sentence}")

    def _is_steady(self, order: Order) -> bool:
        """Whether the agent knows, but for one reading at most, that mains is there."""
        for name, plant in self._truth.plants.items():
            eyes = self._eyes[name]
            is_test = plant.is_testing and order.reason.code != "battery_low"
            on_mains = plant.mains and (
                not plant.is_testing or (is_test and self._tells_tests(name))
            )
            if not on_mains or eyes.truthful < SEEN_STEADY or eyes.odd > 1:
                return False
        return True

    def _tells_tests(self, unit: str) -> bool:
        return self._scenario.quirks[unit].tells_tests

    def _end_batch(self) -> None:
        """Where time is short: what holds data is told before all else, by falling worth."""
        batch, self._batch = self._batch, []
        state = self._batch_state
        short = [order for order in batch if order.reason.code in IN_SHORT]
        if state is None or not short or self._has_floor:
            return
        devices = self._site.devices
        # One that is hurried in the same moment was told first already.
        named = list(dict.fromkeys(order.device for order in batch))
        ranks = [(devices[name].role not in HOLDS_DATA, -devices[name].worth) for name in named]
        if ranks != sorted(ranks):
            self._say(3, f"not by worth, what holds data first: {named}")
        given = {order.device for order in batch}
        due = frozenset() if self._batch_of is None else self._batch_of.due
        for order in short:
            told = devices[order.device]
            for name in self._left_behind(order.device, state):
                comes_first = told.role not in HOLDS_DATA
                comes_first |= name in due and devices[name].worth > told.worth
                if comes_first and name not in given:
                    self._say(3, f"{order.device} was told in short while {name} was not")

    def _left_behind(self, told: str, state: SiteState) -> list[str]:
        """What holds data, hangs on the same units, is free, and was told nothing yet."""
        return [
            name
            for name, device in self._site.devices.items()
            if device.role in HOLDS_DATA
            and state.devices[name].phase is Phase.RUNNING
            and may_be_stopped(self._site, name)
            and name not in self._graph.on_mains
            and self._graph.units[name]
            and self._falls_with(name, told)
            and all(self._is_done(user, state) for user in self._graph.users[name])
        ]

    def _falls_with(self, name: str, told: str) -> bool:
        """Whether a device is without power or path whenever the other is.

        One that is fed by two units outlasts the first of them, unlike one that is reached through
        a switch behind that.
        """
        ends = self._ends(name)
        return all(any(its <= end for its in ends) for end in self._ends(told))

    def _ends(self, name: str) -> set[frozenset[str]]:
        graph = self._graph
        hangs_on = (at for at in (name, *graph.uses[name]) if at not in graph.on_mains)
        return {graph.units[at] for at in hangs_on if graph.units[at]}

    def _is_done(self, user: str, state: SiteState) -> bool:
        device = self._site.devices[user]
        is_mute = device.is_passive and device.role not in HOLDS_DATA and not device.no_touch
        return is_mute or state.devices[user].phase is Phase.AT_REST

    def _count(self, event: StepBegan | StepEnded) -> None:
        """Count the acts of an order that may have changed something: in doubt, or heard."""
        if event.act not in CHANGING:
            return
        if isinstance(event, StepBegan):
            self._steps[event.order_id] += 1
        elif event.verdict in WITHOUT_EFFECT:
            self._steps[event.order_id] -= 1

    def _on_closed(self, event: OrderClosed) -> None:
        if "lastwatt's own code failed" in event.evidence:
            self._say(10, f"order {event.order_id}: {event.evidence}")
        began = self._steps.pop(event.order_id, 0)
        if event.ending is Ending.WITHDRAWN and event.task is Task.REST and began:
            self._say(5, f"{event.device}: its stop had begun, and was withdrawn")

    # Cuts: 10, what outlasts a power cycle is not done for nothing; and never to what writes

    def _check_cut(self, name: str) -> None:
        engine, machine = self._engine(), self._truth.machines[name]
        if engine is None:
            return
        opened = engine.state.devices[name].order
        if opened is None:
            self._say(10, f"{name} was cut, and no order is open")
            return
        is_warned = any("though it may still have written" in t for t in self._notices[name])
        if machine.is_writing and not is_warned and not self._is_deceiving(name):
            self._say(10, f"{name} was cut while it wrote, and nobody was told")
        if not self._has_floor and not cut_serves(self._site, engine.state, opened.order):
            self._say(10, f"{name} is dark for nothing: {opened.order.reason.sentence}")

    # 4

    def _check_nothing_hangs_on(self, name: str) -> None:
        engine = self._engine()
        if engine is None or self._has_floor:
            return
        device = self._site.devices[name]
        for user in sorted(self._graph.users[name]):
            machine, phase = self._truth.machines[user], engine.state.devices[user].phase
            if not machine.is_writing or not machine.has_power:
                continue
            if phase is Phase.AT_REST and self._is_deceiving(user):
                continue
            # At its own last moment what holds data waits no longer for what will not end.
            is_past_telling = phase in (Phase.GIVEN_UP, Phase.RESTING)
            is_past_telling = is_past_telling or not may_be_stopped(self._site, user)
            if device.role in HOLDS_DATA and is_past_telling:
                continue
            self._say(4, f"{name} was stopped while {user} was writing (taken to be {phase.value})")

    def _is_deceiving(self, name: str) -> bool:
        """Whether a device can look as if it were at rest while it is not."""
        manners, machine = self._interfaces[name].manners, self._truth.machines[name]
        device, build = machine.device, machine.build
        writes_on_s = (1.0 - build.quiet_after) * build.stop_s
        is_unseen = Act.CONFIRM_GONE not in manners.acts
        settles_s = device.settle_s + ((device.stop_s or 0.0) if is_unseen else 0.0)
        slow = device.stop_s is not None and (
            writes_on_s > device.settle_s or (is_unseen and build.stop_s > settles_s)
        )
        blind = Act.QUIESCE in manners.acts and Act.CONFIRM_QUIESCED not in manners.acts
        if device.by_writers or device.is_cut or device.cut_s is not None:
            # Nothing confirms that a disk is idle, or that alone tells.
            is_slow = build.quiesce_s > (device.quiesce_s or 0.0)
            deceived = any(map(self._is_deceiving, writers_of(self._site, name)))
            if is_slow or deceived or blind:
                return True
        return (
            manners.lies
            or bool(manners.is_mute)
            or machine.vanished
            or slow
            or (device.stop_s is None and blind)
            or name in self._woke
        )

    # 7

    def _check_return(self, name: str) -> None:
        engine = self._engine()
        if engine is None:
            return
        now, units = self._truth.now, self._graph.units[name]
        steady_s = self._site.mains_steady_s
        if units and not any(self._steady_s(unit, now) >= steady_s - 1.0 for unit in units):
            self._say(7, f"{name} was started before mains was steady")
        charges = []
        for unit in units:
            reading = engine.state.units[unit].reading
            charge = None if reading is None else believable_charge(reading)
            if charge is None:
                return
            charges.append(charge)
        if charges and max(charges) < self._site.return_charge:
            self._say(7, f"{name} was started at a charge of {max(charges):.2f}")

    def _steady_s(self, unit: str, now: float) -> float:
        """For how long the agent could know that a unit has had mains.

        What no poll can have seen is left out, and so is an outage that was not heard of yet.
        """
        listed = self._site.units[unit]
        poll_s = self._scenario.poll_on_mains_s + 10.0
        since = 0.0
        for begin, end in self._scenario.mains_away(unit):
            if end <= now and end - begin > poll_s:
                since = end
            elif begin <= now < end:
                seen_at = begin + listed.flicker_s + poll_s
                is_new = now < seen_at or self._eyes[unit].heard_at < begin + listed.flicker_s
                return begin - since if is_new else 0.0
        return now - since

    # 8

    def _on_missed(self, unit: str, state: SiteState) -> None:
        listed, known = self._site.units[unit], state.units[unit]
        silent_s = self._truth.now - self._eyes[unit].heard_at
        if silent_s >= listed.lost_after_s + self._scenario.poll_on_mains_s + 10.0:
            said = any("is not heard from" in text for text in self._notices[unit])
            if known.lost_at is None or not said:
                self._say(8, f"{unit} has been silent for {silent_s:.0f} s, and nobody was told")

    # 9

    def _check_secrets(self, event: Event) -> None:
        texts: tuple[str, ...] = ()
        match event:
            case StepEnded():
                texts = (event.evidence, event.advice, *event.sent)
            case OrderClosed(evidence=text) | NoticeRaised(text=text) | FloorTaken(why=text):
                texts = (text,)
            case PollMissed(why=text):
                texts = (text,)
        if any(SECRET in text for text in texts):
            self._say(9, f"a secret stands in {type(event).__name__}")

    # 10

    def _check_intent(self, name: str, act: Act) -> None:
        """What is sent stands in the journal first, unless the disk is in trouble."""
        now = self._truth.now
        for entry in reversed(self._disk().entries):
            held = entry.held
            if isinstance(held, StepBegan) and held.device == name and held.act == act.value:
                if entry.durable_at > now and not self._is_disk_troubled(entry.at):
                    self._say(10, f"{name}: {act.value} was sent before it was on the disk")
                return
        self._say(10, f"{name}: {act.value} was sent, and was never journalled")

    def _is_disk_troubled(self, at: float) -> bool:
        """Whether what was written then may have had to wait."""
        spells = (*self._scenario.disk_full, *self._scenario.disk_slow)
        return any(begin - 1.0 <= at < end + self._scenario.disk_s + 5.0 for begin, end in spells)

    # The end

    def at_end(self) -> None:
        """Mains has been back for long: see that nothing is dark, half-stopped or forgotten."""
        self._end_batch()
        engine = self._engine()
        if engine is None:
            if not self._output.stays_off_by_itself():
                self._say(10, "there is no agent at the end")
            return
        now = self._now()
        self._output.at_end()
        for name, machine in self._truth.machines.items():
            known = engine.state.devices[name]
            if known.order is not None and now > known.order.order.deadline_at + STUCK_AFTER_S:
                self._say(10, f"the order {known.order.order_id} never ends")
            if self._told[name].is_owed and not machine.serves:
                self._check_dark(name, machine, known.phase)

    def _check_dark(self, name: str, machine: Machine, phase: Phase) -> None:
        manners, device = self._interfaces[name].manners, machine.device
        if machine.body is Body.BOOTING:
            return  # a port that is seen to be on says nothing of what hangs there
        is_easy = (
            device.starts is Starts.BY_ORDER
            and Act.START in manners.acts
            and not self._is_start_in_doubt(name)
            and not self._is_troubled(name)
            and (machine.has_power or machine.is_cut)
            and (device.stop_s is not None or machine.body is Body.RUNNING)
        )
        what = "half stopped" if machine.body is Body.RUNNING else "dark"
        if self._is_held_back(name):
            return
        if is_easy:
            self._say(6, f"{name} is {what} at the end (taken to be {phase.value})")
        elif name not in self._named:
            self._say(6, f"{name} is {what} at the end, and nobody was told ({phase.value})")

    def _is_start_in_doubt(self, name: str) -> bool:
        """Whether a start that must never be sent twice may have been sent: a hand is needed."""
        engine = self._engine()
        assert engine is not None
        acts = self._interfaces[name].manners.acts
        is_once = acts.get(Act.START) is Repeat.NEVER
        return is_once and Act.START.value in engine.state.devices[name].told

    def _is_held_back(self, name: str) -> bool:
        """Whether the battery does not hold enough yet for one more orderly stop.

        Unlike the engine, this asks about everything that the device uses: one of them may wait.
        """
        engine = self._engine()
        assert engine is not None
        for each in (name, *self._graph.uses[name]):
            units = self._graph.units[each]
            if units and not self._hold_enough(engine, units):
                return True
        return False

    def _hold_enough(self, engine: Engine, units: Iterable[str]) -> bool:
        """Whether one of these units has the charge set, or, where not all tell theirs, the time.

        Reckoned from the belief alone: twice the longest stop, at all that is listed.
        """
        state = engine.state
        charges, lasts_s = [], []
        for unit in units:
            known, listed = state.units[unit], self._site.units[unit]
            charges.append(None if known.reading is None else believable_charge(known.reading))
            belief = belief_of(listed, known, self._now())
            load = [LoadStep(0.0, listed_load_w(self._site, state, unit))]
            lasts_s.append(belief.end_after_s(load, belief.bound_quantile))
        told = [charge for charge in charges if charge is not None]
        if len(told) == len(charges):
            return max(told) >= self._site.return_charge
        return max(lasts_s) >= 2.0 * max(d.rest_s for d in self._site.devices.values())

    def _is_troubled(self, name: str) -> bool:
        """Whether a device, or what it hangs on, does not do as it is told."""
        for each in (name, *self._graph.uses[name]):
            manners, machine = self._interfaces[each].manners, self._truth.machines[each]
            chances = (
                manners.unheard, manners.dropped, manners.cut, manners.hangs, manners.fails,
                manners.garbles,
            )  # fmt: skip
            spells = (manners.refuses, manners.puts_off, manners.is_mute)
            if any(chances) or any(spells) or manners.lies or machine.vanished:
                return True
            if machine.build.boot_s > machine.device.start_s or each in self._woke:
                return True
            if each != name and not machine.serves:
                return True
        return False

    def _say(self, invariant: int, text: str) -> None:
        self.violations.append(
            Violation(self._scenario.seed, invariant, round(self._truth.now, 3), text)
        )
