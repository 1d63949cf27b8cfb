"""Which orders to rest are not wanted any more."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from policies.comeback import battery_is_ready
from policies.events import OrderGiven
from policies.model import MAINS_FEED, Battery, Device, Order, Reason, Role, Site, Task
from policies.reasons import BY_HAND, DRILL, mains_back
from policies.scene import Scene
from policies.state import OpenOrder, SiteState, fold
from policies.supply import Supply
from policies.timeline import timeline
from policies.withdraw import unwanted
from tests.policies.sites import CABINET, RECORDER, SWITCH, Run, on_mains

LOFT = replace(CABINET, name="loft")
NOW = 120.0
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


RETURN = Order("loft desk", Task.START, 400.0, mains_back(120.0))


def returning(*, steady_s: float = 120.0) -> SiteState:
    """The desk, at rest, is told to start: the loft has had mains for so long, and its charge."""
    run = Run(YARD)
    run.hear(on_mains(118.0 - steady_s, "loft"), on_mains(118.0, "loft"))
    return fold(YARD, run.state, OrderGiven(NOW, "loft desk#2", RETURN))


def test_start_is_wanted_while_mains_is_steady() -> None:
    """What was given by the same rule must not be taken back in the same moment."""
    state = returning()

    assert unwanted(YARD, state, opened_in(state)) == ""


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"supply": Supply.BATTERY, "mains_at": None}, "mains is not steady"),
        ({"signs": 1}, "mains is not steady"),
        ({"mains_at": 10.0}, "mains is not steady"),
        ({"reading": on_mains(118.0, "loft", charge=0.1)}, "too empty"),
    ],
    ids=["on battery", "perhaps on battery", "just back", "empty"],
)
def test_start_is_not_wanted_where_it_would_not_be_given(change: dict[str, Any], says: str) -> None:
    """Sent again into the next outage it would boot a recorder onto a battery half empty."""
    state = returning()
    loft = replace(state.units["loft"], **change)
    state = replace(state, units={**state.units, "loft": loft})

    assert says in unwanted(YARD, state, opened_in(state))


def test_start_is_not_taken_back_for_the_load_that_it_adds() -> None:
    """A unit that tells no charge, and a small battery: given and taken back for ever."""
    small = replace(LOFT, battery=Battery(watt_hours=0.1))
    site = replace(YARD, units={"loft": small})
    run = Run(site)
    run.hear(on_mains(-2.0, "loft", charge=None), on_mains(118.0, "loft", charge=None))
    state = fold(site, run.state, OrderGiven(NOW, "loft desk#2", RETURN))
    scene = Scene(site, state, {}, NOW, timeline(site, state, {}, NOW))

    assert not battery_is_ready(scene, ["loft"])
    assert unwanted(site, state, opened_in(state)) == ""


def test_start_is_not_wanted_of_what_is_to_rest() -> None:
    """An overload on mains: what it takes off would come on again."""
    state = returning()

    assert "come to rest" in unwanted(YARD, state, opened_in(state), is_due=True)


@pytest.mark.parametrize("code", [BY_HAND, DRILL])
def test_start_that_somebody_asked_for_stays(code: str) -> None:
    """Who stands beside it knows why it is to run on the battery."""
    state = returning(steady_s=10.0)
    order = replace(RETURN, reason=Reason(code, "somebody asked."))
    opened = replace(opened_in(state), order=order, by_hand=code == BY_HAND)

    assert unwanted(YARD, state, opened, is_due=True) == ""
