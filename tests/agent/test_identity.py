"""An agent that is not where it was commissioned gives no order: with a real unit."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.box.box_identity import box_identity
from agent.config import LoadedSite, load
from agent.control import ask
from agent.wiring import Agent
from drivers.transports.threads import in_own_thread
from policies.identity import with_mark
from policies.state import Phase
from tests.agent.commands import lastwatt, unit, write_site
from tests.agent.site_files import TODAY
from tests.agent.test_wiring import journalled, running, until, until_heard
from tests.peers.snmpd import ENGINE_ID, ON_BATTERY, ON_MAINS, Snmpd

pytestmark = pytest.mark.peer

OURS, OTHER = "5f0c119a3e7720d481b642f96a03cc58", "e1972b0d64ae357c901f83d24b56a8ee"


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Snmpd]:
    with Snmpd(tmp_path / "unit") as found:
        yield found


def site(folder: Path, snmpd: Snmpd) -> LoadedSite:
    """Return a site with a PC whose stop leaves a file behind."""
    stopped = folder / "stopped"
    desk = f"""\
[[device]]
name = "desk"
role = "computer"
feed = "cabinet"
watts = 38
stop_when = {{ on_battery_for = "1s" }}
start = "by itself"
stop = {{ driver = "command", run = ["/usr/bin/touch", "{stopped}"], takes = "1s" }}
verify = {{ driver = "command", gone = ["/usr/bin/test", "-e", "{stopped}"] }}
"""
    path = write_site(folder, unit(snmpd.port, more='flicker = "1s"'), desk)
    loaded, faults = load(path, today=TODAY)
    assert loaded is not None, faults
    return loaded


async def asked(folder: Path, name: str, **more: Any) -> dict[str, Any]:
    """Ask the agent as a command does."""
    return await in_own_thread(lambda: ask(folder, {"ask": name, **more}), name="ask")


async def pinned(loaded: LoadedSite, state: Path, box: str = OURS) -> None:
    """Let the site be commissioned on this box."""
    async with running(loaded, state, box=box) as agent:
        await until_heard(agent)
        await until(lambda: (state / "agent.sock").exists())
        answer = await asked(state, "pin", who="ana")
        assert answer["ok"] is True, answer
        assert answer["units"] == {"cabinet": ENGINE_ID}


async def outage(agent: Agent, snmpd: Snmpd, *, is_on_battery: bool = True) -> None:
    """Let mains fail, and be away for longer than it takes to act."""
    await until_heard(agent)
    snmpd.replace({**ON_MAINS, **(ON_BATTERY if is_on_battery else {})})
    if is_on_battery:
        await until(lambda: agent.engine.state.outage_at is not None)


async def has_lasted(agent: Agent) -> None:
    """Wait until the outage has lasted longer than the second that the desk's stop waits."""
    began_at = agent.engine.state.outage_at
    assert began_at is not None
    await until(lambda: agent.now() > began_at + 4.0)


async def until_marked(state: Path) -> None:
    """Wait until the agent has looked whose mark the unit carries."""
    async with asyncio.timeout(30.0):
        while not (await asked(state, "pins"))["marks"].get("cabinet"):  # noqa: ASYNC110
            await asyncio.sleep(0.05)


def errors(state: Path) -> list[str]:
    raised = journalled(state, "raised_notice")
    return [event["text"] for event in raised if event["severity"] == "error"]


async def test_the_box_that_was_commissioned_acts(tmp_path: Path, snmpd: Snmpd) -> None:
    """Pinning costs nothing where all is as it was."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    async with running(loaded, state, box=OURS) as agent:
        await outage(agent, snmpd)
        await until(lambda: agent.engine.state.devices["desk"].phase is Phase.AT_REST)

    assert (tmp_path / "stopped").exists()


async def test_a_copy_of_the_box_only_watches_and_says_so(tmp_path: Path, snmpd: Snmpd) -> None:
    """The second of two boxes from one disk image must not stop the first one's recorder."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    async with running(loaded, state, box=OTHER) as agent:
        await outage(agent, snmpd)
        await has_lasted(agent)
        status = await in_own_thread(lambda: lastwatt("status", "--state", state), name="status")
        refused = await asked(state, "stop", device="desk")

    assert not (tmp_path / "stopped").exists()
    assert not journalled(state, "gave_order")
    assert "ONLY WATCHES, and gives no order: this is not the box" in status.out
    assert refused["refused"] is True
    assert any("not the box that was commissioned" in text for text in errors(state))


async def test_another_unit_at_the_address_is_only_watched(tmp_path: Path, snmpd: Snmpd) -> None:
    """Two sites with the same private addresses, joined by a tunnel: their batteries differ."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    snmpd.restart(engine_id="80001f88809999999901020304")
    async with running(loaded, state, box=OURS) as agent:
        await outage(agent, snmpd)
        await has_lasted(agent)
        assert set(agent.engine.state.watches_only) == {"cabinet"}

    assert not (tmp_path / "stopped").exists()
    assert any("is not the unit that was commissioned" in text for text in errors(state))


async def test_the_units_own_return_lets_it_act_again(tmp_path: Path, snmpd: Snmpd) -> None:
    """A cable in the wrong place is no reason to come and pin anew."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    snmpd.restart(engine_id="80001f88809999999901020304")
    async with running(loaded, state, box=OURS) as agent:
        await until(lambda: agent.engine.state.watches_only)
        snmpd.restart(engine_id=ENGINE_ID)
        await until(lambda: not agent.engine.state.watches_only, within_s=60.0)


