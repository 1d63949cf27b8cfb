"""The agent's own box goes last, and only before an output that drops; else it waits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from agent.virtual.control_group import Quirk
from drivers.base import Act, Repeat
from policies.events import BoxLeft, NoticeRaised, ReadingTaken
from policies.model import Device, OutputControl, Role, Starts
from policies.output_state import OutputPhase
from policies.state import Phase
from tests.agent.grouped import Grouped
from tests.agent.machines import refuse
from tests.agent.yards import ACTS, CABINET, RECORDER, Yard

UNIT = replace(CABINET, output=OutputControl(drops_after_s=120.0, off_for_s=60.0))
SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",))
BOX = Device("warden", Role.AGENT_BOX, 5, 5, ("cabinet",), stop_s=20.0, starts=Starts.BY_ITSELF)
OWN_ACTS: dict[str, Any] = {
    **ACTS,
    "yard switch": {},
    "warden": {Act.QUIESCE: Repeat.SAFE, Act.STOP: Repeat.SAFE},
}


class Site:
    """The yard with a box that can power itself off; in truth a driver that notes it."""

    def __init__(self, *quirks: Quirk, unit: Any = UNIT) -> None:
        self.yard = Yard(SWITCH, RECORDER, BOX, acts=OWN_ACTS, units=(unit,))
        self.unit = Grouped(self.yard.clock, *quirks)
        self.yard.controls["cabinet"] = self.unit
        self.yard.more["output_w"] = 15.0

    async def ride(self) -> None:
        self.yard.start()
        await self.yard.clock.advance(25.0)
        self.yard.fail_mains()
        await self.yard.until(
            lambda: self.yard.engine.state.devices["gate recorder"].phase is Phase.AT_REST,
            within_s=400.0,
        )

    @property
    def told(self) -> list[tuple[float, Act]]:
        return list(self.yard.machines["warden"].received)

    async def until(self, holds: Callable[[], bool], within_s: float = 200.0) -> None:
        await self.yard.until(holds, within_s=within_s)


async def test_the_box_powers_itself_off_right_before_the_output_drops() -> None:
    """Earlier, nothing could withdraw the drop; later, its own disk would be cut."""
    site = Site()
    await site.ride()
    await site.until(lambda: Act.STOP in [act for _, act in site.told])

    (at,) = [at for at, act in site.told if act is Act.STOP]
    drops_at = site.unit.group.shutdown_at
    assert drops_at is not None
    assert 20.0 <= drops_at - at <= 30.0
    kinds = [type(event) for event in site.yard.keeper.events]
    assert BoxLeft in kinds, "the next run must know why the last one ended"
    assert site.yard.keeper.snapshots
    await site.yard.stop()


async def test_the_box_stays_on_where_the_countdown_is_lost() -> None:
    """Its power would stay, and nothing would ever start it again."""
    site = Site()
    await site.ride()
    await site.until(lambda: site.unit.group.shutdown_at is not None)
    site.unit.group.shutdown_at = None
    site.unit.group.quirks = frozenset({Quirk.READ_ONLY})
    await site.yard.clock.advance(300.0)

    assert Act.STOP not in [act for _, act in site.told]
    await site.yard.stop()


async def test_the_box_stays_on_where_mains_returns_first() -> None:
    """The drop is withdrawn; an agent that is off could not have done that."""
    site = Site()
    await site.ride()
    await site.until(lambda: site.unit.group.shutdown_at is not None)
    site.yard.return_mains()
    await site.yard.clock.advance(300.0)

    assert Act.STOP not in [act for _, act in site.told]
    output = site.yard.engine.state.units["cabinet"].output
    assert output.phase is OutputPhase.ON
    await site.yard.stop()


async def test_without_an_output_the_box_writes_out_and_waits_and_goes_on_if_power_stays() -> None:
    """Powered off, it would never come back: its power may not go at all."""
    site = Site(unit=CABINET)
    await site.ride()
    site.yard.low.add("cabinet")
    await site.until(lambda: Act.QUIESCE in [act for _, act in site.told], within_s=60.0)
    snapshots = len(site.yard.keeper.snapshots)
    noted = len(site.yard.keeper.of(ReadingTaken))
    await site.yard.clock.advance(700.0)

    assert Act.STOP not in [act for _, act in site.told]
    assert len(site.yard.keeper.snapshots) == snapshots, "its state is left alone"
    assert len(site.yard.keeper.of(ReadingTaken)) == noted
    said = [n.text for n in site.yard.heard if isinstance(n, NoticeRaised)]
    assert any("waits for power" in text for text in said)

    site.yard.return_mains()
    await site.yard.clock.advance(700.0)

    assert len(site.yard.keeper.snapshots) > snapshots, "and it goes on when power stays"
    assert site.yard.engine.state.devices["gate recorder"].phase is Phase.RUNNING
    await site.yard.stop()


async def test_a_box_that_will_not_power_off_is_named() -> None:
    """Its disk will be cut: somebody should give lastwatt the right to power it off."""
    site = Site()
    site.yard.scripted["warden"].always[Act.STOP] = refuse
    await site.ride()
    await site.until(
        lambda: any(
            "does not power itself off" in n.text
            for n in site.yard.heard
            if isinstance(n, NoticeRaised)
        )
    )
    await site.yard.stop()
