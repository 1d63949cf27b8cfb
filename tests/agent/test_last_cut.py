"""A device that would not stop is cut at its feed, where the file has that as its second way."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest

from agent.conduct.steps import LOOK_S
from drivers.base import Act, Outcome, Repeat, Stage, Verdict
from drivers.feed_cut import FeedCut
from policies.model import Device, Reason, Role, Starts, Task
from policies.owed import owed_changes
from policies.reasons import BY_HAND
from policies.state import Phase, initial
from policies.supply import Supply, UnitState
from tests.agent import machines
from tests.agent.benches import LATEST, WHY, Bench, begun, ended, endings, notices
from tests.agent.machines import REST_ACTS, Machine, Scripted, stages_of
from tests.policies.sites import CABINET

SLIP = Device(
    "slip recorder", Role.RECORDER, quiesce_s=5.0, stop_s=20.0, settle_s=10.0, cut_s=10.0,
    starts=Starts.BY_ITSELF, start_s=30.0,
)  # fmt: skip
NAME = "slip recorder"


@dataclass
class Port:
    """The port that feeds a machine: no power, no machine; with power it starts by itself."""

    machine: Machine
    is_on: bool = True
    verdict: Verdict = Verdict.DONE
    asked: list[Act] = field(default_factory=list)
    was: str = ""
    feeds: bool = True

    @property
    def acts(self) -> dict[Act, Repeat]:
        return dict.fromkeys((Act.REMEMBER, Act.STOP, Act.START), Repeat.SAFE)

    def recall(self, was: str) -> None:
        self.was = was

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        self.asked.append(act)
        await self.machine.clock.sleep(0.2)
        if act is Act.REMEMBER:
            return Outcome(act, Verdict.DONE, "the port is on", was="on")
        if self.verdict is Verdict.DONE:
            self.is_on = act is Act.START
            if act is Act.START:
                self.machine.power_on()
            elif self.feeds:
                self.machine.off_at = min(self.machine.off_at, self.machine.clock.monotonic())
        return Outcome(act, self.verdict, f"the port: {act.value}")

    async def close(self) -> None:
        pass


def with_port(device: Device = SLIP) -> tuple[Bench, Scripted, Port]:
    """A device that starts when power comes, its own driver, and the port that feeds it."""
    stand = Bench(device)
    acts: dict[Act, Repeat] = {a: how for a, how in REST_ACTS.items() if a is not Act.START}
    if device.quiesce_s is None:
        del acts[Act.QUIESCE], acts[Act.CONFIRM_QUIESCED]
    first = stand.fit(device.name, acts)
    port = Port(stand.machines[device.name])
    stand.drivers[device.name] = {**stages_of(first), Stage.CUT: FeedCut(port)}
    stand()
    return stand, first, port


async def rested(stand: Bench, *, why: Reason = WHY, within_s: float = 120.0) -> str:
    task = stand.give(NAME, within_s=within_s, why=why)
    await stand.until(task.done, within_s=300.0)
    return endings(stand.keeper.events)[NAME][1]


async def test_device_that_stops_is_not_cut() -> None:
    """A dark port outlasts the outage; an orderly stop does not."""
    stand, _, port = with_port()
    await rested(stand)

    assert stand.phase(NAME) is Phase.AT_REST
    assert port.asked == []


@pytest.mark.parametrize("trouble", [machines.refuse, machines.silent, machines.lie, machines.hang])
async def test_quiesced_recorder_that_will_not_stop_is_cut_in_time(
    trouble: machines.Behaviour,
) -> None:
    """It would draw its watts to the end otherwise; its files are closed."""
    stand, first, port = with_port()
    first.always[Act.STOP] = trouble
    ends_at = stand.clock.monotonic() + 120.0
    evidence = await rested(stand)

    assert stand.phase(NAME) is Phase.AT_REST
    assert stand.clock.monotonic() <= ends_at + LOOK_S
    assert port.asked == [Act.REMEMBER, Act.STOP]
    assert "its stop had failed" in evidence
    assert notices(stand.keeper.events) == []


async def test_stop_is_tried_until_only_the_cut_fits_before_the_deadline() -> None:
    """The gentler way has all the time but what the cut needs."""
    stand, first, _ = with_port()
    first.always[Act.STOP] = machines.silent
    began_at = stand.clock.monotonic()
    await rested(stand)
    (cut_at,) = [e.at for e in stand.keeper.events if getattr(e, "act", "") == "cut"][:1]

    assert 120.0 - 25.0 < cut_at - began_at <= 120.5 - (SLIP.cut_s or 0.0)
    assert begun(stand.keeper.events, NAME).count("stop") > 5


async def test_recorder_that_may_still_write_keeps_its_power() -> None:
    """A cut might harm what it records, and mains may come back in time."""
    stand, first, port = with_port()
    first.always[Act.STOP] = first.always[Act.QUIESCE] = machines.refuse
    evidence = await rested(stand, why=LATEST)

    assert stand.phase(NAME) is Phase.GIVEN_UP
    assert "keeps its power" in evidence
    assert port.asked == []


async def test_recorder_that_may_still_write_is_cut_to_save_another_and_people_are_warned() -> None:
    """The warning stands in the journal before the cut: the agent may end amid it."""
    stand, first, _ = with_port()
    first.always[Act.STOP] = first.always[Act.QUIESCE] = machines.refuse
    stand.saved_by_cut = "the gate recorder needs its watts"
    evidence = await rested(stand, why=LATEST)
    events = stand.keeper.events
    (warning,) = notices(events)
    warned = next(i for i, e in enumerate(events) if getattr(e, "text", "") == warning)
    cut = next(i for i, e in enumerate(events) if getattr(e, "act", "") == "cut")

    assert stand.phase(NAME) is Phase.AT_REST
    assert "gate recorder needs its watts" in warning and "see that its disk is sound" in warning
    assert "cut though it may still have written" in evidence
    assert warned < cut


@pytest.mark.parametrize("trouble", [machines.silent, machines.lie, machines.hang])
async def test_stop_in_short_has_its_own_time_and_no_more_before_the_cut(
    trouble: machines.Behaviour,
) -> None:
    """The order has ten minutes; a battery that says that it is low may not."""
    stand, first, port = with_port()
    first.always[Act.STOP] = trouble
    task = stand.give(NAME, within_s=600.0, in_short=True)
    await stand.until(lambda: not port.is_on, within_s=90.0)
    await stand.until(task.done, within_s=30.0)

    assert stand.phase(NAME) is Phase.AT_REST


async def test_hurried_stop_that_fails_is_quiesced_before_its_cut() -> None:
    """Quiescing was left out since the stop does the same; the cut does not."""
    stand, first, _ = with_port()
    first.always[Act.STOP] = machines.silent
    task = stand.give(NAME, within_s=60.0, why=LATEST, in_short=True)
    await stand.until(task.done, within_s=200.0)
    acts = begun(stand.keeper.events, NAME)

    assert stand.phase(NAME) is Phase.AT_REST
    assert acts.index("stop") < acts.index("quiesce") < acts.index("cut")


async def test_nothing_is_cut_that_the_journal_cannot_keep() -> None:
    """Nobody would know that the port is to be switched on again."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    stand.keeper.works = False
    evidence = await rested(stand)

    assert stand.phase(NAME) is Phase.GIVEN_UP
    assert "the journal cannot be written" in evidence
    assert Act.STOP not in port.asked