async def test_a_card_that_shows_late_lets_the_box_act_again(tmp_path: Path, snmpd: Snmpd) -> None:
    """As the box starts its network card may not be there yet: that must not last for ever."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    looks: list[str] = []

    def box() -> str:
        looks.append(OTHER if len(looks) < 2 else OURS)
        return looks[-1]

    async with running(loaded, state, box=box) as agent:
        await until(lambda: len(looks) > 2 and not agent.engine.state.watches_only)
        await outage(agent, snmpd)
        await until(lambda: agent.engine.state.devices["desk"].phase is Phase.AT_REST)

    assert any("not the box that was commissioned" in text for text in errors(state))


async def test_what_was_amiss_with_a_unit_that_is_gone_is_over(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """It was taken off the file, or has another name: nobody would ever settle it."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    snmpd.restart(engine_id="80001f88809999999901020304")
    async with running(loaded, state, box=OURS) as agent:
        await until(lambda: agent.engine.state.watches_only)
    text = loaded.path.read_text()
    loaded.path.write_text(text.replace('"cabinet"', '"closet"'))
    renamed, faults = load(loaded.path, today=TODAY)
    assert renamed is not None, faults
    async with running(renamed, state, box=OURS) as agent:
        await until_heard(agent, "closet")
        assert not agent.engine.state.watches_only


async def test_a_card_that_is_another_in_mid_outage_counts_once_mains_is_back(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """It most likely started anew; a recorder that is on battery must not pay for it."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    async with running(loaded, state, box=OURS) as agent:
        await outage(agent, snmpd)
        snmpd.restart(engine_id="80001f88809999999901020304")
        await until(lambda: any("carried through" in text for text in errors(state)), within_s=60.0)
        assert not agent.engine.state.watches_only
        snmpd.replace(ON_MAINS)
        await until(lambda: agent.engine.state.watches_only, within_s=60.0)

    assert (tmp_path / "stopped").exists()


async def test_another_agents_mark_on_the_unit_is_a_second_agent(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Both would switch its output; the one whose mark it does not carry stands back."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    snmpd.put({"upsIdentAttachedDevices": ("string", with_mark("desk", OTHER))})
    async with running(loaded, state, box=OURS) as agent:
        await until(lambda: agent.engine.state.watches_only)
        refused = await asked(state, "pin", who="ana")
        repinned = await asked(state, "pin", who="ana", repin=True)
        assert not agent.engine.state.watches_only

    assert refused["ok"] is False
    assert "another agent looks after cabinet" in refused["error"]
    assert repinned["ok"] is True
    async with running(loaded, state, box=OURS) as agent:
        await until(lambda: (state / "agent.sock").exists())
        await until_marked(state)
        assert not agent.engine.state.watches_only


async def test_repinning_after_a_swap_lets_the_new_box_act(tmp_path: Path, snmpd: Snmpd) -> None:
    """The old box broke, its disk lives on in another: somebody who stands there says so."""
    loaded, state = site(tmp_path, snmpd), tmp_path / "state"
    await pinned(loaded, state)
    async with running(loaded, state, box=OTHER) as agent:
        await until_heard(agent)
        await until(lambda: (state / "agent.sock").exists())
        assert (await asked(state, "pin", who="ana"))["ok"] is False
        assert (await asked(state, "pin", who="ana", repin=True))["ok"] is True
        await outage(agent, snmpd)
        await until(lambda: agent.engine.state.devices["desk"].phase is Phase.AT_REST)

    assert (tmp_path / "stopped").exists()


# What a box is known by


def box_root(folder: Path, *, cards: dict[str, str]) -> Path:
    """Write what a box says of itself."""
    (folder / "etc").mkdir(parents=True)
    (folder / "etc" / "machine-id").write_text("5f0c\n")
    for name, address in cards.items():
        card = folder / "sys" / "class" / "net" / name
        card.mkdir(parents=True)
        (card / "address").write_text(f"{address}\n")
        if not name.startswith("veth"):
            (card / "device").mkdir()
    return folder


def test_a_copy_of_a_disk_in_another_machine_is_another_box(tmp_path: Path) -> None:
    """machine-id(5): the same on both; the card's address is not."""
    one = box_identity(box_root(tmp_path / "1", cards={"eth0": "02:00:5e:10:00:01"}))
    copy = box_identity(box_root(tmp_path / "2", cards={"eth0": "02:00:5e:10:00:02"}))
    again = box_identity(box_root(tmp_path / "3", cards={"eth0": "02:00:5e:10:00:01"}))

    assert one == again != copy
    assert len(one) == 32


def test_a_containers_drawn_address_is_no_part_of_it(tmp_path: Path) -> None:
    """It would be another box after each start."""
    one = box_identity(box_root(tmp_path / "1", cards={"veth0": "02:00:5e:10:00:01"}))
    again = box_identity(box_root(tmp_path / "2", cards={"veth0": "02:00:5e:10:00:02"}))

    assert one == again != ""


def test_a_box_that_says_nothing_is_known_by_nothing(tmp_path: Path) -> None:
    """Nothing is pinned then, and nothing watched for."""
    assert box_identity(tmp_path) == ""
