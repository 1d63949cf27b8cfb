"""A drill as the journal tells it, event by event: how far it is, and what became of whom."""

from __future__ import annotations

from dataclasses import replace

from agent.commissioning.course import Course, Drill, Stage
from policies.events import (
    AgentStarted,
    DeviceSeen,
    Ending,
    Event,
    OrderClosed,
    OrderGiven,
    OutputArmed,
    OutputDropped,
    StepBegan,
    SupplyJudged,
)
from policies.model import Order, OutputControl, Reason, Site, Task
from policies.supply import Supply
from tests.policies.sites import CABINET, site_of

GATE = "gate recorder"
WITH_OUTPUT = replace(CABINET, output=OutputControl())


def supply(at: float, supply: Supply, unit: str = "cabinet") -> SupplyJudged:
    return SupplyJudged(at, unit, supply, "seen")


def told(at: float, device: str) -> tuple[Event, ...]:
    order = Order(device, Task.REST, at + 60.0, Reason("due", "it is due"))
    begun = StepBegan(at + 1.0, f"{device}#1", device, "stop")
    return OrderGiven(at, f"{device}#1", order), begun


def rested(at: float, device: str, ending: Ending = Ending.AT_REST) -> OrderClosed:
    return OrderClosed(at, f"{device}#1", device, Task.REST, ending, "its port is silent")


def course(*events: Event, drill: Drill = Drill.FULL, site: Site | None = None) -> Course:
    made = Course(site or site_of(), drill)
    for event in events:
        made.hear(event)
    return made


def test_a_full_drill_without_an_output_ends_once_all_that_holds_data_rests() -> None:
    """A desk and a recorder; the switch may still run."""
    begun = [supply(0.0, Supply.BATTERY), *told(5.0, "desk"), *told(6.0, GATE)]
    assert course().stage is Stage.BEFORE
    assert course(*begun).stage is Stage.AWAY
    assert course(*begun, rested(40.0, "desk")).stage is Stage.AWAY
    done = course(*begun, rested(40.0, "desk"), rested(50.0, GATE))
    assert done.stage is Stage.RETURN

    back = course(*begun, rested(40.0, "desk"), rested(50.0, GATE), supply(60.0, Supply.MAINS))
    assert back.stage is Stage.BACK
    assert set(back.waiting_for) == {"desk", GATE}
    back.hear(DeviceSeen(70.0, "desk", "it answers"))
    assert back.waiting_for == (GATE,)


def test_a_full_drill_with_an_output_waits_for_its_drop() -> None:
    """And what came to rest after it was lost."""
    site = site_of(units=(WITH_OUTPUT,))
    begun = [supply(0.0, Supply.BATTERY), *told(5.0, "desk"), *told(6.0, GATE)]
    rest = [rested(40.0, "desk"), rested(50.0, GATE)]
    assert course(*begun, *rest, site=site).stage is Stage.AWAY
    done = course(*begun, *rest, OutputDropped(90.0, "cabinet", "seen"), site=site)
    assert done.stage is Stage.RETURN
    assert (done.lost("desk"), done.lost(GATE)) == ("", "")

    early = [*begun, OutputDropped(45.0, "cabinet", "seen"), *rest]
    assert "dropped before" in course(*early, site=site).lost(GATE)


def test_a_box_that_went_with_the_output_noted_no_drop() -> None:
    """Its next start after the output was armed says so; one before does not."""
    site = site_of(units=(WITH_OUTPUT,))
    begun = [supply(0.0, Supply.BATTERY), *told(5.0, GATE), rested(50.0, GATE)]
    armed = OutputArmed(60.0, "cabinet", 90.0, 150.0, "read back")

    restarted = course(*begun, AgentStarted(55.0, "1", dry_run=False), armed, site=site)
    assert not restarted.dropped
    stages = [restarted.stage]
    restarted.is_dark = True
    stages.append(restarted.stage)
    assert stages == [Stage.AWAY, Stage.RETURN]
    gone = course(*begun, armed, AgentStarted(700.0, "1", dry_run=False), site=site)
    assert gone.dropped == {"cabinet": 700.0}


def test_the_short_drill_wants_mains_while_a_device_stops() -> None:
    """Between two stops it would prove nothing."""
    begun = [supply(0.0, Supply.BATTERY), *told(5.0, "desk")]
    assert course(*begun, drill=Drill.SHORT).stage is Stage.RETURN
    in_time = course(*begun, supply(10.0, Supply.MAINS), drill=Drill.SHORT)
    assert in_time.was_mid_stop
    late = course(*begun, rested(9.0, "desk"), supply(10.0, Supply.MAINS), drill=Drill.SHORT)
    assert not late.was_mid_stop
    assert late.stage is Stage.BACK


def test_what_was_not_brought_to_rest_is_lost_in_the_full_drill_alone() -> None:
    """With mains back in mid-stop, an order that was withdrawn lost nothing."""
    begun = [supply(0.0, Supply.BATTERY), *told(5.0, GATE), rested(70.0, GATE, Ending.FAILED)]
    assert course(*begun).lost(GATE) == "its port is silent"
    assert course(*begun, drill=Drill.SHORT).lost(GATE) == ""
    withdrawn = course(*told(5.0, GATE), rested(8.0, GATE, Ending.WITHDRAWN), drill=Drill.SHORT)
    assert withdrawn.waiting_for == ()


def test_mains_counts_as_back_when_it_is_at_every_unit() -> None:
    """Two units on two circuits, switched one after the other."""
    loft = replace(CABINET, name="loft")
    site = site_of(units=(CABINET, loft))
    off = [supply(0.0, Supply.BATTERY), supply(3.0, Supply.BATTERY, "loft")]
    half = course(*off, supply(60.0, Supply.MAINS), site=site)
    assert half.stage is not Stage.BACK
    half.hear(supply(62.0, Supply.MAINS, "loft"))
    assert (half.stage, half.failed_at, half.mains_at) == (Stage.BACK, 0.0, 62.0)
