"""`decide` and the fold, whatever happens in whatever order: what must hold, holds after each step.

Readings true and odd, silences, pauses, what orders come to, devices seen to run, agents killed and
restarted: hypothesis plays them against a drawn site, and the invariants are looked at each time.
"""

from __future__ import annotations

import math
from dataclasses import replace

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from agent.journal.codec import VERSION, decode, decode_state, encode, kind_of
from policies.decide import Decision, beliefs_of, decide
from policies.events import (
    AgentStarted,
    DeviceSeen,
    Ending,
    Event,
    OrderClosed,
    OrderGiven,
    PauseSet,
    PollMissed,
    ReadingTaken,
    StepBegan,
    StepEnded,
)
from policies.graph import graph_of, may_be_stopped
from policies.model import HOLDS_DATA, BatteryStatus, Order, Reading, Site, Starts, Task
from policies.state import OpenOrder, Phase, SiteState, fold, initial
from policies.withdraw import unwanted
from tests.policies.sites import on_battery, on_mains
from tests.policies.test_invariants import odd_readings
from tests.policies.test_layout import wide_sites

ENDINGS = {
    Task.REST: [Ending.AT_REST, Ending.AT_REST, Ending.FAILED, Ending.ASSUMED],
    Task.START: [Ending.RUNNING, Ending.RUNNING, Ending.FAILED, Ending.ASSUMED],
}
VERDICTS = ["done", "refused", "no answer", "not yet", "uncertain", "garbled"]
UNITS = st.sampled_from(["cabinet", "loft"])


