"""Drills through the engine that carries every order out: one device, stopped and started."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from agent.by_hand.drills import Drills
from agent.grades.grading import Grading
from drivers.base import Act, Repeat
from policies.events import (
    GradeEarned,
    GradeVoided,
    OrderGiven,
)
from policies.grades import Grade
from policies.model import Device, Role, Starts
from policies.state import Phase, SiteState
from tests.agent import machines
from tests.agent.attended import STEADY_S, Attended, Heard
from tests.agent.benches import begun, notices
from tests.agent.machines import REST_ACTS
from tests.agent.yards import ACTS, DESK, RECORDER, SWITCH

GATE, YARD = "gate recorder", "yard switch"
BOX = Device("box", Role.AGENT_BOX, 4, 4, ("cabinet",))
Acts = Mapping[Act, Repeat]
TODAY = date(2026, 6, 1)
PROBED = {**REST_ACTS, Act.PROBE: Repeat.SAFE}
FILE = dict.fromkeys((GATE, YARD, "desk", "box"), "as it was")
"""Fingerprints of what the file says."""


class Drilled(Attended):
    """The boatyard, and somebody who drills a device of it."""

    drills: Drills
    grading: Grading
    settings: dict[str, str] = FILE

    async def attend(self, state: SiteState | None = None) -> None:
        await super().attend(state)
        self.grading = Grading(
            self.engine, clock=self.clock, today=lambda: TODAY, settings=self.settings
        )
        self.drills = Drills(
            self.engine,
            self.hands,
            self.drivers,
            file_site=self.site,
            clock=self.clock,
            standing=self.grading.standing,
            settings=self.settings,
        )
        assert isinstance(self.heard, Heard)
        self.heard.others += [self.grading.hear, self.drills.hear]
        self._watching.append(asyncio.create_task(self.grading.run(), name="grades"))
        await self.clock.advance(1.0)

    async def leave(self) -> None:
        await self.drills.close()
        await super().leave()

    async def ask(self, name: str, **more: Any) -> dict[str, Any]:
        asks = {**self.hands.asks, **self.drills.asks}
        asking = asyncio.ensure_future(asks[name]({"ask": name, **more}))
        await self.until(asking.done, within_s=30.0, step_s=0.1)
        return asking.result()

    async def drill(self, device: str, **more: Any) -> dict[str, Any]:
        """Drill a device to the end, and return what was found."""
        answer = await self.ask("drill", device=device, who="ana", **more)
        assert "job" in answer, answer
        for _ in range(1000):
            found = await self.ask("drilled", job=answer["job"])
            if found["done"]:
                return found
            await self.clock.advance(1.0)
        raise AssertionError("it has no end")

    def earned(self, device: str) -> list[tuple[str, date]]:
        return [
            (e.grade, e.on)
            for e in self.keeper.events
            if isinstance(e, GradeEarned) and e.device == device
        ]


def yard_with(*devices: Device, **acts: Any) -> Drilled:
    return Drilled(*devices, acts={**ACTS, GATE: PROBED, **acts})


async def refused(yard: Drilled, device: str, **more: Any) -> str:
    answer = await yard.ask("drill", device=device, who="ana", **more)
    assert (answer["ok"], answer["refused"]) == (False, True), answer
    assert not yard.keeper.of(OrderGiven) or yard.mains_failed_at or more.get("busy")
    return str(answer["error"])


async def test_drill_stops_and_starts_the_device_measures_it_and_earns_its_grade() -> None:
    """What a year of planning rests on: it went, it came back, and how long that takes."""
    yard = yard_with()
    await yard.attend()
    found = await yard.drill(GATE)

    assert begun(yard.keeper.events, GATE) == [
        "quiesce", "confirm_quiesced", "stop", "confirm_gone", "start", "confirm_running",
    ]  # fmt: skip
    assert (found["drilled"], found["rest"], found["start"]) == (True, "at rest", "running")
    assert yard.machines[GATE].is_on
    assert yard.earned(GATE) == [("drilled", TODAY)]
    assert yard.grading.standing(GATE).sentence == "drilled 2026-06-01"
    assert found["gap_s"] > 0.0
    assert {e.order.reason.code for e in yard.keeper.events if isinstance(e, OrderGiven)} == {
        "drill"
    }
    assert yard.machines["desk"].is_on and not yard.machines["desk"].received
    await yard.leave()


async def test_what_a_drill_measures_is_what_the_machine_took_and_what_is_learnt() -> None:
    """A stop of 24 s where the file says 20: the planner must know of it before the outage does."""
    yard = yard_with()
    yard.machines[GATE].stop_s = 24.0
    await yard.attend()
    found = await yard.drill(GATE)

    stages = {stage["stage"]: stage for stage in found["stages"]}
    assert stages["stop"]["measured_s"] == pytest.approx(24.0, abs=2.0)
    assert (stages["stop"]["file_s"], stages["stop"]["longer"]) == (20.0, True)
    assert stages["start"]["measured_s"] == pytest.approx(30.0, abs=2.0)
    assert stages["start"]["longer"] is False
    assert yard.engine.site.devices[GATE].stop_s == pytest.approx(stages["stop"]["measured_s"])
    assert stages["stop"]["planned_s"] == stages["stop"]["measured_s"]
    steps = {step["act"]: step for step in found["steps"]}
    assert list(steps) == [
        "quiesce", "confirm_quiesced", "stop", "confirm_gone", "start", "confirm_running",
    ]  # fmt: skip
    assert steps["confirm_gone"]["took_s"] == pytest.approx(34.0, abs=2.0), "with its silence"
    await yard.leave()


async def test_without_a_proven_way_back_there_is_no_drill_unless_somebody_is_on_site() -> None:
    """A recorder that nobody can start would cost a journey, and a night's recordings."""
    by_hand = replace(RECORDER, starts=Starts.BY_HAND)
    no_start: Acts = {act: how for act, how in REST_ACTS.items() if act is not Act.START}
    yard = Drilled(SWITCH, by_hand, acts={**ACTS, GATE: no_start})
    await yard.attend()
    assert "--on-site" in await refused(yard, GATE)

    answer = await yard.ask("drill", device=GATE, on_site=True, preview=True)
    assert answer["way_back"] == "somebody is on site, who can start it"
    assert any("somebody has to, at the device" in line for line in answer["cautions"])
    drilling = asyncio.ensure_future(yard.drill(GATE, on_site=True))
    await yard.until(lambda: yard.phases[GATE] is Phase.STARTING, within_s=200.0)
    yard.machines[GATE].power_on()
    await yard.until(drilling.done, within_s=400.0)
    assert drilling.result()["drilled"]

    shown = await yard.ask("drill", device=GATE, preview=True)
    assert shown["way_back"].startswith("it was drilled 2026-06-01"), "the drill proved it"
    await yard.leave()


