"""A device that nothing can be asked of is proven off by the load of its unit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers.base import Act, Repeat
from policies.events import Ending, OrderClosed
from policies.model import Device, Role
from policies.state import Phase
from tests.agent import machines
from tests.agent.yards import ACTS, DESK, RECORDER, SWITCH, Yard

LAMP = Device("lamp", Role.OTHER, 40, 40, ("cabinet",))
DEAF_ACTS = {Act.STOP: Repeat.SAFE}
"""Of a device that takes a stop, and can be asked nothing."""


def metered(*devices: Device, deaf: str = "desk") -> Yard:
    """A yard whose unit measures what its machines truly draw."""
    yard = Yard(LAMP, *devices, acts={**ACTS, "lamp": {}, deaf: DEAF_ACTS})
    reading = yard.reading

    def with_load(unit: str = "cabinet") -> object:
        watts = sum(
            yard.site.devices[name].watts
            for name, machine in yard.machines.items()
            if machine.is_on
        )
        return replace(reading(unit), output_w=watts)

    yard.reading = with_load  # type: ignore[method-assign,assignment]  # its meter, not a patch
    return yard


async def ended(yard: Yard, name: str, *, within_s: float = 400.0) -> OrderClosed:
    yard.start()
    await yard.clock.advance(100.0)
    yard.fail_mains()

    def closed() -> list[OrderClosed]:
        return [e for e in yard.heard if isinstance(e, OrderClosed) and e.device == name]

    await yard.until(lambda: bool(closed()), within_s=within_s)
    return closed()[0]


async def test_load_that_falls_names_itself_as_the_proof() -> None:
    """The outcome says which evidence it stands on, with its figures."""
    yard = metered(replace(DESK, path=()))
    closed = await ended(yard, "desk")

    assert closed.ending is Ending.AT_REST
    assert closed.evidence.startswith("the load of cabinet fell by 60 W")
    assert not yard.machines["desk"].is_on
    await yard.stop()


@pytest.mark.parametrize("lies", [False, True])
async def test_silence_is_not_waited_out_once_the_load_shows_that_it_is_off(lies: bool) -> None:
    """Five minutes of silence may be more than the battery holds; no network lies between these."""
    recorder = replace(RECORDER, path=(), settle_s=300.0, watts=60.0, night_watts=60.0)
    yard = metered(recorder, deaf="")
    if lies:
        yard.scripted["gate recorder"].always[Act.STOP] = machines.lie
    closed = await ended(yard, "gate recorder", within_s=2000.0)
    machine = yard.machines["gate recorder"]

    assert (closed.ending is Ending.AT_REST) is not lies
    assert lies or closed.evidence.startswith("the load of cabinet fell by 60 W")
    assert lies or closed.at - machine.off_at < 60.0
    await yard.stop()


async def test_device_that_said_yes_and_still_draws_its_watts_is_not_at_rest() -> None:
    """It took the order and did nothing; what feeds it must stay on."""
    yard = metered(replace(DESK, path=()))
    yard.scripted["desk"].always[Act.STOP] = machines.lie
    closed = await ended(yard, "desk", within_s=600.0)

    assert closed.ending is Ending.FAILED
    assert closed.evidence == "the load of cabinet has not fallen by the 60 W of desk"
    await yard.stop()


async def test_device_whose_answer_was_lost_is_proven_off_by_the_load() -> None:
    """Nobody said that the stop was heard, and nothing can be asked; the meter knows."""
    yard = metered(replace(DESK, path=()))
    yard.scripted["desk"].script[Act.STOP].append(machines.drop_after)
    closed = await ended(yard, "desk")

    assert closed.ending is Ending.AT_REST
    assert "fell by 60 W" in closed.evidence
    await yard.stop()


async def test_others_that_stop_at_the_same_time_are_no_proof() -> None:
    """The recorder's 25 W are gone; that says nothing of a desk of 24 W."""
    desk = replace(DESK, path=(), watts=24.0, night_watts=24.0)
    yard = metered(desk, replace(RECORDER, path=()))
    yard.scripted["desk"].always[Act.STOP] = machines.lie
    closed = await ended(yard, "desk")

    assert "fell by" not in closed.evidence
    await yard.stop()


@pytest.mark.parametrize("is_off", [True, False])
async def test_load_proves_rest_behind_a_path_that_died(is_off: bool) -> None:
    """A switch failed by itself: silence says nothing any more, and the meter does."""
    yard = metered(replace(SWITCH, watts=2.0, night_watts=2.0, stop_when=None), RECORDER, deaf="")
    if not is_off:
        yard.scripted["gate recorder"].always[Act.STOP] = machines.lie
    yard.start()
    await yard.clock.advance(100.0)
    yard.fail_mains()
    recorder, switch = yard.machines["gate recorder"], yard.machines["yard switch"]
    await yard.until(
        lambda: any(act is Act.STOP for _, act in recorder.asked), within_s=200.0, step_s=0.25
    )
    await yard.clock.advance(1.0)
    switch.off_at = yard.clock.monotonic()
    await yard.until(
        lambda: yard.phases["gate recorder"] in (Phase.AT_REST, Phase.GIVEN_UP), within_s=400.0
    )

    assert (yard.phases["gate recorder"] is Phase.AT_REST) is is_off
    await yard.stop()