class SiteMachine(RuleBasedStateMachine):
    """A site, the state that its events fold to, and the orders of each moment."""

    site: Site
    state: SiteState

    @initialize(site=wide_sites(), starts=st.lists(st.sampled_from(Starts), min_size=1))
    def begin(self, site: Site, starts: list[Starts]) -> None:
        """Draw the site; its devices come back in drawn ways."""
        devices = {
            name: replace(device, starts=starts[number % len(starts)], start_s=30.0)
            for number, (name, device) in enumerate(site.devices.items())
        }
        self.site = replace(site, devices=devices)
        self.state = initial(self.site)
        self.now = 0.0
        self.began_at: dict[str, float | None] = {"cabinet": None, "loft": None}

    def _fold(self, event: Event) -> None:
        """Fold an event as the journal gives it back."""
        back = decode(kind_of(type(event)), VERSION, encode(event))
        assert back == event
        self.state = fold(self.site, self.state, event)

    def _hear(self, reading: Reading) -> None:
        self._fold(ReadingTaken(reading.at, reading))

    def decide(self) -> Decision:
        """Decide on the present state."""
        beliefs = beliefs_of(self.site, self.state, self.now)
        return decide(self.site, self.state, beliefs, self.now)

    # What happens

    @rule(seconds=st.sampled_from([0.0, 0.5, 5.0, 30.0, 120.0, 700.0]))
    def wait(self, seconds: float) -> None:
        """Time passes, and nobody hears anything."""
        self.now += seconds

    @rule(unit=UNITS, low=st.booleans(), charge=st.sampled_from([None, 0.02, 0.4, 1.0]))
    def poll(self, unit: str, low: bool, charge: float | None) -> None:
        """A unit says how it is."""
        self.now += 1.0
        began_at = self.began_at[unit]
        status = BatteryStatus.LOW if low else BatteryStatus.NORMAL
        if began_at is None:
            self._hear(on_mains(self.now, unit, charge=charge))
        else:
            self._hear(on_battery(self.now, began_at, unit, charge=charge, battery_status=status))

    @rule(unit=UNITS, count=st.integers(2, 4))
    def confirm(self, unit: str, count: int) -> None:
        """It says so several times over."""
        for _ in range(count):
            self.now += 9.0
            self.poll(unit, False, None)

    @rule(unit=UNITS)
    def mains_changes(self, unit: str) -> None:
        """Mains fails, or returns; nobody has heard of it yet."""
        self.began_at[unit] = self.now if self.began_at[unit] is None else None

    @rule(units=st.sets(UNITS, min_size=1), low=st.booleans(), later_s=st.floats(5.0, 4000.0))
    def outage(self, units: set[str], low: bool, later_s: float) -> None:
        """Mains fails at some units and is back at the others, and all of that is heard."""
        for unit in self.began_at:
            self.began_at[unit] = (self.began_at[unit] or self.now) if unit in units else None
        for step_s in (1.0, 2.0, 12.0, later_s, 2.0):
            self.now += step_s
            for unit in self.began_at:
                self.poll(unit, low and step_s != 1.0, None)
        self.obey()

    @rule(last_s=st.sampled_from([10.0, 150.0]))
    def mains_is_back(self, last_s: float) -> None:
        """Mains is back everywhere, and heard to be, for long enough or not."""
        self.began_at = dict.fromkeys(self.began_at)
        for step_s in (1.0, 5.0, last_s):
            self.now += step_s
            for unit in self.began_at:
                self.poll(unit, False, 1.0)
        self.obey()

    @precondition(lambda self: self._open())
    @rule()
    def all_is_done(self) -> None:
        """Every order under way ends well."""
        for opened in self._open():
            self._close(opened, ENDINGS[opened.order.task][0])

    @rule(unit=UNITS, reading=odd_readings())
    def poll_oddly(self, unit: str, reading: Reading) -> None:
        """A unit says whatever it likes."""
        self.now += 1.0
        self._hear(replace(reading, unit=unit, at=self.now))

    @rule(unit=UNITS, seconds=st.sampled_from([1.0, 40.0]))
    def miss(self, unit: str, seconds: float) -> None:
        """A unit does not answer."""
        self.now += seconds
        self._fold(PollMissed(self.now, unit, "no answer"))

    @rule()
    def obey(self) -> None:
        """The orders of the moment are given, as the engine does it."""
        for order in self.decide().orders:
            opened = self.state.devices[order.device].order
            order_id = f"{order.device}#{self.state.orders + 1}"
            if opened is not None and opened.order.task is order.task:
                order_id = opened.order_id
            elif opened is not None:
                self._close(opened, Ending.WITHDRAWN)
            self._fold(OrderGiven(self.now, order_id, order))

    def _open(self) -> list[OpenOrder]:
        return [device.order for device in self.state.devices.values() if device.order is not None]

    def _close(self, opened: OpenOrder, ending: Ending) -> None:
        order = opened.order
        self._fold(
            OrderClosed(self.now, opened.order_id, order.device, order.task, ending, "as drawn")
        )

    @precondition(lambda self: self._open())
    @rule(data=st.data(), verdict=st.sampled_from([None, *VERDICTS]))
    def step(self, data: st.DataObject, verdict: str | None) -> None:
        """An order under way does an act; it may be killed before the outcome is known."""
        opened = data.draw(st.sampled_from(self._open()))
        device = opened.order.device
        acts = ["quiesce", "stop"] if opened.order.task is Task.REST else ["start"]
        act = data.draw(st.sampled_from(acts))
        self._fold(StepBegan(self.now, opened.order_id, device, act))
        if verdict is not None:
            self._fold(StepEnded(self.now, opened.order_id, device, act, verdict, "as drawn"))

    @precondition(lambda self: self._open())
    @rule(data=st.data())
    def close(self, data: st.DataObject) -> None:
        """An order ends; it is withdrawn only if nothing can have come of it."""
        opened = data.draw(st.sampled_from(self._open()))
        endings = ENDINGS[opened.order.task] + ([] if opened.steps else [Ending.WITHDRAWN])
        self._close(opened, data.draw(st.sampled_from(endings)))

    @rule(data=st.data())
    def see(self, data: st.DataObject) -> None:
        """A device is seen to run."""
        name = data.draw(st.sampled_from(list(self.site.devices)))
        self._fold(DeviceSeen(self.now, name, "it answers"))

    @rule(seconds=st.sampled_from([0.0, 60.0]))
    def pause(self, seconds: float) -> None:
        """Somebody pauses the agent, or ends the pause."""
        self._fold(PauseSet(self.now, self.now + seconds, "the owner"))

    @rule()
    def restart(self) -> None:
        """The agent is killed, and another recalls the journal's last snapshot."""
        back = decode_state(self.site, encode(self.state))
        assert back == self.state
        self.state = back
        self._fold(AgentStarted(self.now, "drawn", False))

    # What must hold

    @invariant()
    def same_state_gives_the_same_orders(self) -> None:
        """Deciding is pure: also on a site and a state that were never seen before."""
        once = self.decide()
        fresh = replace(self.site)
        state = decode_state(fresh, encode(self.state))
        beliefs = beliefs_of(fresh, state, self.now)

        assert decide(fresh, state, beliefs, self.now) == once
        assert once.wake_at > self.now and math.isfinite(once.wake_at)

    @invariant()
    def orders_are_such_as_may_be_given(self) -> None:
        """None to what must not be touched, none twice, none in a pause (invariant 11)."""
        orders = self.decide().orders
        names = [order.device for order in orders]
        assert len(names) == len(set(names))
        paused = self.state.paused_until_at is not None and self.state.paused_until_at > self.now
        assert not (paused and orders)
        for order in orders:
            assert order.deadline_at > self.now and order.reason.sentence
            assert not self.site.devices[order.device].no_touch
            assert order.task is Task.START or may_be_stopped(self.site, order.device)

    @invariant()
    def nothing_is_told_while_others_hang_on_it(self) -> None:
        """What uses a device comes before it, unless waiting would lose both (invariant 4)."""
        for order in self.decide().orders:
            if order.task is Task.REST:
                for user in graph_of(self.site).users[order.device]:
                    assert self._is_out_of_the_way(user, order)

    def _is_out_of_the_way(self, user: str, order: Order) -> bool:
        known, device = self.state.devices[user], self.site.devices[user]
        is_at_rest = known.phase is Phase.AT_REST and not known.is_assumed
        is_mute = device.is_passive and device.role not in HOLDS_DATA and not device.no_touch
        is_past_telling = known.phase in (Phase.GIVEN_UP, Phase.RESTING)
        is_past_telling = is_past_telling or not may_be_stopped(self.site, user)
        holds_data = self.site.devices[order.device].role in HOLDS_DATA
        return is_at_rest or is_mute or (is_past_telling and holds_data)

    @invariant()
    def no_order_is_unwanted_as_soon_as_it_is_given(self) -> None:
        """Or it would be given and withdrawn for ever."""
        for order in self.decide().orders:
            state = fold(self.site, self.state, OrderGiven(self.now, "next", order))
            opened = state.devices[order.device].order
            assert opened is not None
            if not opened.steps:
                assert unwanted(self.site, state, opened) == "", order.reason.sentence

    @invariant()
    def nothing_is_started_that_is_to_rest(self) -> None:
        """What is started now must not be told to rest by the same state (invariant 7)."""
        state = self.state
        started = [order for order in self.decide().orders if order.task is Task.START]
        for order in started:
            state = fold(self.site, state, OrderGiven(self.now, f"{order.device}#n", order))
            event = OrderClosed(
                self.now, f"{order.device}#n", order.device, Task.START, Ending.RUNNING, "seen"
            )
            state = fold(self.site, state, event)
        after = decide(self.site, state, beliefs_of(self.site, state, self.now), self.now)
        rested = {order.device for order in after.orders if order.task is Task.REST}
        assert rested.isdisjoint(order.device for order in started)

    @invariant()
    def phases_and_orders_agree(self) -> None:
        """A device is coming to rest, or starting, exactly while an order says so."""
        for device in self.state.devices.values():
            task = None if device.order is None else device.order.order.task
            assert (device.phase is Phase.RESTING) == (task is Task.REST)
            assert (device.phase is Phase.STARTING) == (task is Task.START)


SiteMachine.TestCase.settings = settings(
    settings.default, max_examples=60, stateful_step_count=40
)  # ample for two orders and a return
TestAnyOrder = SiteMachine.TestCase
