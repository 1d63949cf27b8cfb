"""Latest safe starts, worked by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from policies.belief import Drawn, simple_belief
from policies.decide import beliefs_of
from policies.events import LightChanged
from policies.model import Battery, Device, Role, Unit
from policies.night import Light
from policies.runtime import LoadStep
from policies.state import SiteState, dusk_w, fold, initial
from policies.timeline import AT_ONCE, timeline
from tests.policies.sites import CABINET, CAMERA, DESK, RECORDER, SWITCH, Run, site_of


class Fixed:
    """A belief that has read the answer."""

    bound_quantile = 0.05

    def __init__(self, end_s: float) -> None:
        self._end_s = end_s

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        return self._end_s


class Asked(Fixed):
    """It keeps for what course of load it was asked last."""

    asked: tuple[LoadStep, ...] = ()

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        self.asked = tuple(load_steps)
        return super().end_after_s(load_steps, quantile)


def starts(*devices: Device, end_s: float = 1000.0, reserve: float = 0.0) -> dict[str, float]:
    site = site_of(*devices, reserve=reserve)
    found = timeline(site, initial(site), {"cabinet": Fixed(end_s)}, 0.0)
    return {name: slot.start_latest_at for name, slot in found.planned.items()}


def device(name: str, stop_s: float, *needs: str, role: Role = Role.COMPUTER) -> Device:
    return Device(name, role, feeds=("cabinet",), needs=needs, stop_s=stop_s)


def test_chain_is_counted_backwards_from_the_end() -> None:
    """A switch stops last; its recorder's stop must have ended by then (worked by hand)."""
    found = starts(
        device("recorder", 120, "switch"), device("pc", 90, "storage"),
        device("storage", 60, "switch"), device("switch", 10),
    )  # fmt: skip

    assert found == {"switch": 990, "storage": 930, "recorder": 870, "pc": 840}


def test_everything_that_shares_a_follower_waits_for_the_slowest() -> None:
    """With the storage after both, the whole stop takes 120 + 60 + 10 s (worked by hand)."""
    found = starts(
        device("recorder", 120, "storage"), device("pc", 90, "storage"),
        device("storage", 60, "switch"), device("switch", 10),
    )  # fmt: skip

    assert 1000 - min(found.values()) == 190


def test_more_devices_than_places_take_turns() -> None:
    """A hundred recorders cannot all be told in the last minute: 100 at 32 a time take 4 turns."""
    found = starts(*(device(f"recorder {i}", 60) for i in range(100)))

    assert AT_ONCE == 32
    assert min(found.values()) == 1000 - 4 * 60


def test_reserve_is_kept_for_what_holds_data_only() -> None:
    """The owner's reserve of 20 % protects recordings, not a monitor."""
    found = starts(
        device("recorder", 100, role=Role.RECORDER), device("wall", 100, role=Role.MONITOR),
        reserve=0.2,
    )  # fmt: skip

    assert found == {"recorder": 700, "wall": 900}


def test_reserve_is_a_share_of_what_is_left_whatever_the_clock_says() -> None:
    """Taken of the site's time, it would grow for as long as the agent runs."""
    site = site_of(device("recorder", 100, role=Role.RECORDER), reserve=0.2)
    found = timeline(site, initial(site), {"cabinet": Fixed(1000.0)}, 50_000.0)

    assert found.planned["recorder"].start_latest_at == 50_000.0 + 700.0


def test_two_feeds_are_safe_until_both_are_gone() -> None:
    """A recorder with two supplies has the later end."""
    other = Unit("shed", 500, 300, Battery(watt_hours=100))
    both = Device("recorder", Role.RECORDER, feeds=("cabinet", "shed"), stop_s=50)
    site = site_of(both, units=(CABINET, other), reserve=0.0)
    found = timeline(site, initial(site), {"cabinet": Fixed(300), "shed": Fixed(900)}, 0.0)
    assert found.planned["recorder"].start_latest_at == 850

    on_one = timeline(site, initial(site), {"cabinet": Fixed(300)}, 0.0)
    assert math.isinf(on_one.planned["recorder"].start_latest_at)


def test_load_of_a_feed_that_ends_moves_to_the_other() -> None:
    """The second unit carries all of it from then on, and so ends earlier."""
    other = Unit("shed", 1000, 700, Battery(watt_hours=400))
    both = Device("rack", Role.RECORDER, 200, 200, feeds=("cabinet", "shed"), stop_s=50)
    run = Run(site_of(both, units=(CABINET, other)))
    run.outage(100.0, unit="cabinet")
    run.outage(100.0, unit="shed")
    beliefs = {
        name: simple_belief(run.site.units[name], Drawn(), load_w=100.0) for name in run.site.units
    }
    found = timeline(run.site, run.state, beliefs, run.now)

    alone_s = beliefs["shed"].end_after_s([LoadStep(0.0, 100.0)], 0.01)
    doubled_s = beliefs["shed"].end_after_s([LoadStep(0.0, 200.0)], 0.01)
    assert doubled_s < found.unit_lower_s["shed"] < alone_s


