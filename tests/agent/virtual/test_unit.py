"""The virtual unit as net-snmp's programs see it; object numbers are those RFC 1628 prints."""

import asyncio
import itertools
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from agent.virtual.battery import Build, Gauge, VirtualBattery
from agent.virtual.pace import PacedLoop
from agent.virtual.unit import Plate, VirtualUnit
from drivers.transports.snmp_responder import Listener, UsmUser
from policies.runtime import Cells, Inverter
from tests.agent.virtual.paced import run_paced
from tests.peers.net_snmp import Client, as_community, as_user, trap_listener

pytestmark = pytest.mark.peer

UPS = "1.3.6.1.2.1.33"
WATCH = UsmUser("watch", "sha256", "slack-water-at-nine", "aes128", "sluice-gate-three")
BUILD = Build(
    cells=Cells(energy_wh=60.0, available_share=0.5, flow_per_h=2.0),
    inverter=Inverter(efficiency=0.83, own_draw_w=11.0),
    charger_w=40.0,
    nominal_v=24.0,
)


class Output:
    """What is plugged in: it notes when power went and came."""

    def __init__(self) -> None:
        self.changes: list[tuple[bool, float]] = []
        self.changed = asyncio.Event()

    def __call__(self, is_on: bool) -> None:
        self.changes.append((is_on, asyncio.get_running_loop().time()))
        self.changed.set()


@asynccontextmanager
async def unit(
    output: Output,
    *,
    load_w: float = 150.0,
    believed_wh: float = 70.0,
    listeners: Sequence[Listener] = (),
) -> AsyncIterator[VirtualUnit]:
    now = asyncio.get_running_loop().time()
    made = VirtualUnit(
        Plate("weir house", va=600.0, watts=400.0, attached="weir recorder"),
        VirtualBattery(BUILD, Gauge(believed_wh=believed_wh), at=now, load_w=load_w),
        on_output=output,
        address="127.0.0.7",
        community="keeper",
        users=[WATCH],
        listeners=listeners,
    )
    made.load(load_w)
    await made.start()
    try:
        yield made
    finally:
        made.close()


def ups(*instances: str) -> list[str]:
    return [f"{UPS}.{instance}" for instance in instances]


async def get(client: Client, loop: PacedLoop, *instances: str) -> list[str]:
    with loop.at_real_pace():
        return await client.get(*ups(*instances))


async def test_on_mains_it_reports_what_it_carries(tmp_path: Path) -> None:
    """The agent's readings would not be the site's."""
    async with unit(Output()) as made:
        client = as_community(tmp_path, made.address, "keeper")
        walked = await client.walk(UPS)

    def value(instance: str) -> str:
        return walked[f"{UPS}.{instance}"]

    assert value("1.1.5.0") == '"weir house"'
    assert value("1.1.6.0") == '"weir recorder"'
    assert value("1.2.1.0") == "2"  # upsBatteryStatus: batteryNormal
    assert value("1.2.2.0") == "0"  # upsSecondsOnBattery
    assert value("1.2.3.0") == str(int(60.0 * 70.0 / (150.0 / 0.9)))  # the gauge's arithmetic
    assert value("1.2.4.0") == "100"  # upsEstimatedChargeRemaining
    assert value("1.2.5.0") == "272"  # upsBatteryVoltage, 0.1 V: two 12 V blocks on the charger
    assert value("1.3.1.0") == "0"  # upsInputLineBads
    assert value("1.3.3.1.3.1") == "231"  # upsInputVoltage
    assert value("1.4.1.0") == "3"  # upsOutputSource: normal
    assert value("1.4.4.1.4.1") == "150"  # upsOutputPower
    assert value("1.4.4.1.5.1") == "38"  # upsOutputPercentLoad: 150/400 W beats 163/600 VA
    assert value("1.6.1.0") == "0"  # upsAlarmsPresent
    assert value("1.9.5.0") == "600"  # upsConfigOutputVA
    assert value("1.9.6.0") == "400"  # upsConfigOutputPower
    assert value("1.9.7.0") == "2"  # upsConfigLowBattTime
    assert not any(oid.startswith(f"{UPS}.1.6.2.") for oid in walked)


async def test_version_3_reads_the_same_objects(tmp_path: Path) -> None:
    """The virtual site would only speak the versions that nobody should use."""
    async with unit(Output()) as made:
        private = as_user(
            tmp_path,
            made.address,
            "watch",
            auth=("sha256", WATCH.auth_secret),
            privacy=("aes128", WATCH.privacy_secret),
        )
        names = (await private.walk(UPS)).keys()
        open_names = (await as_community(tmp_path, made.address, "keeper").walk(UPS)).keys()

    assert list(names) == list(open_names)
    assert len(names) > 40


