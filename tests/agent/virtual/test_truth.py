"""What could have been saved, by arithmetic that anybody can follow."""

import pytest

from agent.virtual.battery import Build
from agent.virtual.machine import Fate, Files, Machine, Nature, RecordingMachine
from agent.virtual.truth import savable, truth_of, unattended_end_s
from policies.model import Role
from policies.runtime import Cells, Inverter

# All of it available at once, no losses: 10 Wh at 100 W are 360 s.
BUILD = Build(Cells(10.0, 0.999, 100.0), Inverter(1.0, 0.0), charger_w=20.0, nominal_v=12.0)


def machine(
    name: str, role: Role, *, watts: float, stop_s: float, standby_w: float = 0.0
) -> Machine:
    nature = Nature(name, role, watts, standby_w=standby_w, stop_s=stop_s)
    return Machine(nature, None, on_change=lambda: None)


def test_an_untouched_battery_ends_by_plain_division() -> None:
    """What the demo says would have happened without lastwatt would be made up."""
    assert unattended_end_s(BUILD, 100.0) == pytest.approx(360.0, abs=1.0)


async def test_what_stops_before_the_end_can_be_saved_and_what_does_not_cannot() -> None:
    """The agent would be blamed for what nobody could have saved, or excused for what it lost."""
    machines = [
        machine("quick", Role.RECORDER, watts=50.0, stop_s=300.0),
        machine("slow", Role.STORAGE, watts=30.0, stop_s=400.0),
        machine("endless", Role.COMPUTER, watts=10.0, stop_s=900.0),
        machine("lamp", Role.OTHER, watts=10.0, stop_s=900.0),
    ]

    # 310 s at 100 W leave 1.39 Wh: 100 s more at 50 W, until 410 s; slow is off just then, and the
    # 20 W that remain never last until 910 s.
    assert savable(BUILD, machines) == {"quick", "lamp"}


async def test_switching_off_buys_time_for_the_others() -> None:
    """The clairvoyant would give up a recorder that the load shed before it saves."""
    machines = [
        machine("quick", Role.RECORDER, watts=80.0, stop_s=90.0, standby_w=1.0),
        machine("slow", Role.STORAGE, watts=20.0, stop_s=900.0),
    ]

    # 100 s at 100 W leave 7.2 Wh: at 21 W they last 1,236 s more.
    assert savable(BUILD, machines) == {"quick", "slow"}


async def test_two_that_end_together_are_one_step() -> None:
    """The arithmetic of the course of load would refuse a yard with two like devices."""
    machines = [
        machine("a", Role.RECORDER, watts=50.0, stop_s=60.0),
        machine("b", Role.STORAGE, watts=50.0, stop_s=60.0),
    ]

    assert savable(BUILD, machines) == {"a", "b"}


async def test_closing_files_counts_towards_the_stop() -> None:
    """A recorder with many files would be called savable when it is not."""
    nature = Nature("recorder", Role.RECORDER, 100.0, standby_w=0.0, stop_s=300.0)
    made = [
        RecordingMachine(nature, None, Files(closing_s=s), on_change=lambda: None)
        for s in (40.0, 60.0)
    ]

    assert savable(BUILD, made[:1]) == {"recorder"}
    assert savable(BUILD, made[1:]) == frozenset()


@pytest.mark.parametrize(
    ("fate", "rest_s"),
    [
        (Fate(told_at=110.0, quiesced_at=120.0, off_at=140.0, lost_at=200.0), 40.0),
        (Fate(quiesced_at=120.0, lost_at=200.0), 20.0),
        (Fate(lost_at=200.0), 100.0),
        (Fate(quiesced_at=120.0, lost_at=200.0, damage="its power went"), None),
        (Fate(), None),
    ],
)
async def test_rest_is_off_in_order_or_unharmed(fate: Fate, rest_s: float | None) -> None:
    """The table at the end of the demo would tell another story than the devices."""
    made = machine("recorder", Role.RECORDER, watts=20.0, stop_s=10.0)
    made.fate = fate

    told = truth_of(made, failed_at=100.0, possible=True)

    assert told.at_rest_s == rest_s
    assert told.damage == fate.damage