@pytest.mark.parametrize("shed_s", [300.0, 500.0])
def test_loads_of_two_feeds_that_end_move_to_the_third_when_each_ends(shed_s: float) -> None:
    """Counted once, or too late, the third would promise time that it has not.

    Where both end at one moment the times still rise, as a belief is promised.
    """
    units = (CABINET, replace(CABINET, name="porch"), replace(CABINET, name="shed"))
    rack = Device("rack", Role.RECORDER, 300, 300, feeds=("cabinet", "porch", "shed"), stop_s=50)
    run = Run(site_of(rack, units=units))
    for unit in units:
        run.outage(100.0, unit=unit.name)
    cabinet = Asked(900.0)
    beliefs = {"cabinet": cabinet, "porch": Fixed(300.0), "shed": Fixed(shed_s)}
    timeline(run.site, run.state, beliefs, run.now)

    first, second, third = cabinet.asked
    assert (first.after_s, second.after_s) == (0.0, 300.0)
    assert third.after_s == pytest.approx(shed_s, abs=0.01)
    assert third.after_s > second.after_s
    assert first.load_w < second.load_w < third.load_w


def test_path_on_a_weaker_unit_brings_the_stop_forward() -> None:
    """A recorder on the large unit must be told while the switch on the small one still runs."""
    small = Unit("porch", 300, 200, Battery(watt_hours=50))
    switch = Device("switch", Role.SWITCH, feeds=("porch",))
    recorder = Device("recorder", Role.RECORDER, feeds=("cabinet",), path=("switch",), stop_s=50)
    site = site_of(switch, recorder, units=(CABINET, small), reserve=0.0)
    found = timeline(site, initial(site), {"cabinet": Fixed(9000), "porch": Fixed(600)}, 0.0)

    assert found.planned["recorder"].start_latest_at == 550


def test_agents_own_box_is_outlived_by_nobody() -> None:
    """Once the agent's box is dark, nobody can be told anything."""
    small = Unit("porch", 300, 200, Battery(watt_hours=50))
    box = Device("box", Role.AGENT_BOX, feeds=("porch",))
    site = site_of(RECORDER, SWITCH, box, units=(CABINET, small), reserve=0.0)
    found = timeline(site, initial(site), {"cabinet": Fixed(9000), "porch": Fixed(600)}, 0.0)

    assert found.planned["gate recorder"].ends_at == 600


@given(st.permutations([SWITCH, CAMERA, RECORDER, DESK]), st.floats(10, 5000))
def test_order_in_the_file_changes_nothing(devices: list[Device], end_s: float) -> None:
    """The same site written in another order is the same site."""
    assert starts(*devices, end_s=end_s) == starts(SWITCH, CAMERA, RECORDER, DESK, end_s=end_s)


@pytest.mark.parametrize("end_s", [60.0, 600.0, 6000.0])
def test_no_stop_overlaps_what_it_uses(end_s: float) -> None:
    """Each stop has ended before that of anything it is fed by, reached through or needs."""
    found = starts(SWITCH, CAMERA, RECORDER, DESK, end_s=end_s)

    for user in (RECORDER, DESK):
        assert found[user.name] + user.rest_s <= found[SWITCH.name]


def test_outage_by_day_reckons_with_the_lights_that_come_on_at_dusk() -> None:
    """An outage at 17:00 runs into the night; the infrared lights draw from the same battery."""
    cameras = [
        replace(CAMERA, name=f"camera {n}", needs=(), watts=5.0, night_watts=12.0) for n in range(6)
    ]
    site = site_of(SWITCH, RECORDER, *cameras)
    by_day = Run(site)
    by_day.outage(1000.0, output_w=70.0)
    now = by_day.now
    dusk = fold(site, by_day.state, LightChanged(now, Light.DAY, until_at=now + 600.0))
    night = fold(site, by_day.state, LightChanged(now, Light.NIGHT))
    beliefs = beliefs_of(site, by_day.state, now)

    def median_s(state: SiteState) -> float:
        return timeline(site, state, beliefs, now).unit_median_s["cabinet"]

    added_w = dusk_w(site, dusk, "cabinet")
    steps = [LoadStep(0.0, 70.0), LoadStep(600.0, 70.0 + added_w)]
    assert added_w > 6 * 7.0
    assert median_s(dusk) == pytest.approx(beliefs["cabinet"].end_after_s(steps, 0.5))
    assert median_s(dusk) < 0.9 * median_s(night)
    assert median_s(night) == median_s(by_day.state), "what is measured by night has them on"
