"""Devices are connected to when an outage begins, before anything is asked of them."""

from __future__ import annotations

from dataclasses import replace

from agent.conduct.readiness import AGAIN_S, TRIES
from drivers.base import Act, Outcome, Repeat, Verdict
from policies.model import StopWhen
from tests.agent.benches import notices
from tests.agent.machines import REST_ACTS, Scripted, refuse, silent
from tests.agent.yards import DESK, RECORDER, SWITCH, Yard

ABLE = {**REST_ACTS, Act.PREPARE: Repeat.SAFE}
LATE = StopWhen(on_battery_for_s=600.0)


def yard() -> Yard:
    """A boatyard whose recorder and desk can be connected to ahead."""
    devices = (replace(device, stop_when=LATE) for device in (SWITCH, RECORDER, DESK))
    return Yard(*devices, acts={"gate recorder": ABLE, "desk": ABLE})


def prepared(site: Yard, name: str) -> list[float]:
    return [at for at, act in site.machines[name].asked if act is Act.PREPARE]


async def in_outage(site: Yard, *, for_s: float) -> Yard:
    site.start()
    await site.clock.advance(30.0)
    assert not prepared(site, "desk"), "nothing is held open on mains"
    site.fail_mains()
    await site.clock.advance(for_s)
    return site


async def test_each_able_device_is_connected_to_as_the_outage_begins() -> None:
    """When the order comes, the connection is there."""
    site = await in_outage(yard(), for_s=30.0)

    assert len(prepared(site, "gate recorder")) == len(prepared(site, "desk")) == 1
    assert not prepared(site, "yard switch"), "its driver cannot"
    assert {act for _, act in site.machines["desk"].received} == {Act.PREPARE}
    await site.stop()


async def test_connections_are_kept_on_until_mains_is_back() -> None:
    """A long outage must not find them let go of."""
    site = await in_outage(yard(), for_s=30.0 + 3 * AGAIN_S)
    assert len(prepared(site, "desk")) == 4

    site.return_mains()
    await site.clock.advance(120.0)
    before = len(prepared(site, "desk"))
    await site.clock.advance(300.0)
    assert len(prepared(site, "desk")) == before
    await site.stop()


async def test_refused_login_is_said_at_once_and_not_tried_again() -> None:
    """An expired password is heard of while there is time; the account is not locked by us."""
    site = yard()
    site.scripted["desk"].always[Act.PREPARE] = refuse
    await in_outage(site, for_s=30.0 + 3 * AGAIN_S)

    assert len(prepared(site, "desk")) == 1
    assert any(said.startswith("desk cannot be told anything: ") for said in notices(site.heard))
    await site.stop()


async def test_silent_device_is_left_alone_after_a_few_tries() -> None:
    """It is asked again by its order, in time."""
    site = yard()
    site.scripted["desk"].always[Act.PREPARE] = silent
    await in_outage(site, for_s=30.0 + 8 * AGAIN_S)

    assert len(prepared(site, "desk")) == TRIES
    assert not any("desk" in said for said in notices(site.heard))
    await site.stop()


async def test_connecting_that_hangs_delays_no_order() -> None:
    """The order is what counts; getting ready for it is a courtesy."""
    site = yard()

    async def hang(driver: Scripted, act: Act, deadline_at: float) -> Outcome:
        await driver.sleep(deadline_at - driver.now)
        return Outcome(act, Verdict.NO_ANSWER, "nothing came")

    for scripted in site.scripted.values():
        scripted.always[Act.PREPARE] = hang
    await in_outage(site, for_s=900.0)

    assert not any(machine.is_on for machine in site.machines.values())
    await site.stop()
