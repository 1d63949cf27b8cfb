"""What must always hold, over drawn sites and outages; a failure prints its example."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume, given, settings
from hypothesis import strategies as st

from policies.events import Ending
from policies.graph import graph_of, may_be_stopped
from policies.model import (
    HOLDS_DATA,
    Alarm,
    BatteryStatus,
    Device,
    OutputSource,
    Reading,
    Role,
    Site,
    Task,
)
from policies.state import Phase
from tests.policies.sites import Run, on_battery, on_mains, site_of

ROLES = [Role.RECORDER, Role.STORAGE, Role.COMPUTER, Role.SWITCH, Role.CAMERA, Role.MONITOR]


@st.composite
def sites(draw: st.DrawFn) -> Site:
    """Draw a site without cycles: each device may use only earlier ones."""
    devices: list[Device] = []
    for number in range(draw(st.integers(1, 9))):
        names = [d.name for d in devices]
        some = st.lists(st.sampled_from(names), max_size=2, unique=True) if names else st.just([])
        role = draw(st.sampled_from(ROLES))
        feeds = draw(some) if draw(st.booleans()) else []
        devices.append(
            Device(
                f"device {number}", role, watts=draw(st.floats(1, 100)),
                feeds=tuple(feeds or ["cabinet"]), path=tuple(draw(some)), needs=tuple(draw(some)),
                hold_s=draw(st.sampled_from([0.0, 600.0, 7200.0])), worth=draw(st.floats(0, 10)),
                no_touch=draw(st.integers(0, 9)) == 0,
                quiesce_s=draw(st.sampled_from([None, 5.0])),
                stop_s=draw(st.sampled_from([None, 10.0, 60.0])), settle_s=10.0,
            )
        )  # fmt: skip
    return site_of(*devices)


@st.composite
def odd_readings(draw: st.DrawFn) -> Reading:
    """Draw whatever one poll might say."""
    return Reading(
        "cabinet", 0.0,
        draw(st.sampled_from([None, *OutputSource])),
        draw(st.sampled_from([None, *BatteryStatus])),
        on_battery_s=draw(st.sampled_from([None, 0.0, 5.0, 5000.0])),
        runtime_s=draw(st.sampled_from([None, 0.0, 60.0, 1e6])),
        charge=draw(st.sampled_from([None, 0.0, 0.5, 1.0])),
        output_w=draw(st.sampled_from([None, 0.0, 100.0, 1e6])),
        alarms=draw(st.frozensets(st.sampled_from(list(Alarm)))),
    )  # fmt: skip


@given(sites(), odd_readings())
def test_steady_mains_and_one_odd_reading_give_no_order(site: Site, odd: Reading) -> None:
    """Whatever one reading says, nothing is stopped for it (invariant 1)."""
    run = Run(site)
    run.hear(*(on_mains(10.0 * i) for i in range(5)))
    for reading in (replace(odd, at=50.0), *(on_mains(60.0 + 10 * i) for i in range(5))):
        run.hear(reading)
        assert run.obey() == []


@settings(deadline=None)
@given(sites(), st.randoms(use_true_random=False), st.floats(20, 4000))
def test_outage_is_conducted_in_order(site: Site, chance: object, low_at: float) -> None:
    """No device is told while another still hangs on it, and none that must not be touched.

    Invariants 4 and 11; what ends and how is drawn too.
    """
    run, graph = Run(site), graph_of(site)
    run.outage(100.0)
    for _ in range(200):
        step = run.now + 20.0
        status = BatteryStatus.LOW if step > 100.0 + low_at else BatteryStatus.NORMAL
        run.hear(on_battery(step, 100.0, battery_status=status))
        for order in run.decide().orders:
            device = site.devices[order.device]
            assert may_be_stopped(site, device.name) and not device.no_touch
            for user in graph.users[device.name]:
                state, using = run.state.devices[user], site.devices[user]
                if state.phase is Phase.AT_REST or (
                    using.is_passive and using.role not in HOLDS_DATA and not using.no_touch
                ):
                    continue
                assert device.role in HOLDS_DATA
                is_past_telling = state.phase in (Phase.GIVEN_UP, Phase.RESTING)
                assert is_past_telling or not may_be_stopped(site, user)
        run.obey()
        for name, state in run.state.devices.items():
            if state.order is not None and chance.random() < 0.3:  # type: ignore[attr-defined]  # hypothesis gives a random.Random
                run.close(name, Ending.AT_REST if chance.random() < 0.8 else Ending.FAILED)  # type: ignore[attr-defined]  # as above


@settings(deadline=None, max_examples=60)
@given(sites())
def test_everything_that_may_be_stopped_is_at_rest_before_the_battery_ends(site: Site) -> None:
    """Where nothing fails, nobody is forgotten, on a battery as poor as the bound (invariant 2)."""
    run = Run(site)
    run.outage(100.0, output_w=None)
    decision = run.decide()
    slots = decision.timeline.planned.values()
    assume(all(slot.start_latest_at > run.now for slot in slots))
    began: dict[str, float] = {}
    while (left_s := decision.timeline.unit_lower_s["cabinet"]) > 1.0:
        ends = [at + site.devices[name].rest_s for name, at in began.items()]
        waits_s = (min([decision.wake_at, *ends]) - run.now, left_s - 1.0, 60.0)
        run.hear(on_battery(run.now + max(1.0, min(waits_s)), 100.0, output_w=None))
        for name, at in tuple(began.items()):
            if run.now >= at + site.devices[name].rest_s:
                run.rest(name)
                del began[name]
        decision = run.decide()
        began.update(dict.fromkeys(run.obey(), run.now))
    for name, state in run.state.devices.items():
        if may_be_stopped(site, name) and not _hangs_on_mute(site, name):
            assert state.phase is Phase.AT_REST


def _hangs_on_mute(site: Site, name: str) -> bool:
    """Whether something that nobody can tell, or may touch, keeps the device on."""
    for user in graph_of(site).users[name]:
        device = site.devices[user]
        if device.no_touch or not may_be_stopped(site, user):
            if device.is_passive and device.role not in HOLDS_DATA and not device.no_touch:
                continue
            return True
    return False


@given(sites(), st.integers(0, 2**32))
def test_same_input_gives_the_same_orders(site: Site, _: int) -> None:
    """A rehearsal shows what the live agent would do, because deciding is pure."""
    first, second = Run(site), Run(site)
    for run in (first, second):
        run.outage(100.0)
        run.hear(*(on_battery(200.0 + s, 100.0, battery_status=BatteryStatus.LOW) for s in (0, 2)))

    assert first.decide() == second.decide()


@given(sites())
def test_recorders_are_told_first_and_by_worth(site: Site) -> None:
    """Where time is too short for all, what holds most goes first (invariant 3)."""
    run = Run(site)
    run.outage(100.0)
    run.hear(*(on_battery(200.0 + s, 100.0, battery_status=BatteryStatus.LOW) for s in (0, 2)))
    told = [site.devices[o.device] for o in run.decide().orders if o.task is Task.REST]

    ranks = [(d.role not in HOLDS_DATA, -d.worth) for d in told]
    assert ranks == sorted(ranks)
