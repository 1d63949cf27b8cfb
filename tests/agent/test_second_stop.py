"""A device with two ways to stop it: where one fails, the other has its turn."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from agent.clock import LoopClock
from agent.config import Fault, LoadedSite, build_drivers, load
from drivers.base import Act, Repeat, Stage
from policies.events import StepEnded
from policies.model import Device, Role, Starts
from policies.state import Phase
from tests.agent import machines
from tests.agent.benches import LATEST, WHY, Bench, endings
from tests.agent.machines import Scripted, stages_of

SLIP = Device(
    "slip recorder", Role.RECORDER, stop_s=20.0, settle_s=10.0, starts=Starts.BY_ORDER,
    start_s=30.0,
)  # fmt: skip


def two_ways() -> tuple[Bench, Scripted, Scripted]:
    """A recorder, and the drivers of its two ways."""
    stand = Bench(SLIP)
    first = stand.scripted["slip recorder"]
    acts = {Act.STOP: Repeat.LOOK_FIRST}
    second = Scripted(stand.machines["slip recorder"], acts, settle_s=10.0)
    stand.drivers["slip recorder"] = {**stages_of(first), Stage.STOP_ELSE: second}
    del stand.drivers["slip recorder"][Stage.QUIESCE]  # type: ignore[attr-defined]  # a dict
    stand()
    return stand, first, second


async def rested(stand: Bench, why: object = WHY) -> str:
    task = stand.give("slip recorder", within_s=200.0, why=why)  # type: ignore[arg-type]
    await stand.until(task.done, within_s=300.0)
    return endings(stand.keeper.events)["slip recorder"][1]


def said(stand: Bench) -> list[tuple[str, bool]]:
    """The verdicts of its stops, and whether they were by the second way."""
    return [
        (event.verdict, "second way" in event.evidence)
        for event in stand.keeper.events
        if isinstance(event, StepEnded) and event.act == "stop"
    ]


async def test_first_way_that_works_is_the_only_one_used() -> None:
    """Two orders for one stop could start it again."""
    stand, _, _ = two_ways()
    await rested(stand)

    assert said(stand) == [("done", False)]
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_refused_way_hands_over_to_the_other_at_once() -> None:
    """A password that was changed must not cost the recording while another way is open."""
    stand, first, _ = two_ways()
    first.always[Act.STOP] = machines.refuse
    await rested(stand)

    assert said(stand) == [("refused", False), ("done", True)]
    assert stand.phase("slip recorder") is Phase.AT_REST


async def test_silent_way_is_tried_twice_before_the_other_has_its_turn() -> None:
    """A lost packet is no reason to change the language."""
    stand, first, _ = two_ways()
    first.always[Act.STOP] = machines.silent
    await rested(stand)

    assert said(stand) == [("no answer", False), ("no answer", False), ("done", True)]


async def test_way_that_hangs_leaves_time_for_the_other() -> None:
    """A login that never ends would else use up the battery."""
    stand, first, _ = two_ways()
    first.always[Act.STOP] = machines.hang
    await rested(stand)

    assert stand.phase("slip recorder") is Phase.AT_REST
    assert said(stand)[-1] == ("done", True)


async def test_way_that_says_yes_and_does_nothing_hands_over_too() -> None:
    """It was acknowledged twice, and it still runs."""
    stand, first, _ = two_ways()
    first.always[Act.STOP] = machines.lie
    await rested(stand)

    assert stand.phase("slip recorder") is Phase.AT_REST
    assert said(stand) == [("done", False), ("done", False), ("done", True)]


async def test_both_ways_take_turns_until_the_deadline() -> None:
    """Whichever comes back first stops it."""
    stand, first, second = two_ways()
    first.always[Act.STOP] = second.always[Act.STOP] = machines.silent
    await rested(stand)

    ways = [by_second for _, by_second in said(stand)]
    assert ways[:6] == [False, False, True, True, False, False]
    assert stand.phase("slip recorder") is Phase.GIVEN_UP


async def test_each_way_is_refused_twice_at_most() -> None:
    """Two credentials, each with its own lock."""
    stand, first, second = two_ways()
    first.always[Act.STOP] = second.always[Act.STOP] = machines.refuse
    for why in (WHY, WHY, LATEST, LATEST):
        await rested(stand, why)

    assert sorted(said(stand)) == [("refused", False)] * 2 + [("refused", True)] * 2


FILE = """
format = 1
[site]
name = "yard"
time_zone = "Europe/Lisbon"
[[unit]]
name = "cabinet"
address = "192.0.2.10"
snmp = {{ version = "2c", community = {{ env = "COMMUNITY" }} }}
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7 }}
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
watts = 24
start = "by itself"
{stop}
[device.ssh]
user = "keeper"
password = {{ env = "COMMUNITY" }}
host_keys = ["SHA256:m3Yx8Kc5Vb1Nz7Qw2Er9Ty4Ui6Op0As8Df3Gh5Jk7Lc"]
"""
SSH = '{ driver = "ssh", takes = "90s", run = "poweroff" }'
HTTP = '{ driver = "http", takes = "30s", path = "/off" }'


def read(folder: Path, stop: str) -> tuple[LoadedSite | None, tuple[Fault, ...]]:
    path = folder / "site.toml"
    path.write_text(FILE.format(stop=stop))
    return load(path, today=date(2026, 1, 1), env={"COMMUNITY": "public"})


async def test_list_of_two_tables_gives_two_drivers(tmp_path: Path) -> None:
    """Each with its own settings; the slower one is planned with."""
    site, faults = read(tmp_path, f"stop = [{HTTP}, {SSH}]")
    assert site is not None, faults
    stages = build_drivers(site, clock=LoopClock(), dry_run=True)["gate recorder"]

    assert site.stage_drivers["gate recorder"][Stage.STOP_ELSE] == "ssh"
    assert stages[Stage.STOP] is not stages[Stage.STOP_ELSE]
    assert site.site.devices["gate recorder"].stop_s == 90.0
    outcomes = [
        await stages[stage].perform(Act.STOP, deadline_at=LoopClock().monotonic() + 5.0)
        for stage in (Stage.STOP, Stage.STOP_ELSE)
    ]
    assert "/off" in outcomes[0].sent[0]
    assert any("poweroff" in line for line in outcomes[1].sent)


@pytest.mark.parametrize(
    ("stop", "found"),
    [
        (f"stop = [{SSH}, {SSH}]", "device.gate recorder.stop[2].driver: second-stop-same"),
        (
            f'stop = [{SSH}, {{ driver = "hhtp" }}]',
            "device.gate recorder.stop[2].driver: unknown-driver",
        ),
        (
            f'stop = [{SSH}, {{ driver = "http", pth = "/off" }}]',
            "device.gate recorder.stop[2].pth: unknown-key",
        ),
        (
            f'stop = [{{ driver = "ssh", rum = "x" }}, {HTTP}]',
            "device.gate recorder.stop[1].rum: unknown-key",
        ),
        (f"stop = [{SSH}, {HTTP}, {HTTP}]", "device.gate recorder.stop: wrong-type"),
        ("stop = []", "device.gate recorder.stop: wrong-type"),
        (f'stop = [{SSH}, "off"]', "device.gate recorder.stop[2]: wrong-type"),
        (
            f'stop = [{SSH}, {{ driver = "local" }}]',
            "device.gate recorder.stop: local-elsewhere",
        ),
    ],
)
def test_fault_in_a_list_is_named_at_its_table(tmp_path: Path, stop: str, found: str) -> None:
    """The installer sees which of the two to mend."""
    site, faults = read(tmp_path, stop)

    assert site is None
    assert found in [f"{fault.key}: {fault.code}" for fault in faults]
