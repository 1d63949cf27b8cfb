"""Notices get out before their way does: held stops, on machines that obey."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.hold import PathHold
from agent.notices.notices import Notices, Way
from agent.notices.rules import Rules
from agent.notices.story import Story
from policies.events import Event, NoticeRaised, OrderClosed, OrderGiven
from policies.model import Device, Order, Role, Task
from policies.state import Phase
from policies.telling import Topic, hold_until_at
from policies.timeline import Slot, Timeline
from policies.way_out import first_of, way_out_of
from tests.agent.benches import WHY
from tests.agent.notices.telling import ZONE
from tests.agent.yards import AFTER_A_MINUTE, CABINET, CAMERA, DESK, RECORDER, SWITCH, Yard
from tests.policies.sites import Run, site_of

HELD_S = 20.0
ROUTER = Device(
    "router", Role.ROUTER, 8, 8, ("cabinet",), ("yard switch",), stop_s=5.0, settle_s=5.0,
    stop_when=AFTER_A_MINUTE,
)  # fmt: skip
WAY = frozenset({"yard switch"})


def yard_of(*devices: Device, waits: Any = lambda: True, **site: Any) -> Yard:
    """A boatyard whose notices go through its switch, and wait as long as *waits* says."""
    yard = Yard(*devices, **{"way_out": WAY, "notices_s": HELD_S, **site})
    yard.hold = PathHold(yard.site, waits=waits)
    return yard


async def rested(yard: Yard) -> dict[str, float]:
    """Fail mains; return when each device was ordered to rest, once all are at rest."""
    if not hasattr(yard, "engine"):
        yard.start()
    await yard.clock.advance(25.0)
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=600.0)
    given = {e.order.device: e.at for e in yard.heard if isinstance(e, OrderGiven)}
    await yard.stop()
    return given


async def switch_at(waits: Any, **site: Any) -> float:
    return (await rested(yard_of(waits=waits, **site)))["yard switch"]


async def test_switch_waits_so_long_for_notices_and_no_longer() -> None:
    """A receiver that nobody can reach must not cost the battery."""
    free_at = await switch_at(lambda: False)

    assert await switch_at(lambda: True) == pytest.approx(free_at + HELD_S, abs=0.1)


async def test_switch_goes_on_the_moment_that_the_last_notice_is_out() -> None:
    """What is out need not be waited for."""
    free_at = await switch_at(lambda: False)
    is_out: list[bool] = []
    yard = yard_of(waits=lambda: not is_out)

    async def get_out() -> None:
        await yard.clock.sleep(free_at + 6.0 - yard.clock.monotonic())
        is_out.append(True)
        yard.engine.wake()

    yard.start()
    getting = asyncio.create_task(get_out())
    given = await rested(yard)
    await getting
    assert given["yard switch"] == pytest.approx(free_at + 6.0, abs=0.1)


async def test_no_recorder_waits_for_a_notice() -> None:
    """Not even one that notices go through: its switch ports, say."""
    free = await rested(yard_of(waits=lambda: False))
    held = await rested(yard_of(way_out=frozenset({"gate recorder", "desk", "yard switch"})))

    for name in ("gate recorder", "desk"):
        assert held[name] == free[name]


async def test_nothing_waits_once_the_battery_is_low() -> None:
    """Stops in short have no time for anybody's telephone."""

    async def low(waits: Any) -> dict[str, float]:
        wishless = [replace(d, stop_when=None) for d in (SWITCH, RECORDER, DESK)]
        yard = yard_of(*wishless, CAMERA, waits=waits)
        yard.start()
        await yard.clock.advance(25.0)
        yard.fail_mains()
        await yard.clock.advance(60.0)
        yard.low.add("cabinet")
        await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=600.0)
        given = {e.order.device: e.at for e in yard.heard if isinstance(e, OrderGiven)}
        await yard.stop()
        return given

    assert await low(lambda: True) == await low(lambda: False)


async def test_telling_that_fails_holds_nothing() -> None:
    """A fault of ours in telling people must not keep a device from its stop."""
    yard = yard_of()

    def fail(orders: Sequence[Order], course: Timeline, now: float) -> dict[str, float]:
        raise RuntimeError("a fault")

    yard.hold = fail
    free_at = await switch_at(lambda: False)
    assert (await rested(yard))["yard switch"] == free_at


def test_time_is_kept_before_the_first_of_the_way() -> None:
    """Router, then switch: each notice has had its time before the first of them."""
    switch = replace(SWITCH, stop_when=None)
    site = site_of(switch, ROUTER, RECORDER, units=(CABINET,))
    site = replace(site, way_out=frozenset({"router"}), notices_s=HELD_S)

    assert way_out_of(site) == {"router", "yard switch"}
    assert first_of(site) == {"router"}


async def test_what_is_behind_the_first_of_the_way_is_not_held_as_well() -> None:
    """With the router down nothing gets out by the switch, however long that would wait."""
    yard = yard_of(SWITCH, ROUTER, RECORDER, way_out=frozenset({"router"}))
    given = await rested(yard)
    free = await rested(
        yard_of(SWITCH, ROUTER, RECORDER, way_out=frozenset({"router"}), waits=lambda: False)
    )
    (router_at,) = (e.at for e in yard.heard if isinstance(e, OrderClosed) and e.device == "router")

    assert given["router"] == pytest.approx(free["router"] + HELD_S, abs=0.1)
    assert given["yard switch"] == pytest.approx(router_at, abs=1.0)


