"""Which orders to rest are not wanted any more."""

from __future__ import annotations

from dataclasses import replace

from policies.events import OrderGiven
from policies.model import Device, Order, Reason, Role, Site, Task
from policies.state import SiteState, fold
from policies.withdraw import unwanted
from tests.policies.sites import CABINET, RECORDER, Run, on_mains

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


def why(site: Site) -> str:
    state = given(site)
    opened = state.devices["loft desk"].order
    assert opened is not None
    return unwanted(site, state, opened)


def test_mains_behind_all_that_a_device_uses_takes_its_order_back() -> None:
    """A recorder that was told nothing yet need not stop for an outage that is over."""
    site = Site("yard", {"cabinet": CABINET, "loft": LOFT}, {"loft desk": DESK})

    assert "mains is back" in why(site)


def test_an_order_for_the_sake_of_the_agents_own_end_stands() -> None:
    """Its box is about to lose its power, and nobody could tell the desk anything after that.

    Taken back, the order would be given again at once, without end.
    """
    box = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",))
    devices = {d.name: d for d in (RECORDER, DESK, box)}
    site = Site("yard", {"cabinet": CABINET, "loft": LOFT}, devices)

    assert why(site) == ""
