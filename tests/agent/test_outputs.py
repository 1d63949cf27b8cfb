"""The engine switches a unit's output: armed last, durable first, withdrawn when it must be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from agent.conduct.outputs import LOOK_EVERY_S
from agent.virtual.control_group import SHUTDOWN, STARTUP, Quirk
from policies.events import (
    NoticeRaised,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
)
from policies.model import Device, OutputControl, OutputSource, Role, Starts, StopWhen
from policies.output_state import OutputPhase
from policies.state import Phase, SiteState, initial
from tests.agent.grouped import Grouped
from tests.agent.yards import ACTS, CABINET, DESK, RECORDER, Yard

UNIT = replace(CABINET, output=OutputControl(drops_after_s=120.0, off_for_s=60.0))
SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",))
BOX = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",))
TOWER = replace(
    DESK, name="tower", stop_when=StopWhen(on_battery_for_s=60.0), starts=Starts.BY_ITSELF
)
NO_ACTS: dict[str, Any] = {**ACTS, "yard switch": {}, "warden": {}}


class Site:
    """The yard, its unit's control group, and an output that follows it."""

    def __init__(self, *quirks: Quirk, more: tuple[Device, ...] = ()) -> None:
        devices = (SWITCH, RECORDER, DESK, BOX, *more)
        self.yard = Yard(*devices, acts=NO_ACTS, units=(UNIT,))
        self.unit = Grouped(self.yard.clock, *quirks)
        self.yard.controls["cabinet"] = self.unit
        self.yard.more["output_w"] = 15.0

    async def ride(self) -> None:
        """Start on mains, and let mains fail."""
        self.yard.start()
        await self.yard.clock.advance(25.0)
        self.yard.fail_mains()

    async def until(
        self, holds: Callable[[], bool], *, within_s: float = 400.0, step_s: float = 1.0
    ) -> None:
        await self.yard.until(holds, within_s=within_s, step_s=step_s)

    def is_phase(self, phase: OutputPhase) -> Callable[[], bool]:
        return lambda: self.phase is phase

    @property
    def phase(self) -> OutputPhase:
        return self.yard.engine.state.units["cabinet"].output.phase

    def of(self, kind: type) -> list[Any]:
        return [event for event in self.yard.heard if isinstance(event, kind)]


async def test_the_output_is_armed_after_the_last_is_at_rest_and_on_record_before() -> None:
    """Armed a moment too early, it would cut a recorder down."""
    site = Site()
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))

    kinds = [type(event) for event in site.yard.keeper.events]
    began = kinds.index(OutputBegan)
    assert all(
        known.phase is Phase.AT_REST
        for name, known in site.yard.engine.state.devices.items()
        if name in ("gate recorder", "desk")
    )
    assert began < kinds.index(OutputArmed)
    assert site.unit.written == [(STARTUP, 180), (SHUTDOWN, 120)]
    assert any("switch its output off" in n.text for n in site.of(NoticeRaised))
    await site.yard.stop()


async def test_a_full_disk_keeps_the_output_on() -> None:
    """After a crash nobody would know that it is armed: only this and cuts wait for the journal."""
    site = Site()
    await site.ride()
    site.yard.keeper.works = False
    await site.until(lambda: bool(site.of(OutputFailed)))
    await site.yard.clock.advance(30.0)

    assert site.unit.written == []
    assert "journal" in site.of(OutputFailed)[0].evidence
    await site.yard.stop()


async def test_mains_that_returns_in_time_withdraws_it_and_devices_start_by_their_own_means() -> (
    None
):
    """The output would drop on good mains: nothing in RFC 1628 withdraws it for us."""
    site = Site()
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))
    site.yard.return_mains()
    await site.until(site.is_phase(OutputPhase.ON), within_s=60.0)

    assert site.unit.written[-2:] == [(SHUTDOWN, -1), (STARTUP, -1)]
    assert site.unit.group.shutdown_at is None
    assert site.of(OutputWithdrawn)
    await site.until(lambda: site.yard.are_all(Phase.RUNNING))
    await site.yard.stop()