async def test_refused_cut_leaves_it_given_up() -> None:
    """Somebody else hangs on that port now."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    port.verdict = Verdict.REFUSED
    evidence = await rested(stand)

    assert stand.phase(NAME) is Phase.GIVEN_UP
    assert "the port: stop" in evidence
    assert port.asked.count(Act.STOP) == 1


async def test_device_that_still_answers_after_its_cut_is_not_at_rest() -> None:
    """A second supply feeds it: that its port is off proves nothing."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    port.feeds = False
    evidence = await rested(stand)

    assert stand.phase(NAME) is Phase.GIVEN_UP
    assert "something else feeds it" in evidence


async def test_what_is_cut_is_owed_its_power_and_gets_it_back_first() -> None:
    """It starts by itself, but only with power."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    await rested(stand)
    (owed,) = owed_changes(stand.site, stand.state)
    task = stand.give(NAME, task=Task.START)
    await stand.until(task.done, within_s=200.0)

    assert owed.acts == ("quiesced", "cut") and owed.was == {"cut": "on"}
    assert port.asked[-1] is Act.START and port.was == "on"
    assert stand.phase(NAME) is Phase.RUNNING
    assert owed_changes(stand.site, stand.state) == ()


async def test_power_that_cannot_be_given_back_is_said() -> None:
    """The switch does not answer: waiting for the device would tell nobody why."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    await rested(stand)
    port.verdict = Verdict.REFUSED
    task = stand.give(NAME, task=Task.START)
    await stand.until(task.done, within_s=200.0)

    assert stand.phase(NAME) is Phase.NEEDS_HAND
    assert "cut" in {act for one in owed_changes(stand.site, stand.state) for act in one.acts}


