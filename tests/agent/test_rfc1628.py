"""What the values of RFC 1628 mean, and which of them are not to be believed."""

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.units import rfc1628
from drivers.transports.snmp_values import SYS_UP_TIME, Oid, Value
from policies.model import Alarm, BatteryStatus, OutputSource, Reading

# Transcribed from the module text of RFC 1628: "upsMIB ::= { mib-2 33 }", "upsObjects ::= { upsMIB
# 1 }", then each group under upsObjects and each object under its group, or its table's entry.
GROUPS = {
    "upsIdent": (1,),
    "upsBattery": (2,),
    "upsInput": (3,),
    "upsOutput": (4,),
    "upsOutputEntry": (4, 4, 1),
    "upsAlarm": (6,),
    "upsAlarmEntry": (6, 2, 1),
    "upsWellKnownAlarms": (6, 3),
    "upsConfig": (9,),
}
OBJECTS = {
    "upsIdentManufacturer": ("upsIdent", 1),
    "upsIdentModel": ("upsIdent", 2),
    "upsIdentUPSSoftwareVersion": ("upsIdent", 3),
    "upsIdentAgentSoftwareVersion": ("upsIdent", 4),
    "upsIdentName": ("upsIdent", 5),
    "upsIdentAttachedDevices": ("upsIdent", 6),
    "upsBatteryStatus": ("upsBattery", 1),
    "upsSecondsOnBattery": ("upsBattery", 2),
    "upsEstimatedMinutesRemaining": ("upsBattery", 3),
    "upsEstimatedChargeRemaining": ("upsBattery", 4),
    "upsBatteryVoltage": ("upsBattery", 5),
    "upsInputLineBads": ("upsInput", 1),
    "upsOutputSource": ("upsOutput", 1),
    "upsOutputNumLines": ("upsOutput", 3),
    "upsOutputPower": ("upsOutputEntry", 4),
    "upsOutputPercentLoad": ("upsOutputEntry", 5),
    "upsAlarmsPresent": ("upsAlarm", 1),
    "upsAlarmDescr": ("upsAlarmEntry", 2),
    "upsConfigOutputVA": ("upsConfig", 5),
    "upsConfigOutputPower": ("upsConfig", 6),
    "upsConfigLowBattTime": ("upsConfig", 7),
}
WELL_KNOWN_ALARMS = [
    "BatteryBad",
    "OnBattery",
    "LowBattery",
    "DepletedBattery",
    "TempBad",
    "InputBad",
    "OutputBad",
    "OutputOverload",
    "OnBypass",
    "BypassBad",
    "OutputOffAsRequested",
    "UpsOffAsRequested",
    "ChargerFailed",
    "UpsOutputOff",
    "UpsSystemOff",
    "FanFailure",
    "FuseFailure",
    "GeneralFault",
    "DiagnosticTestFailed",
    "CommunicationsLost",
    "AwaitingPower",
    "ShutdownPending",
    "ShutdownImminent",
    "TestInProgress",
]


def printed(name: str) -> Oid:
    group, number = OBJECTS[name]
    return (1, 3, 6, 1, 2, 1, 33, 1, *GROUPS[group], number)


def instance(name: str) -> Oid:
    """The instance of a scalar, or of a column with its line: "upsOutputPower.2"."""
    plain, _, line = name.partition(".")
    return (*printed(plain), int(line or 0))


def alarm_row(number: int) -> Oid:
    return (1, 3, 6, 1, 2, 1, 33, 1, *GROUPS["upsWellKnownAlarms"], number)


MAINS: dict[str, Value] = {
    "upsBatteryStatus": 2,
    "upsSecondsOnBattery": 0,
    "upsEstimatedMinutesRemaining": 47,
    "upsEstimatedChargeRemaining": 98,
    "upsBatteryVoltage": 410,
    "upsInputLineBads": 3,
    "upsOutputSource": 3,
    "upsOutputPower.1": 184,
    "upsOutputPercentLoad.1": 26,
    "upsAlarmsPresent": 0,
}