def test_plan_keeps_the_time_and_the_last_moment_does_not() -> None:
    """What is decided by begins earlier by the time for notices; the bare bound is as it was."""
    wishless = [replace(d, stop_when=None) for d in (SWITCH, RECORDER)]
    plain = site_of(*wishless, units=(CABINET,))
    told = replace(plain, way_out=WAY, notices_s=HELD_S)
    courses = []
    for site in (plain, told):
        run = Run(site)
        run.outage(100.0)
        courses.append(run.decide().timeline)
    before, after = courses

    assert after.bare == before.bare
    for name in ("yard switch", "gate recorder"):
        moved_s = before.planned[name].start_latest_at - after.planned[name].start_latest_at
        assert 0.0 <= moved_s <= HELD_S + 1e-6
    moved_s = before.planned["yard switch"].start_latest_at
    assert moved_s - after.planned["yard switch"].start_latest_at == pytest.approx(HELD_S)


@pytest.mark.parametrize(
    ("due_at", "bare_at", "until_at"),
    [(100.0, 1000.0, 120.0), (100.0, 110.0, 110.0), (100.0, 90.0, 90.0)],
)
def test_hold_ends_at_the_last_safe_moment(due_at: float, bare_at: float, until_at: float) -> None:
    """Invariants stand above telling: no stop begins later than it safely can."""
    site = replace(site_of(SWITCH, units=(CABINET,)), way_out=WAY, notices_s=HELD_S)
    slot = Slot(2000.0, bare_at, 1500.0)
    course = Timeline({}, {}, {"yard switch": slot}, {"yard switch": slot})
    order = Order("yard switch", Task.REST, 1500.0, WHY)

    assert hold_until_at(site, course, order, due_at=due_at) == until_at
    for other in (replace(order, in_short=True), replace(order, task=Task.START)):
        assert hold_until_at(site, course, other, due_at=due_at) == -math.inf


@dataclass(slots=True)
class Outside:
    """A channel that takes a while, as long as the switch carries it."""

    yard: Yard
    takes_s: float
    way: str = "test"
    host: str = "outside"
    got: list[tuple[float, str]] = field(default_factory=list)

    async def send(self, sending: Sending) -> Answer:
        await self.yard.clock.sleep(self.takes_s)
        if not self.yard.machines["yard switch"].is_on:
            return Answer(Verdict.LATER, "no way out", is_heard=False)
        self.got += [(self.yard.clock.monotonic(), letter.text) for letter in sending.letters]
        return Answer(Verdict.TAKEN, "taken")


async def test_all_that_an_outage_has_to_tell_is_out_before_the_switch_stops() -> None:
    """Engine, story, queue and hold together, through a channel that hangs on the switch."""
    yard = yard_of()
    outside = Outside(yard, takes_s=3.0)
    notices = Notices(
        [Way("owner", outside, Rules(batch_s=600.0, together=50))],
        clock=yard.clock,
        zone=ZONE,
        on_out=lambda: yard.engine.wake(),
    )
    to_say: list[NoticeRaised] = []

    def say(severity: str, about: str, text: str, topic: str) -> None:
        to_say.append(NoticeRaised(yard.clock.monotonic(), severity, about, text, topic))

    story = Story(
        yard.site, yard.state, clock=yard.clock, zone=ZONE, say=say, sureness=lambda unit: 0.05
    )
    yard.hold = PathHold(
        yard.site, waits=lambda: notices.waits or bool(to_say), hurry=notices.hurry
    )

    class Heard(list[Event]):
        def append(self, event: Event) -> None:
            super().append(event)
            if isinstance(event, NoticeRaised):
                notices.raise_notice(event)
            story.hear(event, yard.engine.state, yard.engine.decision)

    async def keep_saying() -> None:
        while True:
            await yard.clock.sleep(0.05)
            while to_say:
                await yard.engine.record(to_say.pop(0))

    yard.heard = Heard()
    jobs = [asyncio.create_task(notices.run()), asyncio.create_task(keep_saying())]
    yard.start()
    await rested(yard)
    for job in jobs:
        job.cancel()
    await asyncio.gather(*jobs, return_exceptions=True)

    switch_off_at = yard.stopped_at("yard switch")
    told = [text for at, text in outside.got if at < switch_off_at]
    assert told[0] == "mains has failed: cabinet runs on its battery"
    assert any(text.startswith("an outage has begun: on battery since") for text in told)
    assert any(text.startswith("recording ends at") for text in told)
    assert any(text.startswith("gate recorder: stopping now") for text in told)
    assert any(text.startswith("all at rest: 2 devices") for text in told)
    raised = [e for e in yard.heard if isinstance(e, NoticeRaised) and e.at < switch_off_at]
    assert len(told) == len(raised)
    assert {Topic.OUTAGE, Topic.ALL_AT_REST} <= {e.topic for e in raised}
