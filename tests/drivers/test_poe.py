"""The PoE driver against net-snmp's snmpd playing a switch: what is cut, left, and put back.

The objects and their numbers: RFC 3621 section 3 (pethPsePortTable), RFC 4188 (dot1dTpFdbTable),
RFC 4363 (dot1qTpFdbTable), IEEE 802.1AB-2005 clause 12 (lldpRemTable).
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from agent.clock import LoopClock
from drivers.base import Act, Fitting, Outcome, Remembering, Stage, Verdict
from drivers.poe import KIND, PoeDriver
from drivers.poe_settings import PoeAccess, PoeVerify
from tests.peers import net_snmp
from tests.peers.poe_switch import DOOR_MAC, SLIPWAY_MAC, PoeSwitch
from tests.peers.snmp_settings import as_user
from tests.peers.snmpd import AUTH_SECRET, COMMUNITY, PRIVACY_SECRET, SWITCH, WATCH

pytestmark = pytest.mark.peer

WITHIN_S = 10.0
PORT = "1.3"
LLDP_MAC = "02:00:5e:10:00:f1"


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PoeSwitch]:
    with PoeSwitch(tmp_path_factory.mktemp("switch")) as switch:
        yield switch


@pytest.fixture
def switch(running: PoeSwitch) -> PoeSwitch:
    running.write({"ports": running.ports, "bridge": "q"})
    return running


def access(switch: PoeSwitch, **others: Any) -> PoeAccess:
    table = {
        "switch": switch.address,
        "snmp": as_user(switch.snmpd, SWITCH, timeout="0.5s"),
        "port": PORT,
        "neighbour": SLIPWAY_MAC,
    }
    return PoeAccess.model_validate({**table, **others})


@asynccontextmanager
async def driving(given: PoeAccess, *, dry_run: bool = False) -> AsyncIterator[PoeDriver]:
    stages = {Stage.STOP: KIND.stages[Stage.STOP](), Stage.START: KIND.stages[Stage.START]()}
    fitting = Fitting(
        "slipway camera",
        "",
        given,
        {**stages, Stage.VERIFY: PoeVerify.model_validate({"interval": "0.1s"})},
        LoopClock(),
        dry_run=dry_run,
    )
    driver = KIND.build(fitting)
    assert isinstance(driver, PoeDriver)
    try:
        yield driver
    finally:
        await driver.close()


async def do(driver: PoeDriver, act: Act, *, within_s: float = WITHIN_S) -> Outcome:
    return await driver.perform(act, deadline_at=LoopClock().monotonic() + within_s)


async def acted(given: PoeAccess, *acts: Act) -> list[Outcome]:
    async with driving(given) as driver:
        return [await do(driver, act) for act in acts]


async def seen_by_net_snmp(switch: PoeSwitch) -> str:
    """What net-snmp's own client reads of the port's admin state."""
    client = net_snmp.as_community(
        switch.folder, (switch.address, switch.snmpd.port), COMMUNITY
    )  # fmt: skip
    return (await client.get(f"1.3.6.1.2.1.105.1.1.1.3.{PORT}"))[0]


async def test_port_is_cut_proven_dark_and_put_back_on(switch: PoeSwitch) -> None:
    """The camera goes dark, that is known from its port, and it comes back."""
    async with driving(access(switch)) as driver:
        stop = await do(driver, Act.STOP)
        gone = await do(driver, Act.CONFIRM_GONE)
        seen_off = await seen_by_net_snmp(switch)
        start = await do(driver, Act.START)
        running = await do(driver, Act.CONFIRM_RUNNING)

    assert [o.verdict for o in (stop, gone, start, running)] == [Verdict.DONE] * 4
    assert (seen_off, await seen_by_net_snmp(switch)) == ("2", "1")
    assert gone.evidence == f"port {PORT} of the switch at {switch.address} is off, disabled"
    assert switch.sets() == [[PORT, 2], [PORT, 1]], "no other port was touched"


async def test_port_that_was_off_before_is_left_off_by_the_return(switch: PoeSwitch) -> None:
    """Its owner had switched it off; an outage must not switch it on for good."""
    switch.change(PORT, on=False)
    async with driving(access(switch)) as driver:
        remembered = await do(driver, Act.REMEMBER)
        stop = await do(driver, Act.STOP)
    async with driving(access(switch)) as driver:  # another run of the agent
        assert isinstance(driver, Remembering)
        driver.recall(remembered.was)
        start = await do(driver, Act.START)
        running = await do(driver, Act.CONFIRM_RUNNING)

    assert (remembered.was, stop.verdict, start.verdict) == ("off", Verdict.DONE, Verdict.DONE)
    assert running.verdict is Verdict.DONE and "as it was before" in running.evidence
    assert switch.sets() == []


async def test_what_an_earlier_outage_found_does_not_colour_the_next(switch: PoeSwitch) -> None:
    """The port was off then and is on now: once cut, it must not be taken to be as it should."""
    async with driving(access(switch)) as driver:
        driver.recall("off")
        await do(driver, Act.REMEMBER)
        await do(driver, Act.STOP)
        running = await do(driver, Act.CONFIRM_RUNNING, within_s=0.5)

    assert running.verdict is Verdict.NOT_YET


async def test_somebody_else_on_the_port_is_not_cut(switch: PoeSwitch) -> None:
    """A patch cord was moved: the next port's device is the door controller."""
    switch.change("1.4", mac=[])
    switch.change(PORT, mac=[DOOR_MAC])
    (stop,) = await acted(access(switch), Act.STOP)

    assert stop.verdict is Verdict.REFUSED
    assert stop.evidence == (
        f"nothing was cut: port {PORT} of the switch at {switch.address}: {SLIPWAY_MAC} was found "
        f"there, {DOOR_MAC} is there now"
    )
    assert "lastwatt ports" in stop.advice
    assert switch.sets() == []


