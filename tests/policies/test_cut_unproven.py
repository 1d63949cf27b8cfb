"""A recorder that may still write is cut only where that saves another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pytest

from policies.cut_unproven import saved_by_cut
from policies.decide import RETRIES
from policies.events import Ending
from policies.model import MAINS_FEED, Device, Role, Starts, StopWhen
from policies.runtime import LoadStep
from policies.scene import RETRY_AFTER_S
from tests.policies.sites import CAMERA, RECORDER, SWITCH, Run, on_battery, on_mains, site_of

OLD = Device(
    "slip recorder", Role.RECORDER, 60, 60, ("cabinet",), worth=5.0, quiesce_s=30.0, stop_s=10.0,
    is_cut=True, starts=Starts.BY_ORDER, start_s=60.0,
)  # fmt: skip
GATE = replace(RECORDER, path=())
STORE = replace(GATE, name="loft store", role=Role.STORAGE)
AT_ONCE = StopWhen(on_battery_for_s=1.0)
NEEDED_S = 10.0 + 50.0 + 60.0 + 5.0
"""What the gate recorder's rest takes: quiesce, stop, silence, margin."""


@dataclass(frozen=True)
class Tank:
    """A battery that gives so many joules, whatever the load."""

    joules: float

    @property
    def bound_quantile(self) -> float:
        return 0.05

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        left, after = self.joules, [step.after_s for step in load_steps[1:]]
        for step, until_s in zip(load_steps, [*after, float("inf")], strict=True):
            lasts_s = left / step.load_w
            if step.after_s + lasts_s <= until_s:
                return step.after_s + lasts_s
            left -= step.load_w * (until_s - step.after_s)
        raise AssertionError("the last step has no end")


def saved(*devices: Device, joules: float, rested: tuple[str, ...] = ()) -> str:
    """Ask at 100 W on battery."""
    run = Run(site_of(*devices))
    run.outage(100.0)
    if rested:
        run.obey()
        run.rest(*rested)
    return saved_by_cut(run.site, run.state, {"cabinet": Tank(joules)}, run.now, "slip recorder")


def least_that_a_cut_reaches_with() -> float:
    """Joules at 100 W for the 15 s of the cut, and at 40 W for the rest of what is needed."""
    return 15.0 * 100.0 + (NEEDED_S - 15.0) * 40.0


def test_recorder_is_cut_whose_watts_keep_the_battery_from_reaching_another() -> None:
    """10 kJ last 100 s at 100 W; with the cut after 15 s they last 227 s."""
    assert "gate recorder needs 2 min 5 s yet" in saved(OLD, GATE, joules=10_000.0)


@pytest.mark.parametrize(("more_j", "is_cut"), [(1.0, True), (-1.0, False)])
def test_cut_after_a_stop_takes_its_own_time_not_the_stop_s(more_j: float, is_cut: bool) -> None:
    """The stop has failed by then: the load falls after the 20 s of the cut and the margin."""
    slow = replace(OLD, is_cut=False, stop_s=300.0, settle_s=60.0, cut_s=20.0)
    least_j = 25.0 * 100.0 + (NEEDED_S - 25.0) * 40.0

    assert bool(saved(slow, GATE, joules=least_j + more_j)) is is_cut


@pytest.mark.parametrize(("more_j", "is_cut"), [(1.0, True), (-1.0, False)])
def test_cut_that_would_not_reach_either_is_not_made(more_j: float, is_cut: bool) -> None:
    """Both would be lost."""
    found = saved(OLD, GATE, joules=least_that_a_cut_reaches_with() + more_j)

    assert bool(found) is is_cut


@pytest.mark.parametrize(("more_j", "is_cut"), [(-1.0, True), (1.0, False)])
def test_recorder_keeps_running_where_the_battery_reaches_all_the_same(
    more_j: float, is_cut: bool
) -> None:
    """Its recording would be harmed for nothing."""
    found = saved(OLD, GATE, joules=NEEDED_S * 100.0 + more_j)

    assert bool(found) is is_cut


def test_nobody_is_saved_who_is_at_rest_already() -> None:
    """What is off needs no watts."""
    gate = replace(GATE, stop_when=AT_ONCE)

    assert not saved(OLD, gate, joules=10_000.0, rested=("gate recorder",))


@pytest.mark.parametrize(("since_s", "is_cut"), [(20.0, True), (100.0, False)])
def test_what_has_passed_of_a_stop_under_way_is_needed_no_more(
    since_s: float, is_cut: bool
) -> None:
    """60 s are left: too few for 105 of its 125 s, enough for the last 25."""
    run = Run(site_of(OLD, replace(GATE, stop_when=AT_ONCE)))
    run.outage(100.0)
    assert "gate recorder" in run.obey()
    tank, now = {"cabinet": Tank(60.0 * 100.0)}, run.now + since_s

    assert bool(saved_by_cut(run.site, run.state, tank, now, "slip recorder")) is is_cut


