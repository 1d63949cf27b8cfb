"""A box or a unit that is not the one that was commissioned: it is only watched."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.by_hand import start_plan, stop_plan
from policies.drill import refusal
from policies.events import IdentityPinned, WatchOnlySet
from policies.identity import (
    ATTACHED_MOST,
    Pins,
    box_trouble,
    mark_of,
    mark_trouble,
    unit_trouble,
    why_it_only_watches,
    with_mark,
)
from policies.model import BatteryStatus, OutputControl
from policies.output_state import OutputPhase, OutputState
from policies.state import fold
from tests.policies.sites import CABINET, Run, on_battery, on_mains, site_of

OURS, OTHER = "5f0c119a3e77" + "0" * 20, "81b642f96a03" + "0" * 20
PINS = Pins(OURS, {"cabinet": "80001f8801"}, "ana")
WHY = WatchOnlySet(0.0, "box", "this is not the box that was commissioned")


def test_what_is_as_it_was_pinned_is_no_trouble() -> None:
    """Nor is a site that nobody commissioned, or what does not tell."""
    assert box_trouble(PINS, OURS) == ""
    assert box_trouble(None, OTHER) == ""
    assert box_trouble(Pins(""), OTHER) == ""
    assert unit_trouble(PINS, "cabinet", "80001f8801") == ""
    assert unit_trouble(PINS, "cabinet", None) == ""
    assert unit_trouble(PINS, "loft", "80001f8899") == ""


def test_another_box_and_another_unit_are_named() -> None:
    """So that the person who is told knows where to look."""
    assert "not the box" in box_trouble(PINS, OTHER)
    assert "not the box" in box_trouble(PINS, "")
    said = unit_trouble(PINS, "cabinet", "80001f8899")
    assert "80001f8899, not 80001f8801" in said


@pytest.mark.parametrize("own", ["", "gate recorder, yard switch", "x" * 63, "a [lastwatt b]"])
def test_a_mark_stands_beside_what_an_administrator_wrote(own: str) -> None:
    """RFC 1628 section 4.1: upsIdentAttachedDevices has at most 63 characters."""
    text = with_mark(own, OURS)

    assert len(text) <= ATTACHED_MOST
    assert mark_of(text) == OURS[:12]
    assert text.startswith(own[:30].strip())
    assert with_mark(text, OTHER) == with_mark(own, OTHER)


def test_another_agents_mark_is_a_trouble_unless_it_was_passed_over() -> None:
    """Two agents on one unit would both switch its output."""
    attached = with_mark("gate recorder", OTHER)

    assert mark_trouble(PINS, "cabinet", with_mark("", OURS)) == ""
    assert mark_trouble(PINS, "cabinet", "gate recorder") == ""
    assert OTHER[:12] in mark_trouble(PINS, "cabinet", attached)
    assert mark_trouble(None, "cabinet", attached) == ""
    passed = replace(PINS, marks={"cabinet": OTHER[:12]})
    assert mark_trouble(passed, "cabinet", attached) == ""


def outage(*, only_watches: bool, charge: float = 0.05) -> Run:
    """Return a boatyard whose battery is nearly empty."""
    run = Run(site_of())
    if only_watches:
        run.state = fold(run.site, run.state, WHY)
    run.hear(on_mains(0.0))
    run.hear(
        *(
            on_battery(at, 20.0, battery_status=BatteryStatus.LOW, charge=charge)
            for at in (20.0, 30.0, 40.0, 50.0)
        )
    )
    return run


def test_an_agent_that_only_watches_gives_no_order_at_all() -> None:
    """Its battery may be another site's, and so may its recorders."""
    acting, watching = outage(only_watches=False), outage(only_watches=True)

    assert acting.decide().orders
    decision = watching.decide()
    assert (decision.orders, decision.outputs, decision.due) == ((), (), frozenset())


def test_an_output_that_was_armed_by_the_original_is_left_alone_by_a_copy() -> None:
    """Withdrawing its countdown would leave the original's devices dark."""
    unit = replace(CABINET, output=OutputControl())
    run = Run(site_of(units=(unit,)))
    run.hear(*(on_mains(10.0 * n) for n in range(60)))
    armed = OutputState(OutputPhase.ARMED, drops_at=run.now + 100.0, returns_at=run.now + 200.0)
    known = replace(run.state.units["cabinet"], output=armed)
    run.state = replace(run.state, units={"cabinet": known})
    assert [order.unit for order in run.decide().outputs] == ["cabinet"]

    run.state = fold(run.site, run.state, WHY)
    assert not run.decide().outputs


def test_orders_by_hand_and_drills_are_refused_with_the_way_out() -> None:
    """A person too would stop another site's recorder."""
    run = Run(site_of())
    run.hear(*(on_mains(10.0 * n) for n in range(60)))
    run.state = fold(run.site, run.state, WHY)

    for said in (
        stop_plan(run.site, run.state, "desk").refusal,
        start_plan(run.site, run.state, "desk").refusal,
        refusal(run.site, run.state, "desk"),
    ):
        assert "only watches" in said
        assert "lastwatt commission FILE --state DIR --repin" in said


def test_what_is_settled_lets_orders_be_given_again() -> None:
    """One cause at a time, or all at once by somebody's word."""
    run = outage(only_watches=True)
    both = fold(run.site, run.state, WatchOnlySet(1.0, "cabinet", "another unit answers"))
    assert set(both.watches_only) == {"box", "cabinet"}
    assert why_it_only_watches(both.watches_only).count(";") == 1

    one = fold(run.site, both, WatchOnlySet(2.0, "box", ""))
    assert set(one.watches_only) == {"cabinet"}
    pinned = fold(run.site, both, IdentityPinned(3.0, OURS, {"cabinet": "80"}, "ana"))
    assert not pinned.watches_only
    assert pinned.pins == Pins(OURS, {"cabinet": "80"}, "ana")
    run.state = pinned
    assert run.decide().orders