def test_when_mains_fails_every_sign_of_it_is_there(tmp_path: Path) -> None:
    """The agent corroborates an outage: one sign alone would be taken for a mistake."""

    async def outage(loop: PacedLoop) -> None:
        async with unit(Output()) as made:
            client = as_community(tmp_path, made.address, "keeper")
            made.mains_fails()
            await asyncio.sleep(120.0)
            source, on_battery_s, bads, input_v, charge, alarms = await get(
                client, loop, "1.4.1.0", "1.2.2.0", "1.3.1.0", "1.3.3.1.3.1", "1.2.4.0", "1.6.1.0"
            )
            with loop.at_real_pace():
                rows = await client.walk(f"{UPS}.1.6.2.1.2")

        assert (source, bads, input_v, alarms) == ("5", "1", "0", "2")
        assert 120 <= int(on_battery_s) <= 300
        assert int(charge) < 95
        # upsAlarmOnBattery and upsAlarmInputBad, RFC 1628 section 4.6.
        assert set(rows.values()) == {f".{UPS}.1.6.3.2", f".{UPS}.1.6.3.6"}

    run_paced(outage)


def test_when_mains_returns_every_sign_is_gone_and_the_count_stays(tmp_path: Path) -> None:
    """The agent would never bring the site back."""

    async def outage(loop: PacedLoop) -> None:
        async with unit(Output()) as made:
            client = as_community(tmp_path, made.address, "keeper")
            made.mains_fails()
            await asyncio.sleep(30.0)
            made.mains_returns()
            signs = await get(client, loop, "1.4.1.0", "1.2.2.0", "1.3.1.0", "1.6.1.0")

        assert signs == ["3", "0", "1", "0"]

    run_paced(outage)


def test_the_output_ends_when_the_battery_is_empty(tmp_path: Path) -> None:
    """The demo's outage would be no danger, or strike at another moment than the truth says."""

    async def outage(loop: PacedLoop) -> None:
        output = Output()
        async with unit(output) as made:
            truth = VirtualBattery(BUILD, Gauge(believed_wh=70.0), at=loop.time())
            truth.carry(150.0, at=loop.time())
            made.mains_fails()
            await output.changed.wait()
            with loop.at_real_pace():
                status, printed = await as_community(tmp_path, made.address, "keeper").run(
                    "snmpget", *ups("1.4.1.0")
                )

        assert not made.output
        assert output.changes[0][0] is False
        # Never early; a busy machine makes it late, at ten virtual minutes a real second.
        assert truth.ends_at - 1.0 <= output.changes[0][1] <= truth.ends_at + 1200.0
        assert (status, "Timeout" in printed) == (1, True)

    run_paced(outage, factor=600.0)


def test_a_smaller_load_postpones_the_end() -> None:
    """Shedding would buy nothing."""

    async def outage(loop: PacedLoop) -> float:
        output = Output()
        async with unit(output) as made:
            made.mains_fails()
            made.load(75.0)
            began = loop.time()
            await output.changed.wait()
            return output.changes[0][1] - began

    truth = VirtualBattery(BUILD, Gauge(believed_wh=70.0), at=0.0)
    truth.carry(75.0, at=0.0)

    assert truth.ends_at - 1.0 <= run_paced(outage, factor=600.0) <= truth.ends_at + 1200.0


def test_the_output_comes_back_with_mains(tmp_path: Path) -> None:
    """Nothing would start again after a battery that was emptied."""

    async def outage(loop: PacedLoop) -> None:
        output = Output()
        async with unit(output) as made:
            made.mains_fails()
            await output.changed.wait()
            output.changed.clear()
            await asyncio.sleep(1200.0)
            made.mains_returns()
            await output.changed.wait()
            client = as_community(tmp_path, made.address, "keeper")
            with loop.at_real_pace():
                uptime, source = await client.get("1.3.6.1.2.1.1.3.0", f"{UPS}.1.4.1.0")

        assert [is_on for is_on, _ in output.changes] == [False, True]
        assert source == "3"
        # Its own agent had lost power too: sysUpTime begins anew ("days:hours:minutes:seconds").
        assert uptime.startswith("0:0:0")

    run_paced(outage, factor=600.0)


def test_mains_that_fails_again_at_once_keeps_the_output_off() -> None:
    """Devices would start on a battery that is empty."""

    async def outage(loop: PacedLoop) -> list[bool]:
        output = Output()
        async with unit(output) as made:
            made.mains_fails()
            await output.changed.wait()
            made.mains_returns()
            made.mains_fails()
            await asyncio.sleep(60.0)
            return [is_on for is_on, _ in output.changes]

    assert run_paced(outage, factor=600.0) == [False]


