"""Whether the agent is well is judged by what it did, not by its being there."""

from __future__ import annotations

import math

import pytest

from agent.health import BEGIN_WITHIN_S, SLACK_S, Signs, judge

WELL = Signs(
    now=1000.0, began_at=0.0, due_at={"deciding": math.inf, "the polling of cabinet": 1009.0}
)


def test_agent_whose_loops_are_in_time_is_well() -> None:
    health = judge(WELL)

    assert health.is_well and health.is_turning
    assert health.stuck == health.failing == health.noted == ()


@pytest.mark.parametrize(("late_s", "is_well"), [(SLACK_S, True), (SLACK_S + 1.0, False)])
def test_poll_loop_that_hangs_is_unhealthy(late_s: float, is_well: bool) -> None:
    """The process is there, the page answers, and nobody asks the unit any more."""
    health = judge(Signs(1000.0, 0.0, {"the polling of cabinet": 1000.0 - late_s}))

    assert health.is_well is health.is_turning is is_well
    if not is_well:
        assert health.stuck == ("the polling of cabinet is stuck: it should have turned 1 s ago",)


@pytest.mark.parametrize(("age_s", "is_well"), [(BEGIN_WITHIN_S, True), (61.0, False)])
def test_loop_that_never_turned_has_a_minute_to_begin(age_s: float, is_well: bool) -> None:
    assert judge(Signs(500.0 + age_s, 500.0, {"deciding": None})).is_well is is_well


def test_full_disk_is_no_reason_to_be_ended() -> None:
    """A watchdog that ends an agent over its disk leaves recorders without their stop."""
    health = judge(Signs(1000.0, 0.0, {"deciding": 1000.0}, is_journal_healthy=False))

    assert not health.is_well and health.is_turning
    assert "disk" in health.failing[0]


def test_planning_that_fails_is_told_and_no_reason_to_be_ended() -> None:
    health = judge(Signs(1000.0, 0.0, {"deciding": 1000.0}, has_fallen=True))

    assert not health.is_well and health.is_turning


def test_unit_that_is_silent_is_not_the_agents_fault() -> None:
    """It goes on asking: that is its work."""
    health = judge(Signs(1000.0, 0.0, {"deciding": 1000.0}, lost_at={"cabinet": 880.0}))

    assert health.is_well
    assert health.noted == ("cabinet has not answered for 2 min",)
