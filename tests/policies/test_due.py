"""What is due, and why: what only shows once an order is under way."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.belief import Belief
from policies.events import OrderGiven, StepBegan
from policies.model import Order, StopWhen, Task
from policies.runtime import LoadStep
from policies.state import fold
from tests.policies.sites import RECORDER, Run, on_battery, site_of

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