def decoded(
    changes: Mapping[str, Value] | None = None,
    *,
    rows: list[Value] | None = None,
    uptime: Value = 8_640_000,
    meanings: Mapping[int, OutputSource] | None = None,
) -> Reading:
    values = {instance(name): value for name, value in {**MAINS, **(changes or {})}.items()}
    return rfc1628.decode_reading(
        {SYS_UP_TIME: uptime, **values},
        [] if rows is None else rows,
        unit="cabinet",
        at=12.5,
        output_sources=meanings or {},
    )


def test_every_object_has_the_number_that_the_standard_prints() -> None:
    """A wrong number would read one quantity as another."""
    scalars = {**rfc1628.POLLED, **rfc1628.STATIC, "upsOutputNumLines": rfc1628.NUM_LINES}
    columns = {**rfc1628.COLUMNS, "upsAlarmDescr": rfc1628.ALARM_DESCR}

    assert {name: oid[:-1] for name, oid in scalars.items()} | columns == {
        name: printed(name) for name in OBJECTS
    }
    assert {oid[-1] for oid in scalars.values()} == {0}


def test_every_alarm_has_the_number_that_the_standard_prints() -> None:
    """The order of section 4.6."""
    assert {
        alarm_row(number): Alarm(f"upsAlarm{name}")
        for number, name in enumerate(WELL_KNOWN_ALARMS, start=1)
    } == rfc1628.ALARMS


def test_a_reading_comes_in_si_units() -> None:
    """Minutes, tenths of a volt, percent and hundredths of a second."""
    reading = decoded()

    assert reading == Reading(
        unit="cabinet",
        at=12.5,
        output_source=OutputSource.NORMAL,
        battery_status=BatteryStatus.NORMAL,
        on_battery_s=0.0,
        runtime_s=2820.0,
        charge=0.98,
        battery_v=41.0,
        output_w=184.0,
        load_share=0.26,
        line_bads=3,
        uptime_s=86400.0,
    )


def test_what_a_unit_does_not_say_is_absent() -> None:
    """A zero in place of nothing would be an empty battery."""
    reading = rfc1628.decode_reading({}, None, unit="cabinet", at=1.0, output_sources={})

    assert reading == Reading(unit="cabinet", at=1.0)


def test_output_lines_are_summed_in_watts_and_the_fullest_counts() -> None:
    """On three lines the overload of one is an overload."""
    reading = decoded(
        {
            "upsOutputPower.2": 90,
            "upsOutputPower.3": 26,
            "upsOutputPercentLoad.2": 88,
            "upsOutputPercentLoad.3": 5,
        }
    )

    assert (reading.output_w, reading.load_share, reading.doubts) == (300.0, 0.88, {})


@pytest.mark.parametrize(
    ("changes", "field", "value", "why"),
    [
        ({"upsEstimatedMinutesRemaining": 0}, "runtime_s", 0.0, "is 0"),
        ({"upsEstimatedMinutesRemaining": 65535}, "runtime_s", 3932100.0, "65535 or more"),
        ({"upsEstimatedMinutesRemaining": -1}, "runtime_s", None, "negative"),
        ({"upsEstimatedMinutesRemaining": b"42"}, "runtime_s", 2520.0, "came as text"),
        ({"upsEstimatedMinutesRemaining": b" 42 \x00"}, "runtime_s", 2520.0, "came as text"),
        ({"upsEstimatedMinutesRemaining": b"n/a"}, "runtime_s", None, "no number"),
        ({"upsEstimatedMinutesRemaining": (1, 3)}, "runtime_s", None, "no number"),
        ({"upsEstimatedChargeRemaining": 101}, "charge", None, "above 100 %"),
        ({"upsEstimatedChargeRemaining": b"97"}, "charge", 0.97, "came as text"),
        ({"upsSecondsOnBattery": -5}, "on_battery_s", None, "negative"),
        ({"upsSecondsOnBattery": 90_000}, "on_battery_s", 90_000.0, "more than sysUpTime"),
        ({"upsBatteryVoltage": 0}, "battery_v", 0.0, "is 0"),
        ({"upsOutputPercentLoad.1": 201}, "load_share", None, "above 200 %"),
        ({"upsOutputPower.1": 0}, "output_w", 0.0, "is not"),
        ({"upsOutputPower.2": None}, "output_w", 184.0, "some output lines only"),
        ({"upsOutputPower.1": -3}, "output_w", None, "negative"),
        ({"upsOutputSource": 8}, "output_source", None, "is 8"),
        ({"upsOutputSource": b"3"}, "output_source", OutputSource.NORMAL, "came as text"),
        ({"upsBatteryStatus": 0}, "battery_status", None, "is 0"),
        ({"upsAlarmsPresent": 2}, "alarms", frozenset(), "not the number of rows"),
        ({"upsInputLineBads": b"x"}, "line_bads", None, "no number"),
    ],
)
def test_what_makes_no_sense_is_marked(
    changes: dict[str, Value], field: str, value: Any, why: str
) -> None:
    """Nothing of this may stop a site, or keep one up, by itself."""
    reading = decoded(changes)

    assert getattr(reading, field) == value
    assert why in reading.doubts[field]
    assert list(reading.doubts) == [field]