async def test_a_device_that_starts_with_its_power_only_has_the_output_cycled() -> None:
    """Withdrawn, the tower would stay dark though mains is back."""
    site = Site(more=(TOWER,))
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))
    site.yard.return_mains()
    await site.yard.clock.advance(100.0)
    assert site.phase is OutputPhase.ARMED
    starts = [act for m in site.yard.machines.values() for _, act in m.received if act == "start"]
    assert starts == [], "nothing is started behind an output that will drop"

    site.yard.more["output_source"] = OutputSource.NONE
    await site.until(site.is_phase(OutputPhase.DROPPED), within_s=60.0)
    del site.yard.more["output_source"]
    await site.until(site.is_phase(OutputPhase.ON), within_s=60.0)

    assert site.of(OutputDropped)
    assert site.of(OutputReturned)
    await site.yard.stop()


async def test_a_countdown_that_cannot_be_withdrawn_is_told_and_kept_in_sight() -> None:
    """Everybody must know that the output will drop on good mains."""
    site = Site(Quirk.UNCANCELLABLE)
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))
    site.yard.return_mains()
    await site.until(site.is_phase(OutputPhase.STUCK), within_s=60.0)

    failed = site.of(OutputFailed)[-1]
    assert failed.drops_at is not None
    assert site.unit.group.startup_at is not None
    assert any("could not be withdrawn" in n.text for n in site.of(NoticeRaised))
    await site.yard.stop()


async def test_a_countdown_lost_with_the_card_is_noticed() -> None:
    """RFC 1628: on some systems a restart of the agent aborts it. All would wait in vain."""
    site = Site(Quirk.FORGETS)
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))
    site.unit.group.card_restarted()
    await site.until(lambda: bool(site.of(OutputWithdrawn)), within_s=3 * LOOK_EVERY_S)

    assert "lost" in site.of(OutputWithdrawn)[0].evidence
    await site.until(lambda: len(site.of(OutputArmed)) == 2, within_s=120.0)
    await site.yard.stop()


async def test_an_agent_killed_amid_arming_looks_first_and_goes_on() -> None:
    """It must neither forget what it set, nor set it anew without looking."""
    site = Site()
    await site.ride()
    await site.until(lambda: (SHUTDOWN, 120) in site.unit.written, step_s=0.05)
    state = site.yard.engine.state
    assert state.units["cabinet"].output.phase is OutputPhase.ARMING
    await site.yard.kill()
    await site.yard.clock.advance(10.0)
    before = list(site.unit.written)

    site.yard.start(state)
    await site.until(site.is_phase(OutputPhase.ARMED), within_s=60.0)

    assert site.unit.written == before
    output = site.yard.engine.state.units["cabinet"].output
    assert output.drops_at is not None
    assert abs(output.drops_at - (site.unit.group.shutdown_at or 0.0)) < 3.0
    await site.yard.stop()


async def test_an_agent_killed_before_the_shutdown_was_set_withdraws_the_rest() -> None:
    """A startup that counts alone does nothing; the output is armed anew once all was looked at."""
    site = Site()
    await site.ride()
    await site.until(lambda: (STARTUP, 180) in site.unit.written, step_s=0.05)
    await site.yard.kill()
    state = site.yard.engine.state
    site.unit.group.shutdown_at = None

    site.yard.start(state)
    await site.until(lambda: bool(site.of(OutputWithdrawn)), within_s=60.0)

    assert site.unit.group.startup_at is None
    assert site.phase is OutputPhase.ON
    await site.yard.stop()


async def test_an_agent_that_wakes_after_the_drop_closes_the_outage_and_drives_the_return() -> None:
    """Its own box lost its power with the rest: the journal tells what happened."""
    site = Site()
    await site.ride()
    await site.until(site.is_phase(OutputPhase.ARMED))
    state: SiteState = site.yard.engine.state
    await site.yard.kill()
    site.yard.return_mains()
    site.unit.group.shutdown_at = site.unit.group.startup_at = None
    await site.yard.clock.advance(3600.0)

    site.yard.start(state)
    await site.until(lambda: bool(site.of(OutputReturned)), within_s=60.0)
    await site.until(lambda: site.yard.are_all(Phase.RUNNING), within_s=600.0)

    assert site.of(OutputDropped)
    assert site.yard.engine.state.outage_at is None
    await site.yard.stop()


async def test_nothing_is_switched_without_control() -> None:
    """A rehearsal has none: it sends nothing anywhere."""
    site = Site()
    site.yard.controls.clear()
    await site.ride()
    await site.yard.clock.advance(400.0)

    assert not site.of(OutputBegan)
    assert initial(site.yard.site).units["cabinet"].output.phase is OutputPhase.ON
    await site.yard.stop()
