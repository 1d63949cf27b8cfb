"""A device that no battery stands behind comes back, too."""

from __future__ import annotations

from dataclasses import replace

import pytest

from policies.decide import decide
from policies.model import MAINS_FEED, Battery, Device, Role, Site, Starts, Task, Unit
from policies.state import Phase, SiteState, initial
from policies.supply import Supply, UnitState

PC = Device(
    "office PC", Role.COMPUTER, 80, feeds=(MAINS_FEED,), stop_s=30.0, starts=Starts.BY_ORDER,
    start_s=30.0,
)  # fmt: skip
UNITS = {name: Unit(name, 1000, 700, Battery(watt_hours=300)) for name in ("cabinet", "loft")}
SITE = Site("boatyard", UNITS, {"office PC": PC})
THERE = UnitState(supply=Supply.MAINS, mains_at=100.0, heard_at=400.0)


def started(cabinet: UnitState, loft: UnitState) -> bool:
    known = replace(initial(SITE).devices["office PC"], phase=Phase.AT_REST, is_ours=True)
    state = SiteState({"cabinet": cabinet, "loft": loft}, {"office PC": known})
    return [order.task for order in decide(SITE, state, {}, 401.0).orders] == [Task.START]


def test_device_on_mains_alone_is_started_once_mains_is_steady() -> None:
    """It was stopped since it needs a recorder; it used to stay off for ever."""
    assert started(THERE, THERE)


@pytest.mark.parametrize(
    "other",
    [
        UnitState(supply=Supply.BATTERY, on_battery_at=300.0, heard_at=400.0),
        UnitState(supply=Supply.MAINS, mains_at=390.0, heard_at=400.0),
        UnitState(supply=Supply.MAINS, mains_at=100.0, heard_at=400.0, signs=1),
    ],
)
def test_device_on_mains_alone_waits_for_every_unit_that_tells_of_mains(other: UnitState) -> None:
    """Nobody knows on whose circuit it is."""
    assert not started(THERE, other)


def test_unit_that_tells_nothing_holds_nobody_up() -> None:
    """A dead management card must not keep a PC off."""
    assert started(THERE, UnitState())
    assert not started(UnitState(), UnitState())