def test_alarms_of_the_standard_are_known_and_others_only_counted() -> None:
    """A maker's own alarm (under its enterprise number) makes no doubt of the count."""
    rows: list[Value] = [alarm_row(2), (1, 3, 6, 1, 4, 1, 32473, 7), (*alarm_row(3), 0)]

    reading = decoded({"upsAlarmsPresent": 3}, rows=rows)

    assert reading.alarms == {Alarm.ON_BATTERY, Alarm.LOW_BATTERY}
    assert reading.doubts == {}


def test_alarms_that_could_not_be_read_are_in_doubt() -> None:
    """An empty set would read as all well."""
    values = {instance("upsAlarmsPresent"): 1}

    reading = rfc1628.decode_reading(values, None, unit="cabinet", at=1.0, output_sources={})

    assert "could not be read" in reading.doubts["alarms"]


def test_an_alarm_written_as_text_is_read_and_marked() -> None:
    """Some agents send the name's digits in an OCTET STRING."""
    reading = decoded({"upsAlarmsPresent": 1}, rows=[b".1.3.6.1.2.1.33.1.6.3.20"])

    assert reading.alarms == {Alarm.COMMUNICATIONS_LOST}
    assert "came as text" in reading.doubts["alarms"]


def test_a_value_map_translates_a_units_own_numbers() -> None:
    """The compliance text of RFC 1628 prints normal(2), battery(4): some units follow that."""
    meanings = {2: OutputSource.NORMAL, 4: OutputSource.BATTERY}

    sources = [
        decoded({"upsOutputSource": number}, meanings=meanings).output_source
        for number in (2, 4, 6)
    ]

    assert sources == [OutputSource.NORMAL, OutputSource.BATTERY, OutputSource.BOOSTER]


@pytest.mark.parametrize(
    ("number", "seconds"),
    [(2, 0), (4, 30)],
)
def test_the_other_numbering_is_suspected_without_a_map(number: int, seconds: int) -> None:
    """Mains read as "no output", and battery as bypass: the installer is told of the map."""
    reading = decoded({"upsOutputSource": number, "upsSecondsOnBattery": seconds})

    assert "output_source_map" in reading.doubts["output_source"]


def test_a_doubt_reads_the_same_from_poll_to_poll() -> None:
    """The journal notes a reading whenever its doubts change; a drifting number would flood it."""
    odd = {"upsOutputPower.1": 0, "upsAlarmsPresent": 5, "upsSecondsOnBattery": 90_000}

    one = decoded({**odd, "upsOutputPercentLoad.1": 20})
    two = decoded({**odd, "upsOutputPercentLoad.1": 21, "upsSecondsOnBattery": 90_005})

    assert one.doubts == two.doubts


_VALUES = st.one_of(
    st.none(),
    st.integers(-(2**31), 2**64),
    st.binary(max_size=20),
    st.from_regex(rb"\s?-?[0-9]{1,6}", fullmatch=True),
    st.lists(st.integers(0, 2**32 - 1), max_size=12).map(tuple),
)