async def test_another_device_beside_the_expected_one_is_not_cut(switch: PoeSwitch) -> None:
    """A small switch was put in between, and the door controller hangs on it too."""
    switch.change("1.4", mac=[])
    switch.change(PORT, mac=[SLIPWAY_MAC, DOOR_MAC])
    (stop,) = await acted(access(switch), Act.STOP)

    assert (stop.verdict, switch.sets()) == (Verdict.REFUSED, [])
    assert DOOR_MAC in stop.evidence


async def test_camera_that_moved_to_another_port_is_named_there(switch: PoeSwitch) -> None:
    """Whoever mends the file is told where the camera is now."""
    switch.change("1.4", mac=[SLIPWAY_MAC])
    switch.change(PORT, mac=[DOOR_MAC])
    (probed,) = await acted(access(switch), Act.PROBE)
    switch.change(PORT, mac=[], lldp="", on=True)
    (idle,) = await acted(access(switch), Act.STOP)

    assert probed.verdict is Verdict.NOT_YET and DOOR_MAC in probed.evidence
    assert idle.verdict is Verdict.DONE and "nothing to cut" in idle.evidence
    assert switch.sets() == []


async def test_silent_device_is_not_cut(switch: PoeSwitch) -> None:
    """Power leaves the port, and nobody says who takes it."""
    state = switch.state()
    state["mute"] = True
    switch.write(state)
    (stop,) = await acted(access(switch), Act.STOP)

    assert (stop.verdict, switch.sets()) == (Verdict.REFUSED, [])
    assert "nobody is heard there now" in stop.evidence


async def test_device_known_by_lldp_alone_is_cut(switch: PoeSwitch) -> None:
    """A camera that sends little is missing in the table of addresses, not in LLDP's."""
    state = switch.state()
    state["mute"] = True
    state["ports"][PORT]["lldp"] = LLDP_MAC
    switch.write(state)
    other, known = [
        (await acted(access(switch, neighbour=mac), Act.STOP))[0] for mac in (SLIPWAY_MAC, LLDP_MAC)
    ]

    assert other.verdict is Verdict.REFUSED and LLDP_MAC in other.evidence
    assert known.verdict is Verdict.DONE
    assert switch.sets() == [[PORT, 2]]


async def test_old_bridge_without_vlans_is_read_too(switch: PoeSwitch) -> None:
    """A switch with RFC 4188 alone can be used."""
    state = switch.state()
    state["bridge"] = "d"
    switch.write(state)
    (stop,) = await acted(access(switch), Act.STOP)

    assert (stop.verdict, switch.sets()) == (Verdict.DONE, [[PORT, 2]])


async def test_switchs_own_address_at_the_port_is_no_stranger(switch: PoeSwitch) -> None:
    """Some switches list themselves on every port; no camera could ever be cut there."""
    state = switch.state()
    state |= {"own": "02:00:5e:10:00:01", "own_at": 3}
    switch.write(state)
    (stop,) = await acted(access(switch), Act.STOP)

    assert stop.verdict is Verdict.DONE


