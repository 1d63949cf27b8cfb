"""Ports that are cut: for whom, when, and never merely because the battery ends."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.events import DeviceSeen, Ending, StepBegan, StepEnded
from policies.model import BatteryStatus, Starts, Task
from policies.state import DeviceState, Phase, fold
from tests.policies.sites import CAMERA, RECORDER, SWITCH, Run, on_battery, on_mains, site_of, tasks

CUT = replace(CAMERA, stop_s=10.0, is_cut=True, starts=Starts.BY_ORDER, start_s=60.0)
OLD = replace(RECORDER, stop_s=None, quiesce_s=60.0, settle_s=0.0, by_writers=True)


def low(run: Run) -> None:
    """The unit says twice that its battery is low."""
    run.outage(100.0)
    run.hear(
        *(on_battery(115.0 + s, 100.0, battery_status=BatteryStatus.LOW) for s in (0.0, 2.0, 4.0))
    )


def test_port_is_not_cut_merely_because_the_battery_ends() -> None:
    """A dark port outlasts the outage and saves nothing: the recorder stops by itself."""
    run = Run(site_of(SWITCH, CUT, RECORDER))
    low(run)

    assert tasks(run.decide()) == [("gate recorder", Task.REST)]


def test_recorder_that_nothing_can_be_told_has_its_cameras_cut_first() -> None:
    """Its writers go, then it rests, then the switch that feeds them may go."""
    run = Run(site_of(SWITCH, CUT, OLD))
    low(run)
    first = run.obey()
    run.rest("slipway camera")
    second = run.obey()
    run.rest("gate recorder")

    assert (first, second, run.obey()) == (["slipway camera"], ["gate recorder"], ["yard switch"])


def test_recorder_that_came_back_by_itself_is_put_back_to_recording_once_mains_is_steady() -> None:
    """Power undid its stop, not its idle recording jobs."""
    kept = replace(RECORDER, path=(), can_restore=True)
    run = Run(site_of(kept))
    low(run)
    run.obey()
    order = run.state.devices["gate recorder"].order
    assert order is not None
    for event in (
        StepEnded(run.now, order.order_id, "gate recorder", "stop", "done", "accepted"),
        StepBegan(run.now, order.order_id, "gate recorder", "quiesce"),
    ):
        run.state = fold(run.site, run.state, event)
    run.close("gate recorder", Ending.AT_REST)
    run.state = fold(run.site, run.state, DeviceSeen(run.now, "gate recorder", "it answers"))
    run.hear(on_mains(300.0), on_mains(301.0))
    early = tasks(run.decide())
    run.hear(on_mains(500.0))

    assert (early, tasks(run.decide())) == ([], [("gate recorder", Task.START)])


@pytest.mark.parametrize(("stop_s", "is_told"), [(5.0, False), (None, True)])
def test_camera_is_told_nothing_for_a_recorder_that_is_off(
    stop_s: float | None, is_told: bool
) -> None:
    """It would be dark for nothing; what was only left alone is written to again, and so told."""
    run = Run(site_of(SWITCH, CUT, replace(OLD, stop_s=stop_s, is_cut=stop_s is not None)))
    low(run)
    known = DeviceState(Phase.AT_REST, since_at=run.now, is_ours=True)
    run.state = replace(run.state, devices={**run.state.devices, "gate recorder": known})

    assert ("slipway camera" in [name for name, _ in tasks(run.decide())]) is is_told
