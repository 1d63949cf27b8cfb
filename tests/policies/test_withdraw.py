"""Which orders to rest are not wanted any more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.events import OrderGiven
from policies.model import MAINS_FEED, Device, Order, Reason, Role, Site, Task
from policies.state import OpenOrder, SiteState, fold
from policies.withdraw import unwanted
from tests.policies.sites import CABINET, RECORDER, SWITCH, Run, on_mains

LOFT = replace(CABINET, name="loft")
DESK = Device("loft desk", Role.COMPUTER, 40, 40, ("loft",), stop_s=30.0)


def given(site: Site) -> SiteState:
    """An outage at the cabinet alone, and an order to the desk, which hangs on the loft."""
    run = Run(site)
    run.hear(on_mains(90.0, "loft"))
    run.outage(100.0)
    run.hear(on_mains(113.0, "loft"), on_mains(118.0, "loft"))
    order = Order("loft desk", Task.REST, 400.0, Reason("too_late", "stopping at once."))
    return fold(site, run.state, OrderGiven(120.0, "loft desk#1", order))


def opened_in(state: SiteState) -> OpenOrder:
    opened = state.devices["loft desk"].order
    assert opened is not None
    return opened


def why(site: Site) -> str:
    state = given(site)
    return unwanted(site, state, opened_in(state))


YARD = Site("yard", {"cabinet": CABINET, "loft": LOFT}, {"loft desk": DESK})


def test_mains_behind_all_that_a_device_uses_takes_its_order_back() -> None:
    """A recorder that was told nothing yet need not stop for an outage that is over."""
    assert "mains is back" in why(YARD)


def test_what_somebody_asked_for_by_hand_is_not_taken_back_by_mains() -> None:
    """Whoever asked may have a hand in the machine; the policy's reason may stand beside."""
    state = given(YARD)

    assert unwanted(YARD, state, replace(opened_in(state), by_hand=True)) == ""


@pytest.mark.parametrize(
    ("task", "code"), [(Task.START, "too_late"), (Task.REST, "overload"), (Task.REST, "floor")]
)
def test_mains_takes_back_only_rests_that_were_for_want_of_it(task: Task, code: str) -> None:
    """A unit that is overloaded on mains would carry the same load again, and drop it all."""
    state = given(YARD)
    order = Order("loft desk", task, 400.0, Reason(code, "at once."))

    assert unwanted(YARD, state, replace(opened_in(state), order=order)) == ""


@pytest.mark.parametrize("change", [{"signs": 1}, {"lost_at": 119.0}, {"silent_at": 119.0}])
def test_unit_that_is_not_surely_on_mains_takes_no_order_back(change: dict[str, float]) -> None:
    """It showed mains before it fell silent, or before the reading that says battery again."""
    state = given(YARD)
    loft = replace(state.units["loft"], **change)  # type: ignore[arg-type]  # by case
    state = replace(state, units={**state.units, "loft": loft})

    assert unwanted(YARD, state, opened_in(state)) == ""


def test_what_hangs_on_no_unit_hides_nobody_whose_mains_is_missing() -> None:
    """A desk that can also draw from mains itself still needs the switch on the failed unit."""
    desk = replace(DESK, feeds=("loft", MAINS_FEED), needs=("yard switch",))
    devices = {"loft desk": desk, "yard switch": SWITCH}
    on_failed = Site("yard", {"cabinet": CABINET, "loft": LOFT}, devices)
    elsewhere = {**devices, "yard switch": replace(SWITCH, feeds=("loft",))}

    assert why(on_failed) == ""
    assert "mains is back" in why(replace(on_failed, devices=elsewhere))


@pytest.mark.parametrize("feeds", [(MAINS_FEED,), ("cabinet", MAINS_FEED)])
def test_device_on_mains_is_let_run_once_a_unit_says_that_mains_is_back(
    feeds: tuple[str, ...],
) -> None:
    """The unit behind its other plug does not matter to it; what any unit says of mains does."""
    devices = {"loft desk": replace(DESK, feeds=feeds)}

    assert "mains is back" in why(Site("yard", {"cabinet": CABINET, "loft": LOFT}, devices))


def test_an_order_for_the_sake_of_the_agents_own_end_stands() -> None:
    """Its box is about to lose its power, and nobody could tell the desk anything after that.

    Taken back, the order would be given again at once, without end.
    """
    box = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",))
    devices = {d.name: d for d in (RECORDER, DESK, box)}
    site = Site("yard", {"cabinet": CABINET, "loft": LOFT}, devices)

    assert why(site) == ""