@pytest.mark.parametrize(("watts", "verdict"), [(8.3, Verdict.DONE), (24.0, Verdict.REFUSED)])
async def test_draw_is_compared(switch: PoeSwitch, watts: float, verdict: Verdict) -> None:
    """Infrared light is no other device; five times the power is."""
    switch.change(PORT, watts=watts)
    draw = {"oid": f"1.3.6.1.2.1.105.99.{PORT}", "per_watt": 1000.0, "watts": 5.1}
    (stop,) = await acted(access(switch, draw=draw), Act.STOP)

    assert stop.verdict is verdict
    assert verdict is Verdict.DONE or "it gave 5.1 W when it was found, it gives 24 W" in (
        stop.evidence
    )


async def test_class_is_compared(switch: PoeSwitch) -> None:
    """Class n is told as n + 1 (RFC 3621): a class 4 device is not the class 2 camera."""
    same, other = [
        (await acted(access(switch, power_class=number), Act.STOP))[0] for number in (4, 2)
    ]

    assert same.verdict is Verdict.REFUSED and "class 4 was found there, class 2 is" in (
        same.evidence
    )
    assert other.verdict is Verdict.DONE


async def test_switch_that_takes_the_order_and_does_nothing_is_found_out(
    switch: PoeSwitch,
) -> None:
    """A cut that was not made must not count as rest."""
    state = switch.state()
    state["deaf"] = True
    switch.write(state)
    async with driving(access(switch)) as driver:
        stop = await do(driver, Act.STOP)
        gone = await do(driver, Act.CONFIRM_GONE, within_s=0.5)

    assert stop.verdict is Verdict.UNCERTAIN and "is not off" in stop.evidence
    assert gone.verdict is Verdict.NOT_YET


async def test_user_that_may_only_read_is_refused_in_a_sentence(tmp_path: Path) -> None:
    """An account without write access is found out, and said, not mistaken for silence."""
    with PoeSwitch(tmp_path / "switch") as found:
        found.snmpd.users = (WATCH,)
        found.snmpd.restart()
        snmp = as_user(found.snmpd, WATCH, timeout="0.5s")
        (stop,) = await acted(access(found, snmp=snmp), Act.STOP)

    assert stop.verdict is Verdict.REFUSED
    assert "may not write" in stop.evidence


async def test_port_that_the_switch_lacks_is_garbled(switch: PoeSwitch) -> None:
    """A typing error in the file is told as one."""
    (stop,) = await acted(access(switch, port="1.30", bridge_port=3), Act.STOP)

    assert stop.verdict is Verdict.GARBLED
    assert "no such port" in stop.evidence


async def test_rehearsal_says_what_would_be_sent_and_sends_nothing(switch: PoeSwitch) -> None:
    """A dry run walks the same way, and the switch hears nothing of it."""
    draw = {"oid": f"1.3.6.1.2.1.105.99.{PORT}", "per_watt": 1000.0, "watts": 5.1}
    given = access(switch, draw=draw)
    async with driving(given, dry_run=True) as driver:
        described = [await do(driver, act) for act in (Act.STOP, Act.START)]
    done = await acted(given, Act.STOP, Act.START)

    assert {o.verdict for o in described} == {Verdict.ASSUMED}
    assert [o.sent for o in described] == [o.sent for o in done]
    assert AUTH_SECRET not in repr(described) and PRIVACY_SECRET not in repr(done)
    assert any(line.endswith("pethPsePortAdminEnable.1.3 = 2 (off)") for line in done[0].sent)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("port", "three", "group and port"),
        ("port", "0", "group and port"),
        ("neighbour", [], "hardware address"),
        ("neighbour", "01:00:5e:00:00:01", "group address"),
        ("draw", {"oid": "watts", "watts": 1.0}, "numbers"),
    ],
)
def test_wrong_table_is_refused_in_words(key: str, value: object, said: str) -> None:
    """Whoever types the table learns what to write."""
    table: dict[str, Any] = {
        "switch": "192.0.2.5",
        "snmp": {"version": "2c", "community": SecretStr("quay")},
        "port": "1.3",
        "neighbour": SLIPWAY_MAC,
    }
    with pytest.raises(ValidationError, match=said):
        PoeAccess.model_validate({**table, key: value})