async def test_a_start_that_does_not_answer_proves_nothing() -> None:
    """What is to start it refuses us: then it would stay dark."""
    yard = yard_with()
    yard.scripted[GATE].always[Act.PROBE] = machines.refuse
    await yard.attend()
    assert "does not answer as it should" in await refused(yard, GATE)
    await yard.leave()


async def test_no_drill_reaches_what_must_stay_or_carries_others() -> None:
    """No-touch, the agent's own box, and whatever others hang on, are left alone."""
    alarm = Device("alarm", Role.OTHER, 5, 5, ("cabinet",), no_touch=True)
    yard = Drilled(SWITCH, RECORDER, DESK, alarm, BOX, acts={**ACTS, "alarm": {}, "box": {}})
    await yard.attend()
    assert "no-touch" in await refused(yard, "alarm", on_site=True)
    assert "lastwatt runs on" in await refused(yard, "box", on_site=True)
    assert "feeds or carries gate recorder and desk" in await refused(yard, YARD, on_site=True)
    await yard.leave()


async def test_no_drill_begins_on_battery_or_beside_another_order() -> None:
    """An outage needs every device as it is, and one order at a time is one to look after."""
    yard = yard_with()
    await yard.attend()
    stopping = asyncio.ensure_future(yard.order("stop", "desk"))
    await yard.until(lambda: yard.phases["desk"] is Phase.RESTING, within_s=10.0, step_s=0.1)
    assert "under way for desk" in await refused(yard, GATE, busy=True)
    await yard.until(stopping.done, within_s=200.0)
    yard.fail_mains()
    await yard.clock.advance(30.0)
    assert "no drill in an outage" in await refused(yard, GATE)
    await yard.leave()


async def test_an_outage_in_mid_drill_is_an_outage_and_the_device_comes_back_after_it() -> None:
    """It must not be started on battery, nor be left dark when mains is back."""
    yard = yard_with()
    await yard.attend()
    drilling = asyncio.ensure_future(yard.drill(GATE))
    await yard.until(lambda: yard.machines[GATE].told(Act.STOP) == 1, within_s=100.0)
    yard.fail_mains()
    await yard.until(drilling.done, within_s=400.0)
    found = drilling.result()
    assert (found["drilled"], found["start"]) == (False, "")
    assert "an outage came between" in found["evidence"]
    assert not yard.machines[GATE].is_on

    yard.return_mains()
    await yard.clock.advance(STEADY_S)
    assert yard.machines[GATE].is_on
    await yard.leave()


