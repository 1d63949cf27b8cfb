"""Who is started again once mains is steady, when it is tried once more, and for how long."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import pytest

from policies.comeback import START_RETRIES, starts_now
from policies.model import Battery, Device, Order, Role, Site, Starts, Unit
from policies.runtime import LoadStep
from policies.scene import Scene
from policies.state import DeviceState, Phase, SiteState, listed_load_w
from policies.supply import Supply, UnitState, belief_of
from policies.timeline import timeline

CABINET = Unit("cabinet", 1000, 700, Battery(watt_hours=300))
FIRST = Device(
    "first recorder", Role.RECORDER, 40, 40, ("cabinet",), worth=9.0, stop_s=30.0,
    starts=Starts.BY_ORDER, start_s=90.0,
)  # fmt: skip
SECOND = replace(FIRST, name="second recorder", worth=1.0)
OFF = DeviceState(Phase.AT_REST, is_ours=True)
NOW = 1000.0


def known(device: Device, first: DeviceState) -> tuple[Site, SiteState]:
    """Mains has been steady for long, and the second recorder is at rest."""
    site = Site("yard", {"cabinet": CABINET}, {device.name: device, SECOND.name: SECOND})
    unit = UnitState(Supply.MAINS, mains_at=0.0, heard_at=NOW - 1.0, load_w=50.0)
    return site, SiteState({"cabinet": unit}, {device.name: first, SECOND.name: OFF})


def orders(
    first: DeviceState = OFF,
    *,
    device: Device = FIRST,
    held: Collection[str] = (),
    due: Collection[str] = (),
) -> list[Order]:
    site, state = known(device, first)
    course = timeline(site, state, {}, NOW)
    return starts_now(Scene(site, state, {}, NOW, course), held=held, due=due)


def started(first: DeviceState = OFF, **others: Collection[str]) -> list[str]:
    return [order.device for order in orders(first, **others)]  # type: ignore[arg-type]  # by case


def test_both_are_started_what_is_worth_more_first() -> None:
    """Nothing stands in the way."""
    assert started() == [FIRST.name, SECOND.name]


@pytest.mark.parametrize("first", [replace(OFF, is_ours=False), replace(OFF, by_hand=True)])
def test_what_somebody_else_stopped_stays_off_and_holds_up_nobody(first: DeviceState) -> None:
    """Somebody may be at work inside it; the next recorder has nothing to do with that."""
    assert started(first) == [SECOND.name]


def test_no_touch_load_is_left_alone_and_holds_up_nobody() -> None:
    """It is not ours to start, whatever the journal says of it."""
    found = orders(device=replace(FIRST, no_touch=True))

    assert [order.device for order in found] == [SECOND.name]


def test_what_is_due_to_rest_is_not_started() -> None:
    """It would be told both in one breath."""
    assert started(due={FIRST.name}) == [SECOND.name]


def test_nothing_is_started_behind_an_output_about_to_drop() -> None:
    """Its power goes in a moment."""
    assert started(held={"cabinet"}) == []


@pytest.mark.parametrize(
    ("failed_s", "attempts", "is_tried"),
    [
        (110.0, 1, False),
        (125.0, 1, True),
        (125.0, START_RETRIES - 1, True),
        (125.0, START_RETRIES, False),
    ],
)
def test_start_that_failed_is_tried_again_after_two_minutes_and_not_for_ever(
    failed_s: float, attempts: int, is_tried: bool
) -> None:
    """A disk check takes its time; after three tries somebody has to go there."""
    failed = DeviceState(Phase.NEEDS_HAND, is_ours=True, since_at=NOW - failed_s, attempts=attempts)

    assert (FIRST.name in started(failed)) is is_tried


@pytest.mark.parametrize(
    ("starts", "start_s", "given_s"),
    [
        (Starts.BY_ORDER, 90.0, 150.0),
        (Starts.BY_ITSELF, 90.0, 360.0),  # whoever switches it on has to walk there
        (Starts.BY_ITSELF, 600.0, 660.0),
    ],
)
def test_start_is_given_its_time_and_a_minute(
    starts: Starts, start_s: float, given_s: float
) -> None:
    """Called missing sooner, it would be sent for while it boots."""
    order = orders(device=replace(FIRST, starts=starts, start_s=start_s))[0]

    assert order.deadline_at == NOW + given_s


@pytest.mark.parametrize(("share", "is_ready"), [(0.45, True), (0.55, False)])
def test_without_a_charge_the_battery_must_last_for_twice_the_longest_stop(
    share: float, is_ready: bool
) -> None:
    """Mains may fail again while they boot; once is not enough for what is only a lower bound."""
    site, state = known(FIRST, OFF)
    belief = belief_of(CABINET, state.units["cabinet"], NOW)
    course = [LoadStep(0.0, listed_load_w(site, state, "cabinet"))]
    lasts_s = belief.end_after_s(course, belief.bound_quantile)

    found = orders(device=replace(FIRST, stop_s=share * lasts_s))
    assert bool(found) is is_ready


PORT = Device(
    "slipway camera", Role.CAMERA, 7, 7, ("yard switch",), needs=("old recorder",), stop_s=5.0,
    is_cut=True, starts=Starts.BY_ORDER, start_s=60.0,
)  # fmt: skip
SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",))
OLD = replace(FIRST, name="old recorder", feeds=("yard switch",), starts=Starts.BY_HAND)


@pytest.mark.parametrize(
    ("switch", "recorder", "is_on"),
    [
        (
            Phase.RUNNING,
            DeviceState(Phase.NEEDS_HAND, since_at=NOW, is_ours=True, attempts=1),
            True,
        ),
        (Phase.RUNNING, replace(OFF, by_hand=True), True),
        (Phase.RUNNING, DeviceState(Phase.STARTING, is_ours=True), False),
        (Phase.NEEDS_HAND, DeviceState(Phase.NEEDS_HAND, since_at=NOW, is_ours=True), False),
    ],
    ids=["it needs a hand", "it was stopped by hand", "it may come back yet", "no switch either"],
)
def test_port_is_put_on_once_its_recorder_needs_a_hand(
    switch: Phase, recorder: DeviceState, is_on: bool
) -> None:
    """It used to stay dark for as long as nobody switched the recorder on, and nobody was told."""
    site = Site("yard", {"cabinet": CABINET}, {d.name: d for d in (SWITCH, OLD, PORT)})
    devices = {SWITCH.name: DeviceState(switch), OLD.name: recorder, PORT.name: OFF}
    unit = UnitState(Supply.MAINS, mains_at=0.0, heard_at=NOW - 1.0, load_w=50.0)
    state = SiteState({"cabinet": unit}, devices)
    scene = Scene(site, state, {}, NOW, timeline(site, state, {}, NOW))

    assert (PORT.name in [order.device for order in starts_now(scene)]) is is_on
