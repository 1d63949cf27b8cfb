"""What is due, and why: what only shows once an order is under way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.belief import Belief
from policies.events import OrderGiven, StepBegan
from policies.model import MAINS_FEED, Device, Order, Role, StopWhen, Task
from policies.runtime import LoadStep
from policies.state import fold
from tests.policies.sites import RECORDER, SWITCH, Run, on_battery, site_of

WISH = replace(RECORDER, path=(), stop_when=StopWhen(on_battery_for_s=60.0))


class Lasts:
    """A belief of so many seconds, whatever the load."""

    bound_quantile = 0.05

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds

    def end_after_s(self, steps: list[LoadStep], quantile: float) -> float:
        return self.seconds


def told(run: Run, lasts_s: float) -> list[Order]:
    belief: Belief = Lasts(lasts_s)  # type: ignore[assignment]  # all that is asked of it
    return list(run.decide({"cabinet": belief}).orders)


def quiescing() -> Run:
    """A recorder that is being quiesced on its owner's wish, with an hour left."""
    run = Run(site_of(WISH))
    run.outage(100.0)
    run.hear(on_battery(165.0, 100.0))
    (order,) = told(run, 3600.0)
    run.state = fold(run.site, run.state, OrderGiven(run.now, "r#1", order))
    begun = StepBegan(run.now, "r#1", WISH.name, "quiesce")
    run.state = fold(run.site, run.state, begun)
    run.hear(on_battery(175.0, 100.0))
    return run


def test_rest_that_hangs_in_quiescing_is_hurried_when_the_battery_collapses() -> None:
    """The order was given with an hour left; a minute and a half is left now, and it must go."""
    run = quiescing()
    assert told(run, 3600.0) == []
    assert told(run, 130.0) == []

    (order,) = told(run, 50.0 + 60.0 + 4.0)
    assert (order.task, order.in_short, order.reason.code) == (Task.REST, True, "too_late")


@pytest.mark.parametrize("lasts_s", [114.0, 10.0])
def test_rest_that_has_come_to_its_stop_is_left_to_it(lasts_s: float) -> None:
    """There is nothing left to hurry."""
    run = quiescing()
    begun = StepBegan(run.now, "r#1", WISH.name, "stop")
    run.state = fold(run.site, run.state, begun)

    assert told(run, lasts_s) == []


@pytest.mark.parametrize("first", ["attic camera", "jetty camera"])
def test_what_can_be_told_nothing_hides_nobody_who_uses_the_same_switch(first: str) -> None:
    """A camera without a stop is listed before or after; the recorder must go with its switch."""
    switch = replace(SWITCH, stop_when=StopWhen(on_battery_for_s=1.0))
    camera = Device(first, Role.CAMERA, 5, 5, (switch.name,))
    for devices in ((switch, camera, RECORDER), (switch, RECORDER, camera)):
        run = Run(site_of(*devices))
        run.outage(100.0)

        (order,) = told(run, 3600.0)
        assert (order.device, order.reason.code) == (RECORDER.name, "goes_with")


def test_reason_names_the_time_that_is_kept_in_reserve() -> None:
    """Of three minutes one is kept; the owner reads why a stop comes a minute sooner."""
    run = Run(site_of(replace(RECORDER, path=()), reserve=0.2))
    run.outage(100.0)

    (order,) = told(run, 180.0)
    assert order.reason.code == "latest_safe_start"
    assert order.reason.figures["lower_s"] == pytest.approx(180.0)
    assert order.reason.figures["reserve_s"] == pytest.approx(60.0)


def wished_for(
    wish: StopWhen, *, feeds: tuple[str, ...] = ("cabinet",), charge: float | None = None
) -> str:
    """Why a recorder is told to rest, a minute into an outage with an hour left; "" = it is not."""
    run = Run(site_of(replace(RECORDER, path=(), stop_when=wish, feeds=feeds)))
    run.outage(100.0)
    run.hear(on_battery(160.0, 100.0, charge=charge))
    return "".join(order.reason.code for order in told(run, 3600.0))


@pytest.mark.parametrize(("charge", "why"), [(0.8, ""), (0.2, "charge_below")])
def test_wish_for_a_charge_is_met_below_that_charge_only(charge: float, why: str) -> None:
    """Stopped at once, the recorder would lose an hour that its owner gave it."""
    assert wished_for(StopWhen(charge_below=0.3), charge=charge) == why


@pytest.mark.parametrize(("wish_s", "why"), [(60.0, "on_battery_for"), (60.1, "")])
def test_wish_for_a_time_is_met_once_that_time_has_passed(wish_s: float, why: str) -> None:
    """A minute is a minute, counted from when mains failed."""
    assert wished_for(StopWhen(on_battery_for_s=wish_s)) == why


def test_wish_does_not_stop_what_mains_still_feeds() -> None:
    """Its other plug is on a live circuit; nothing of its own is running out."""
    assert wished_for(StopWhen(on_battery_for_s=1.0), feeds=("cabinet", MAINS_FEED)) == ""