def test_camera_that_hangs_on_it_does_not_keep_a_recorder_from_being_cut() -> None:
    """Only what holds data itself would be harmed; a camera has nothing to lose."""
    camera = replace(CAMERA, feeds=("cabinet",), needs=("slip recorder",))

    assert saved(OLD, GATE, camera, joules=10_000.0)


def test_recorder_of_less_worth_is_not_saved_by_one_of_more() -> None:
    """The worse loss would be bought with the smaller."""
    assert not saved(replace(OLD, worth=11.0), GATE, joules=10_000.0)


@pytest.mark.parametrize(
    "change",
    [
        {"dry_run": True},
        {"no_touch": True},
        {"role": Role.OTHER},
        {"feeds": (MAINS_FEED,)},
        {"feeds": ("cabinet", MAINS_FEED)},
    ],
)
def test_nothing_is_cut_for_what_cannot_be_saved(change: dict[str, object]) -> None:
    """Rehearsed, never told, without data, or not on this battery."""
    assert not saved(OLD, replace(GATE, **change), joules=10_000.0)  # type: ignore[arg-type]


def test_second_feed_means_that_its_watts_only_move() -> None:
    """A cut at one port would take nothing off the battery."""
    assert not saved(replace(OLD, feeds=("cabinet", MAINS_FEED)), GATE, joules=10_000.0)


def test_recorder_in_the_way_of_a_store_is_cut_when_that_must_begin() -> None:
    """The store's own last moment is 125 s before the end: at 200 s no other try fits before."""
    user = replace(OLD, needs=("loft store",), watts=0.0, night_watts=0.0)

    assert saved(user, STORE, joules=200.0 * 100.0).startswith("loft store can stop only after it")
    assert not saved(user, STORE, joules=600.0 * 100.0)


def test_recorder_that_another_hangs_on_is_never_cut() -> None:
    """It would take that one's power or storage away while it writes."""
    user = replace(GATE, name="loft recorder", feeds=("slip recorder",))

    assert not saved(OLD, GATE, user, joules=10_000.0)


def test_nothing_is_cut_on_mains() -> None:
    """Nothing ends, so nothing is to be saved."""
    run = Run(site_of(OLD, GATE))
    run.hear(on_mains(10.0))

    assert not saved_by_cut(run.site, run.state, {}, run.now, "slip recorder")


def test_cameras_of_a_recorder_that_was_given_up_are_cut() -> None:
    """It goes on running; with nothing to write its disk is idle when its power goes."""
    camera = replace(CAMERA, needs=("slip recorder",), stop_s=10.0, is_cut=True)
    switch = replace(SWITCH, stop_s=None)
    run = Run(site_of(switch, camera, replace(OLD, stop_when=AT_ONCE)))
    run.outage(100.0)
    first = run.obey()
    run.close("slip recorder", Ending.FAILED)
    (order,) = run.decide().orders

    assert first == ["slip recorder"]
    assert (order.device, order.reason.code) == ("slipway camera", "spares_other")


def test_camera_that_another_recorder_still_records_is_not_cut() -> None:
    """What works would be lost for what does not."""
    camera = replace(CAMERA, needs=("slip recorder", "gate recorder"), stop_s=10.0, is_cut=True)
    switch = replace(SWITCH, stop_s=None)
    run = Run(site_of(switch, camera, replace(OLD, stop_when=AT_ONCE), GATE))
    run.outage(100.0)
    run.obey()
    run.close("slip recorder", Ending.FAILED)

    assert not run.decide().orders


@pytest.mark.parametrize("cut", [{}, {"is_cut": False, "cut_s": 10.0}])
def test_recorder_given_up_for_good_is_told_once_more_when_its_cut_saves_another(
    cut: dict[str, object],
) -> None:
    """Its tries were over long before the battery came down; cut first, or as its second way."""
    old = replace(OLD, stop_when=AT_ONCE, **cut)  # type: ignore[arg-type]
    run = Run(site_of(old, GATE))
    run.outage(100.0)
    for _ in range(RETRIES):
        assert run.obey() == ["slip recorder"]
        run.close("slip recorder", Ending.FAILED)
        run.hear(on_battery(run.now + RETRY_AFTER_S, 100.0))
    idle = run.decide({"cabinet": Tank(100_000.0)})
    short = run.decide({"cabinet": Tank(10_000.0)})

    assert not idle.orders
    assert "slip recorder" in [order.device for order in short.orders]


def test_recorder_given_up_for_good_is_left_alone_where_its_cut_saves_nobody() -> None:
    """Without it the other would be as lost."""
    run = Run(site_of(replace(OLD, stop_when=AT_ONCE), replace(GATE, worth=1.0)))
    run.outage(100.0)
    for _ in range(RETRIES):
        run.obey()
        run.close("slip recorder", Ending.FAILED)
        run.hear(on_battery(run.now + RETRY_AFTER_S, 100.0))
    short = run.decide({"cabinet": Tank(10_000.0)})

    assert [order.device for order in short.orders] == ["gate recorder"]
