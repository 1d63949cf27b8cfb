"""Readings of a unit that net-snmp's agent plays: what it lacks, what fits, what changes."""

import asyncio
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog

from agent.clock import LoopClock
from agent.errors import BackupUnitError, UnitTrouble
from agent.units.snmp_source import SnmpSource, UnitNotice, UnitNoticeKind
from agent.units.source import UnitIdentity
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_settings import SnmpSettings
from policies.model import Alarm, OutputSource, Reading
from tests.peers.snmp_settings import as_community, as_user
from tests.peers.snmpd import ON_BATTERY, ON_MAINS, UPS, Snmpd, User, Value
from tests.peers.udp_relay import udp_relay

pytestmark = pytest.mark.peer

OTHER_ENGINE_ID = "80001f8880ffffffff01020304"
VERSIONS = [
    pytest.param(lambda at: as_community(at, "1"), id="1"),
    pytest.param(as_community, id="2c"),
    pytest.param(as_user, id="3"),
]


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Snmpd]:
    with Snmpd(tmp_path / "unit") as started:
        yield started


@pytest.fixture
async def hub() -> AsyncIterator[SnmpHub]:
    made = SnmpHub()
    yield made
    made.close()


class Read:
    """A source with a clock at hand, and the notices that it gave."""

    def __init__(self, hub: SnmpHub, settings: SnmpSettings, **others: Any) -> None:
        self.notices: list[UnitNotice] = []
        self._clock = LoopClock()
        self._source = SnmpSource(
            hub.peer("127.0.0.1", settings),
            unit="cabinet",
            clock=self._clock,
            on_notice=self.notices.append,
            **others,
        )

    async def __call__(self, *, within_s: float = 5.0) -> Reading:
        return await self._source.read(deadline_at=self._clock.monotonic() + within_s)

    async def identity(self) -> UnitIdentity:
        return await self._source.identify(deadline_at=self._clock.monotonic() + 5.0)


@pytest.mark.parametrize("settings", VERSIONS)
async def test_mains_and_battery_read_as_they_are(unit: Snmpd, hub: SnmpHub, settings: Any) -> None:
    """The whole way from the wire to SI units, in every version."""
    read = Read(hub, settings(unit))

    mains = await read()
    unit.put(ON_BATTERY)
    battery = await read()

    assert (mains.output_source, mains.runtime_s, mains.alarms) == (
        OutputSource.NORMAL,
        2820.0,
        frozenset(),
    )
    assert (battery.output_source, battery.on_battery_s) == (OutputSource.BATTERY, 8.0)
    assert (battery.charge, battery.battery_v, battery.output_w) == (0.98, 37.7, 184.0)
    assert battery.alarms == {Alarm.ON_BATTERY}
    assert (mains.doubts, battery.doubts) == ({}, {})
    assert mains.uptime_s is not None


@pytest.mark.parametrize("settings", VERSIONS)
async def test_a_running_poll_is_one_datagram(unit: Snmpd, hub: SnmpHub, settings: Any) -> None:
    """A unit on battery should not be asked thirteen times for what fits into one request."""
    async with udp_relay(("127.0.0.1", unit.port)) as relay:
        read = Read(hub, settings(relay.address[1]))
        await read()
        learnt = len(relay.requests)
        for _ in range(5):
            await read()

        assert len(relay.requests) - learnt == 5


@pytest.mark.parametrize("settings", VERSIONS)
async def test_a_unit_with_two_contacts_is_read_for_what_it_has(
    unit: Snmpd, hub: SnmpHub, settings: Any
) -> None:
    """RFC 1628's subset compliance: no minutes, no charge, no output table."""
    subset = ("upsBatteryStatus", "upsSecondsOnBattery", "upsInputLineBads", "upsOutputSource")
    unit.replace({name: ON_MAINS[name] for name in (*subset, "upsAlarmsPresent")})
    async with udp_relay(("127.0.0.1", unit.port)) as relay:
        read = Read(hub, settings(relay.address[1]))

        first = await read()
        learnt = len(relay.requests)
        second = await read()

        assert len(relay.requests) - learnt == 1
    for reading in (first, second):
        assert reading.output_source is OutputSource.NORMAL
        assert (reading.runtime_s, reading.charge, reading.output_w) == (None, None, None)
        assert reading.doubts == {}


@pytest.mark.parametrize("settings", VERSIONS)
async def test_an_object_that_goes_away_takes_no_other_with_it(
    unit: Snmpd, hub: SnmpHub, settings: Any
) -> None:
    """In version 1 one missing object spoils the whole answer (RFC 1157 section 4.1.2)."""
    read = Read(hub, settings(unit))
    await read()
    unit.put({"upsEstimatedMinutesRemaining": None, "upsBatteryVoltage": None})

    reading = await read()

    assert (reading.runtime_s, reading.battery_v) == (None, None)
    assert (reading.output_source, reading.charge) == (OutputSource.NORMAL, 1.0)