async def test_an_agent_killed_in_mid_drill_brings_the_device_back() -> None:
    """Nobody is left to give the drill's second order; the site must not stay as it is."""
    yard = yard_with()
    await yard.attend()
    await yard.ask("drill", device=GATE, who="ana")
    await yard.until(lambda: yard.machines[GATE].told(Act.STOP) == 1, within_s=100.0)
    state = yard.engine.state
    await yard.kill()
    await Attended.attend(yard, state)
    await yard.clock.advance(STEADY_S)

    assert yard.machines[GATE].is_on
    assert yard.phases[GATE] is Phase.RUNNING
    await Attended.leave(yard)


async def test_a_recorder_that_does_not_come_back_earns_nothing_and_is_said_loudly() -> None:
    """The worst that a drill can find; it found it with somebody there."""
    yard = yard_with()
    yard.scripted[GATE].always[Act.START] = machines.lie
    await yard.attend()
    found = await yard.drill(GATE)

    assert (found["drilled"], found["start"]) == (False, "failed")
    assert yard.earned(GATE) == []
    assert any("was not drilled through" in text for text in notices(yard.keeper.events))
    await yard.leave()


async def test_an_outage_that_is_seen_through_earns_the_same_grade() -> None:
    """A real orderly stop and return shows as much as a drill; one nobody could see does not."""
    blind: Acts = {act: how for act, how in REST_ACTS.items() if act is not Act.CONFIRM_RUNNING}
    yard = Drilled(acts={**ACTS, "desk": blind})
    await yard.attend()
    await yard.outage_and_return()

    assert yard.earned(GATE) == [("drilled", TODAY)]
    assert yard.earned("desk") == []
    await yard.leave()


async def test_other_settings_in_the_file_void_what_was_shown_with_the_old() -> None:
    """The recorder was replaced, and its address with it: nobody has drilled that one."""
    yard = yard_with()
    await yard.attend()
    await yard.drill(GATE)
    state = yard.engine.state
    await yard.kill()
    yard.settings = {**FILE, GATE: "another address"}
    await yard.attend(state)

    assert [e.grade for e in yard.keeper.events if isinstance(e, GradeVoided)] == ["drilled"]
    assert any("counts as drilled no longer" in text for text in notices(yard.keeper.events))
    assert yard.grading.standing(GATE).grade is Grade.PLANNED
    await yard.leave()


async def test_a_file_that_the_agent_does_not_run_by_is_refused() -> None:
    """Whoever edited the file would drill what they see, and the agent what it read."""
    yard = yard_with()
    await yard.attend()
    assert "another version" in await refused(yard, GATE, settings="edited since")
    answer = await yard.ask("drill", device=GATE, settings=FILE[GATE], preview=True)
    assert "way_back" in answer
    await yard.leave()


async def test_what_somebody_stops_by_hand_in_mid_drill_stays_so() -> None:
    """They have a hand in it by then: the drill must not start it under that hand."""
    yard = yard_with()
    await yard.attend()
    drilling = asyncio.ensure_future(yard.drill(GATE))
    await yard.until(lambda: yard.phases[GATE] is Phase.RESTING, within_s=30.0, step_s=0.1)
    assert (await yard.ask("stop", device=GATE, who="bo"))["job"]
    await yard.until(drilling.done, within_s=200.0)
    await yard.clock.advance(STEADY_S)

    assert not drilling.result()["drilled"]
    assert not yard.machines[GATE].is_on
    await yard.leave()


async def test_a_probe_that_was_let_in_is_noted_for_the_settings_it_had() -> None:
    """A login is checked for what the file says now; a probe by an older file shows nothing."""
    yard = yard_with()
    await yard.attend()
    told = {GATE: FILE[GATE], "desk": "an older file's"}
    assert await yard.grading.asks["probed"]({"devices": told}) == {"noted": [GATE]}
    await yard.clock.advance(1.0)

    assert (yard.earned(GATE), yard.earned("desk")) == ([("login checked", TODAY)], [])
    await yard.leave()


async def test_an_order_gone_through_dry_is_a_rehearsal_and_no_drill() -> None:
    """Nothing was sent: the owner must not take it for more."""
    yard = yard_with(SWITCH, RECORDER, replace(DESK, dry_run=True))
    await yard.attend()
    yard.fail_mains()
    await yard.until(lambda: yard.phases["desk"] is Phase.AT_REST, within_s=200.0)

    assert yard.earned("desk") == [("rehearsed", TODAY)]
    await yard.leave()