def test_low_battery_is_called_by_the_units_own_minutes(tmp_path: Path) -> None:
    """The agent's last resort, the unit's low battery, would never come."""

    async def outage(loop: PacedLoop) -> None:
        output = Output()
        async with unit(output, believed_wh=20.0) as made:
            client = as_community(tmp_path, made.address, "keeper")
            made.mains_fails()
            seen = "2"
            while seen == "2" and not output.changes:
                await asyncio.sleep(30.0)
                seen, minutes = await get(client, loop, "1.2.1.0", "1.2.3.0")
            with loop.at_real_pace():
                rows = await client.walk(f"{UPS}.1.6.2.1.2")

        assert seen == "3"
        assert int(minutes) <= 2
        assert f".{UPS}.1.6.3.3" in rows.values()

    run_paced(outage, factor=300.0)


def test_notifications_tell_the_story_of_an_outage(tmp_path: Path) -> None:
    """The agent would wait for its next poll, and an integrator would never see a real trap."""

    def names(variables: dict[str, str]) -> str:
        return variables["1.3.6.1.6.3.1.1.4.1.0"]

    async def outage(loop: PacedLoop) -> None:
        async with trap_listener(tmp_path, "authCommunity log quay") as heard:
            listener = Listener(heard.address, heard.port, community="quay")
            async with unit(Output(), listeners=[listener]) as made:
                made.mains_fails()
                await heard.reach(4)
                made.mains_returns()
                told = await heard.reach(6)
                seconds = [
                    int(each[f"{UPS}.1.2.2.0"]) for each in told if names(each) == f".{UPS}.2.1"
                ]

        # RFC 1628: OnBattery on transfer and each minute; InputBad added; both removed.
        assert sorted(names(each) for each in told) == sorted(
            [f".{UPS}.2.1"] * 3 + [f".{UPS}.2.3"] + [f".{UPS}.2.4"] * 2
        )
        assert seconds[0] < 30 and all(b - a >= 59 for a, b in itertools.pairwise(seconds))
        first = next(each for each in told if names(each) == f".{UPS}.2.1")
        assert list(first)[2:] == [f"{UPS}.1.2.3.0", f"{UPS}.1.2.2.0", f"{UPS}.1.9.7.0"]
        added = next(each for each in told if names(each) == f".{UPS}.2.3")
        assert f".{UPS}.1.6.3.6" in added.values()
        removed = [each for each in told if names(each) == f".{UPS}.2.4"]
        assert {tuple(each)[2][: len(UPS) + 10] for each in removed} == {f"{UPS}.1.6.2.1.1"}
        assert any(f".{UPS}.1.6.3.2" in each.values() for each in removed)

    run_paced(outage)


def test_a_flickering_mains_tells_of_battery_once(tmp_path: Path) -> None:
    """RFC 1628: no notification to one receiver more often than every five seconds."""

    async def flicker(loop: PacedLoop) -> None:
        async with (
            trap_listener(tmp_path, "authCommunity log quay") as heard,
            unit(Output()) as made,
        ):
            made.listen(Listener(heard.address, heard.port, community="quay"))
            for _ in range(3):
                made.mains_fails()
                made.mains_returns()
            told = await heard.reach(10)

        on_battery = [n for n in told if n["1.3.6.1.6.3.1.1.4.1.0"] == f".{UPS}.2.1"]
        assert len(on_battery) == 1

    run_paced(flicker)


async def test_nothing_is_left_running_when_it_is_closed() -> None:
    """A closed virtual site would go on, and keep the process from ending."""
    async with unit(Output()) as made:
        made.mains_fails()
    made.close()
    await asyncio.sleep(0)

    assert [t for t in asyncio.all_tasks() if t is not asyncio.current_task()] == []


def test_its_output_is_switched_by_net_snmp(tmp_path: Path) -> None:
    """RFC 1628 section 4.8 by somebody else's program: it drops, and returns with mains."""
    output = Output()
    seen: list[list[str]] = []

    async def cycle(loop: PacedLoop) -> None:
        async with unit(output) as made:
            client = as_community(tmp_path, made.address, "keeper")
            made.mains_fails()
            with loop.at_real_pace():
                for name, value in (("3", "120"), ("2", "60")):
                    status, printed = await client.run("snmpset", f"{UPS}.1.8.{name}.0", "i", value)
                    assert status == 0, printed
            seen.append(await get(client, loop, "1.8.2.0", "1.8.3.0", "1.6.1.0"))
            await asyncio.sleep(90.0)
            made.mains_returns()
            seen.append(await get(client, loop, "1.4.1.0", "1.8.2.0"))
            await asyncio.sleep(60.0)
            seen.append(await get(client, loop, "1.4.1.0", "1.8.3.0"))

    run_paced(cycle)

    armed, off, on = seen
    assert [is_on for is_on, _ in output.changes] == [False, True]
    drop_s = output.changes[1][1] - output.changes[0][1]
    assert 25.0 <= drop_s <= 75.0
    assert 40 <= int(armed[0]) <= 60
    assert 100 <= int(armed[1]) <= 120
    assert armed[2] == "3"  # on battery, input bad, shutdown pending
    assert off == ["2", "-1"]
    assert on == ["3", "-1"]