async def test_three_output_lines_are_found(unit: Snmpd, hub: SnmpHub) -> None:
    """Their count is upsOutputNumLines; power adds up, and the fullest line counts."""
    lines: dict[str, Value | None] = {"upsOutputNumLines": ("integer", 3)}
    for line, (watts, percent) in enumerate([(100, 40), (50, 20), (25, 10)], start=1):
        lines[f"{UPS}.1.4.4.1.4.{line}"] = ("integer", watts)
        lines[f"{UPS}.1.4.4.1.5.{line}"] = ("integer", percent)
    unit.put({"upsOutputPower.1": None, "upsOutputPercentLoad.1": None, **lines})

    reading = await Read(hub, as_community(unit))()

    assert (reading.output_w, reading.load_share) == (175.0, 0.4)


async def test_lines_that_are_numbered_oddly_are_found(unit: Snmpd, hub: SnmpHub) -> None:
    """A unit whose only line is number 10 still has a load."""
    unit.put(
        {
            "upsOutputPower.1": None,
            "upsOutputPercentLoad.1": None,
            f"{UPS}.1.4.4.1.4.10": ("integer", 90),
        }
    )

    reading = await Read(hub, as_community(unit))()

    assert reading.output_w == 90.0


@pytest.mark.parametrize("settings", VERSIONS)
async def test_a_unit_of_small_messages_is_read_in_pieces(
    tmp_path: Path, hub: SnmpHub, settings: Any
) -> None:
    """484 octets are all that a unit must manage; in version 3 net-snmp drops what is larger."""
    lines: dict[str, Value | None] = {"upsOutputNumLines": ("integer", 12)}
    for line in range(1, 13):
        lines[f"{UPS}.1.4.4.1.4.{line}"] = ("integer", 100)
        lines[f"{UPS}.1.4.4.1.5.{line}"] = ("integer", 40)
    with Snmpd(tmp_path / "small", message_limit=484) as small:
        small.put({"upsOutputPower.1": None, "upsOutputPercentLoad.1": None, **lines})
        small.put({f"{UPS}.1.1.{k}.0": ("string", "x" * 63) for k in range(1, 7)})
        read = Read(hub, settings(small).model_copy(update={"timeout": 0.2}))

        reading = await read()
        identity = await read.identity()

    assert (reading.output_w, reading.load_share) == (1200.0, 0.4)
    assert (reading.charge, reading.doubts) == (1.0, {})
    assert identity.model == "x" * 63


async def test_a_unit_is_learnt_anew_after_its_agent_restarts(unit: Snmpd, hub: SnmpHub) -> None:
    """New firmware may bring objects, and lose others; somebody is told of the restart."""
    unit.put({"upsEstimatedChargeRemaining": None})
    async with udp_relay(("127.0.0.1", unit.port)) as relay:
        read = Read(hub, as_community(relay.address[1]))
        before = await read()
        unit.put({"upsEstimatedChargeRemaining": ("integer", 77)})
        still = await read()
        unit.restart()
        await read()
        after = await read()

    assert (before.charge, still.charge, after.charge) == (None, None, 0.77)
    assert [notice.kind for notice in read.notices] == [UnitNoticeKind.AGENT_RESTARTED]


async def test_another_engine_id_heals_and_is_told(unit: Snmpd, hub: SnmpHub) -> None:
    """A swapped card costs no poll, and the owner hears that somebody else answers there."""
    read = Read(hub, as_user(unit, timeout="0.3s"))
    await read()
    unit.restart(engine_id=OTHER_ENGINE_ID)

    reading = await read()
    await read()

    assert reading.output_source is OutputSource.NORMAL
    assert UnitNoticeKind.ENGINE_ID_CHANGED in [notice.kind for notice in read.notices]
    assert len(read.notices) == len({notice.kind for notice in read.notices})


@pytest.mark.parametrize("settings", VERSIONS)
async def test_a_unit_that_was_silent_is_read_again(
    unit: Snmpd, hub: SnmpHub, settings: Any
) -> None:
    """Silence is an error with advice, bounded in time, and leaves nothing behind."""
    read = Read(hub, settings(unit).model_copy(update={"timeout": 0.2}))
    await read()
    unit.freeze()
    for _ in range(3):
        with pytest.raises(BackupUnitError) as silent:
            await read()
    unit.thaw()
    reading = await read()

    assert silent.value.trouble is UnitTrouble.SILENT
    assert str(silent.value).startswith('unit "cabinet": 127.0.0.1 port ')
    assert "check that it is on" in silent.value.advice
    assert reading.output_source is OutputSource.NORMAL