@given(
    st.dictionaries(st.sampled_from(sorted(MAINS)), _VALUES),
    st.one_of(st.none(), st.lists(_VALUES, max_size=5)),
    _VALUES,
)
def test_no_answer_can_break_the_decoding(
    changes: dict[str, Value], rows: list[Value] | None, uptime: Value
) -> None:
    """Whatever an agent sends, a reading comes out whose numbers keep their ranges."""
    values = {SYS_UP_TIME: uptime} | {instance(name): value for name, value in changes.items()}

    reading = rfc1628.decode_reading(values, rows, unit="cabinet", at=1.0, output_sources={})

    assert reading.charge is None or 0.0 <= reading.charge <= 1.0
    assert reading.load_share is None or 0.0 <= reading.load_share <= 2.0
    for name in ("on_battery_s", "runtime_s", "battery_v", "output_w", "line_bads", "uptime_s"):
        assert (getattr(reading, name) or 0.0) >= 0.0
    assert set(reading.doubts) <= set(Reading.__slots__)


def test_an_identity_is_text_that_can_be_shown() -> None:
    """It goes to a terminal and a page: no control characters, no more than DisplayString's 63."""
    values: dict[Oid, Value] = {
        instance("upsIdentManufacturer"): b"Estuary\x1b[2J Works\x00",
        instance("upsIdentModel"): b"m" * 300,
        instance("upsIdentName"): b"caf\xc3\xa9 \xff",
        instance("upsConfigOutputVA"): 1000,
        instance("upsConfigOutputPower"): 0,
        instance("upsConfigLowBattTime"): 5,
        SYS_UP_TIME: 4200,
    }

    identity = rfc1628.decode_identity(values, missing=["upsOutputPower"], engine_id="80ab")

    assert identity.manufacturer == "Estuary [2J Works"
    assert identity.model == "m" * 63
    assert identity.name == "café \ufffd"
    assert (identity.rating_va, identity.rating_w, identity.low_battery_s) == (1000.0, None, 300.0)
    assert (identity.missing, identity.engine_id) == (("upsOutputPower",), "80ab")
    assert identity.uptime_s == 42.0


WRAP_S = 2**32 / 100


@pytest.mark.parametrize(
    ("before_s", "now_s", "elapsed_s", "restarted"),
    [
        (1000.0, 1005.0, 5.0, False),
        (1000.0, 1004.0, 5.0, False),
        (1000.0, 2.0, 5.0, True),
        (10.0, 2.0, 3.0, True),
        (1000.0, 3600.0, 7200.0, True),  # silent for two hours, and up again for one
        (1000.0, 8100.0, 7200.0, False),  # its clock is 1 % slow
        (WRAP_S - 3.0, 2.0, 5.0, False),  # 497 days: RFC 3418, TimeTicks of 32 bits
        (WRAP_S - 3.0, 2.0, 900.0, True),
        (WRAP_S - 3000.0, 2.0, 5.0, True),
    ],
)
def test_a_restart_is_told_from_a_wrap(
    before_s: float, now_s: float, elapsed_s: float, restarted: bool
) -> None:
    """After a restart the unit is learnt anew; after a wrap nothing has happened."""
    found = rfc1628.has_restarted(before_s=before_s, now_s=now_s, elapsed_s=elapsed_s)

    assert found is restarted


@pytest.mark.parametrize(
    ("tail", "name"),
    [
        ((2, 1), "upsTrapOnBattery"),
        ((2, 0, 1), "upsTrapOnBattery"),  # RFC 3584 section 3.1
        ((2, 2), "upsTrapTestCompleted"),
        ((2, 3), "upsTrapAlarmEntryAdded"),
        ((2, 0, 4), "upsTrapAlarmEntryRemoved"),
        ((2, 5), None),
        ((2,), None),
        ((2, 1, 0), None),
        ((1, 4, 1, 0), None),
    ],
)
def test_notifications_are_known_in_both_forms(tail: Oid, name: str | None) -> None:
    """A proxy that turns version 1 into 2 inserts a 0."""
    assert rfc1628.trap_name((1, 3, 6, 1, 2, 1, 33, *tail)) == name