async def test_device_stopped_the_first_way_owes_no_power() -> None:
    """Its port was never touched, and somebody may have a reason to switch it."""
    stand, _, port = with_port()
    await rested(stand)
    task = stand.give(NAME, task=Task.START)
    stand.machines[NAME].power_on()
    await stand.until(task.done, within_s=200.0)

    assert stand.phase(NAME) is Phase.RUNNING
    assert port.asked == []


async def test_cut_that_a_restart_interrupts_is_carried_through_without_another_stop() -> None:
    """A cut in doubt is cut again, which is harmless; its stop had failed long before."""
    stand, first, port = with_port()
    first.always[Act.STOP] = machines.refuse
    stand.give(NAME, within_s=120.0)
    await stand.until(lambda: "cut" in begun(stand.keeper.events, NAME), within_s=200.0)
    await stand.conductor.close()
    opened = stand.state.devices[NAME].order
    assert opened is not None and ("cut", None) in opened.steps
    stops = begun(stand.keeper.events, NAME).count("stop")
    stand().resume(opened)
    await stand.until(lambda: stand.phase(NAME) is Phase.AT_REST, within_s=200.0)

    assert begun(stand.keeper.events, NAME).count("stop") == stops
    assert not port.is_on
    assert [one.acts for one in owed_changes(stand.site, stand.state)] == [("quiesced", "cut")]


def on_cabinet() -> tuple[Bench, Scripted, Port]:
    """The same behind a unit of which nothing is known yet, as on battery."""
    stand, first, port = with_port()
    device = replace(SLIP, feeds=("cabinet",))
    stand.site = replace(stand.site, units={"cabinet": CABINET}, devices={NAME: device})
    stand.state = initial(stand.site)
    stand()
    return stand, first, port


def mains_returns(stand: Bench) -> None:
    """Have the unit be known to be on mains."""
    back = UnitState(supply=Supply.MAINS, mains_at=stand.clock.monotonic(), heard_at=1.0)
    stand.state = replace(stand.state, units={"cabinet": back})


async def test_mains_that_is_back_while_it_was_quiesced_leaves_its_power_on() -> None:
    """A cut would save nothing then, and darken what runs."""
    stand, first, port = on_cabinet()
    first.always[Act.STOP] = machines.silent
    task = stand.give(NAME, within_s=60.0, why=LATEST, in_short=True)
    await stand.until(lambda: "quiesce" in begun(stand.keeper.events, NAME), within_s=200.0)
    mains_returns(stand)
    await stand.until(task.done, within_s=200.0)

    assert stand.phase(NAME) is Phase.GIVEN_UP
    assert Act.STOP not in port.asked
    assert "not cut, since mains is back" in endings(stand.keeper.events)[NAME][1]


async def test_cut_that_never_took_effect_is_not_gone_on_with_once_mains_is_back() -> None:
    """The agent was away meanwhile; a cut in doubt is another matter."""
    stand, first, port = on_cabinet()
    first.always[Act.STOP] = machines.refuse
    port.verdict = Verdict.NO_ANSWER
    stand.give(NAME, within_s=120.0)
    cut = ("cut", Verdict.NO_ANSWER.value)
    await stand.until(lambda: cut in ended(stand.keeper.events, NAME), within_s=200.0)
    await stand.conductor.close()
    opened = stand.state.devices[NAME].order
    assert opened is not None and "cut" not in opened.told
    port.verdict = Verdict.DONE
    mains_returns(stand)
    stand().resume(opened)
    await stand.until(lambda: stand.phase(NAME) is Phase.GIVEN_UP, within_s=200.0)

    assert port.is_on


CAMERA = Device(
    NAME, Role.CAMERA, stop_s=20.0, settle_s=10.0, cut_s=10.0, starts=Starts.BY_ITSELF, start_s=30.0
)


@pytest.mark.parametrize(
    ("why", "phase"),
    [
        (LATEST, Phase.GIVEN_UP),
        (Reason("gives_way", "its watts are worth more elsewhere"), Phase.AT_REST),
        (Reason(BY_HAND, "somebody asked"), Phase.AT_REST),
    ],
)
async def test_camera_is_cut_to_save_load_and_not_because_the_battery_ends(
    why: Reason, phase: Phase
) -> None:
    """At the end a cut saves nothing, and leaves it dark once power comes."""
    stand, first, _ = with_port(CAMERA)
    first.always[Act.STOP] = machines.refuse
    await rested(stand, why=why)

    assert stand.phase(NAME) is phase