@pytest.mark.alone
async def test_a_deadline_is_kept_even_against_the_tries(unit: Snmpd, hub: SnmpHub) -> None:
    """The next poll, and a stop, must not wait for this one."""
    read = Read(hub, as_community(unit))
    await read()
    unit.freeze()
    loop = asyncio.get_running_loop()

    began_at = loop.time()
    with pytest.raises(BackupUnitError):
        await read(within_s=0.15)

    assert loop.time() - began_at < 0.5


async def test_refused_credentials_are_told_with_what_to_mend(unit: Snmpd, hub: SnmpHub) -> None:
    """And without the secret, in the error and in the log."""
    wrong = User("watch", auth_secret="barnacle-and-bilge")
    with structlog.testing.capture_logs() as logged, pytest.raises(BackupUnitError) as refused:
        await Read(hub, as_user(unit, wrong))()

    assert refused.value.trouble is UnitTrouble.REFUSED
    assert refused.value.advice == "mend `auth` and `auth_secret`"
    assert "barnacle" not in f"{refused.value} {refused.value!r} {logged}"


async def test_a_device_without_the_standard_mib_is_told_so(unit: Snmpd, hub: SnmpHub) -> None:
    """A printer's address in the file should not read as a unit with nothing to say."""
    unit.replace({})
    read = Read(hub, as_community(unit))

    with pytest.raises(BackupUnitError) as garbled:
        await read()
    unit.replace(ON_MAINS)
    reading = await read()
    unit.replace({})
    with pytest.raises(BackupUnitError):
        await read()

    assert garbled.value.trouble is UnitTrouble.GARBLED
    assert "1.3.6.1.2.1.33" in str(garbled.value)
    assert reading.output_source is OutputSource.NORMAL


async def test_more_alarms_than_rows_are_in_doubt(unit: Snmpd, hub: SnmpHub) -> None:
    """And a table without end is not read to its end."""
    unit.put(
        {"upsAlarmsPresent": ("gauge", 2), f"{UPS}.1.6.2.1.2.7": ON_BATTERY[f"{UPS}.1.6.2.1.2.7"]}
    )
    read = Read(hub, as_community(unit))
    few = await read()
    endless = {f"{UPS}.1.6.2.1.2.{row}": ("objectid", f".{UPS}.1.6.3.3") for row in range(1, 400)}
    unit.put({"upsAlarmsPresent": ("gauge", 4_000_000_000), **endless})
    async with udp_relay(("127.0.0.1", unit.port)) as relay:
        read = Read(hub, as_community(relay.address[1]))
        many = await read()

        assert len(relay.requests) < 15
    assert few.alarms == {Alarm.ON_BATTERY}
    assert many.alarms == {Alarm.LOW_BATTERY}
    assert "alarms" in few.doubts
    assert "alarms" in many.doubts


async def test_wrong_types_on_the_wire_are_marked(unit: Snmpd, hub: SnmpHub) -> None:
    """Digits in an OCTET STRING, an enumeration that is none: read as far as they go."""
    unit.put({"upsEstimatedChargeRemaining": ("string", "64"), "upsBatteryStatus": ("integer", 9)})

    reading = await Read(hub, as_community(unit))()

    assert (reading.charge, reading.battery_status) == (0.64, None)
    assert set(reading.doubts) == {"charge", "battery_status"}


async def test_a_unit_of_other_numbers_is_read_through_its_map(unit: Snmpd, hub: SnmpHub) -> None:
    """Such as are printed in RFC 1628's compliance statements: normal(2), battery(4)."""
    unit.set(upsOutputSource=4)
    meanings = {2: OutputSource.NORMAL, 4: OutputSource.BATTERY}

    reading = await Read(hub, as_community(unit), output_sources=meanings)()

    assert reading.output_source is OutputSource.BATTERY


async def test_an_identity_names_what_is_there_and_what_is_missing(
    unit: Snmpd, hub: SnmpHub
) -> None:
    """What `probe` shows the installer."""
    unit.put({"upsEstimatedMinutesRemaining": None, "upsIdentUPSSoftwareVersion": None})

    identity = await Read(hub, as_user(unit)).identity()

    assert (identity.manufacturer, identity.model) == ("Estuary Works", "Locker 1000")
    assert (identity.agent_version, identity.unit_version) == ("7.1", "")
    assert (identity.rating_va, identity.rating_w, identity.low_battery_s) == (1000.0, 700.0, 300.0)
    assert identity.missing == ("upsEstimatedMinutesRemaining", "upsIdentUPSSoftwareVersion")
    assert identity.engine_id == unit.engine_id
    assert identity.uptime_s is not None
