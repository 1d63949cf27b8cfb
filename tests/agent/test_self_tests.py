"""Battery tests by the spin-lock procedure, on net-snmp's agent and under the agent's own eyes."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime, time
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from agent.clock import LoopClock
from agent.config import load
from agent.regular.due_times import Attended
from agent.regular.self_tests import SelfTests
from agent.units.self_test import (
    ABORT,
    DETAIL,
    ELAPSED,
    QUICK,
    SPIN_LOCK,
    START,
    SUMMARY,
    TEST_ID,
    SelfTest,
)
from agent.virtual.battery import Build, Gauge, VirtualBattery
from agent.virtual.test_group import LOCK_MOST, TestQuirk
from agent.virtual.unit import Plate, VirtualUnit
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_responder import UsmUser
from policies.runtime import Cells, Inverter
from tests.agent.commands import V3, unit, write_site
from tests.agent.site_files import TODAY, read
from tests.agent.test_check import QUIET
from tests.agent.test_wiring import journalled, running, until, until_heard
from tests.peers.snmp_settings import as_user
from tests.peers.snmpd import AUTH_SECRET, ON_MAINS, PRIVACY_SECRET, SWITCH, WATCH, Snmpd, Value

LISBON = ZoneInfo("Europe/Lisbon")
ALWAYS = Attended(frozenset(range(7)), time(0, 0), time(23, 59, 59))


NEW: Value = ("test-start", 77)
"""The start of the last test, which is another one as soon as one is begun."""


def dotted(oid: tuple[int, ...]) -> str:
    return ".".join(map(str, oid))


def group(**kinds: Value) -> Mapping[str, Value]:
    """Return the test group of a unit; what a SET does to these types is told in ups_pass.py."""
    found: dict[str, Value] = {
        "lock": ("test-lock", 41), "test": ("test-id", f".{dotted(QUICK)[:-1]}1"),
        "summary": ("test-summary", 1), "detail": ("string", "cells even"),
        "start": ("timeticks", 0), "elapsed": ("integer", 0),
    }  # fmt: skip
    found |= kinds
    return {
        dotted(SPIN_LOCK): found["lock"],
        dotted(TEST_ID): found["test"],
        dotted(SUMMARY): found["summary"],
        dotted(DETAIL): found["detail"],
        dotted(START): found["start"],
        dotted(ELAPSED): found["elapsed"],
    }


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Snmpd]:
    with Snmpd(tmp_path / "unit", users=(WATCH, SWITCH), values={**ON_MAINS, **group()}) as found:
        yield found


async def tested(
    snmpd: Snmpd, *, stop: str = "", refuse: str = "", within_s: float = 20.0
) -> tuple[str, str]:
    hub = SnmpHub()
    try:
        peer = hub.peer("127.0.0.1", as_user(snmpd, SWITCH))
        test = SelfTest(peer, unit="cabinet", clock=LoopClock())
        found = await test.run(within_s=within_s, stop=lambda: stop, refuse=lambda: refuse)
        return found.verdict.value, found.evidence
    finally:
        hub.close()


@pytest.mark.peer
async def test_test_is_begun_once_and_its_result_read(snmpd: Snmpd) -> None:
    """One request with the lock and the test; then the result, as the unit words it."""
    assert await tested(snmpd) == ("passed", "cells even")
    lock = await asked(snmpd, SPIN_LOCK)
    assert lock == 42


async def asked(snmpd: Snmpd, oid: tuple[int, ...]) -> object:
    hub = SnmpHub()
    try:
        peer = hub.peer("127.0.0.1", as_user(snmpd, SWITCH))
        return (await peer.get([oid], within_s=5.0)).values[0][1]
    finally:
        hub.close()


@pytest.mark.peer
@pytest.mark.parametrize(
    ("kinds", "verdict", "said"),
    [
        ({"test": ("test-id-refused", f".{dotted(QUICK)[:-1]}1")}, "refused", "refuses to test"),
        ({"lock": ("integer", 41)}, "refused", "write access"),
        ({"lock": ("taken-lock", 41)}, "passed", "cells even"),
        ({"summary": ("integer", 3), "start": NEW}, "failed", "cells even"),
        ({"summary": ("integer", 2), "start": NEW}, "with a warning", "cells even"),
    ],
    ids=["refused", "read-only", "lost one race", "failed", "warning"],
)
async def test_what_units_do_with_it(
    snmpd: Snmpd, kinds: dict[str, Value], verdict: str, said: str
) -> None:
    """The index of the error says whether the race or the test was lost (RFC 1628, 4.7)."""
    snmpd.replace({**ON_MAINS, **group(**kinds)})
    found = await tested(snmpd)

    assert found[0] == verdict
    assert said in found[1]


@pytest.mark.peer
@pytest.mark.parametrize(
    "start",
    ["late-start", "test-start", "timeticks"],
    ids=["tells when", "tells when at once", "does not"],
)
async def test_slow_cards_old_result_is_not_taken_for_the_new_one(snmpd: Snmpd, start: str) -> None:
    """Last year's failed battery would be told as today's, or worse, last year's good one."""
    late = group(summary=("late-summary", 3), start=(start, 77))
    snmpd.replace({**ON_MAINS, **late})

    assert (await tested(snmpd))[0] == "passed"


@pytest.mark.peer
async def test_card_that_never_shows_the_test_is_not_believed(snmpd: Snmpd) -> None:
    """What it shows may be of today or of last year: that nobody knows is what is said."""
    snmpd.replace({**ON_MAINS, **group(summary=("integer", 1))})
    verdict, said = await tested(snmpd, within_s=5.0)

    assert verdict == "not known"
    assert "results of the one before" in said


@pytest.mark.peer
async def test_summary_that_is_not_shown_for_a_moment_is_waited_for(snmpd: Snmpd) -> None:
    """A busy card left it out once, and the test ended as a fault of ours that told nobody."""
    shown = {**ON_MAINS, **group(summary=("test-summary", 3))}
    without = {oid: value for oid, value in shown.items() if oid != dotted(SUMMARY)}
    snmpd.replace(shown)
    course = iter([shown, without])
    hub = SnmpHub()

    def stop() -> str:
        snmpd.replace(next(course, shown))
        return ""

    try:
        peer = hub.peer("127.0.0.1", as_user(snmpd, SWITCH))
        test = SelfTest(peer, unit="cabinet", clock=LoopClock())
        found = await test.run(within_s=20.0, stop=stop)
    finally:
        hub.close()

    assert (found.verdict.value, found.evidence) == ("passed", "cells even")


@pytest.mark.peer
async def test_unit_without_a_test_group_is_refused(snmpd: Snmpd) -> None:
    """Subset compliance has none, and that must be said as such."""
    snmpd.replace(ON_MAINS)

    verdict, said = await tested(snmpd)
    assert verdict == "refused"
    assert "no test group" in said


@pytest.mark.peer
async def test_test_that_must_stop_is_aborted(snmpd: Snmpd) -> None:
    """A test that takes too long is ended through the lock, as it was begun."""
    snmpd.replace({**ON_MAINS, **group(summary=("test-summary", 60))})
    verdict, _ = await tested(snmpd, within_s=1.0)

    assert verdict in ("aborted", "passed")  # this peer shows "passed" once it was aborted
    assert await asked(snmpd, TEST_ID) == ABORT
    assert await asked(snmpd, SPIN_LOCK) == 43


@pytest.mark.peer
async def test_nothing_is_begun_that_is_not_wanted(snmpd: Snmpd) -> None:
    """Mains may fail between the decision and the first request."""
    assert await tested(snmpd, stop="mains has failed") == (
        "aborted",
        "it was not begun: mains has failed",
    )
    assert await asked(snmpd, SPIN_LOCK) == 41


@pytest.mark.peer
async def test_nothing_is_begun_that_is_no_longer_safe(snmpd: Snmpd) -> None:
    """Once somebody else's test is over the battery is not full, and people may have gone home."""
    assert await tested(snmpd, refuse="its battery is not full") == (
        "refused",
        "it was not begun: its battery is not full",
    )
    assert await asked(snmpd, SPIN_LOCK) == 41


# The whole agent on a unit whose test runs on its battery

BATTERY = Build(Cells(200.0, 0.55, 3.0), Inverter(0.86, 10.0), charger_w=40.0, nominal_v=36.0)


class Yard:
    """A virtual unit, and the tests of it by an agent that watches it."""

    def __init__(self, folder: Path, *quirks: TestQuirk) -> None:
        loop = asyncio.get_running_loop()
        self.unit = VirtualUnit(
            Plate("cabinet", 1000.0, 700.0),
            VirtualBattery(BATTERY, Gauge(believed_wh=200.0), at=loop.time(), load_w=90.0),
            on_output=lambda is_on: None,
            address="127.0.0.1",
            community="",
            users=[UsmUser("watch", "sha256", AUTH_SECRET, "aes128", PRIVACY_SECRET)],
            test_quirks=quirks,
        )
        self.unit.load(90.0)
        self.unit.test_s = 4.0
        self.folder, self.state = folder, folder / "state"


class Leaving(Attended):
    """Somebody is there when first asked, and has left by the next time."""

    asked = 0

    def covers(self, at: datetime, zone: ZoneInfo) -> bool:
        Leaving.asked += 1
        return Leaving.asked == 1


async def through(
    folder: Path, *quirks: TestQuirk, mains_fails: bool = False, attended: Attended = ALWAYS
) -> dict[str, Any]:
    """Have the agent test the unit's battery, and return what came of it."""
    made = Yard(folder, *quirks)
    await made.unit.start()
    try:
        path = write_site(folder, unit(made.unit.address[1], snmp=V3, more='flicker = "1s"'))
        loaded, faults = load(path, today=TODAY)
        assert loaded is not None, faults
        async with running(loaded, made.state) as agent:
            await until_heard(agent)
            hub = SnmpHub()
            peer = hub.peer("127.0.0.1", loaded.units["cabinet"].snmp)
            clock = LoopClock(offset_s=agent.now() - asyncio.get_running_loop().time())
            tests = SelfTests(
                agent.engine,
                clock=clock,
                zone=LISBON,
                attended=attended,
                test_of=lambda name: SelfTest(peer, unit=name, clock=clock),
                steady_s=0.0,
            )
            doing = asyncio.ensure_future(tests.test("cabinet", datetime.now(UTC)))
            seen = set()
            await until(lambda: made.unit.tests.is_testing or doing.done())
            if mains_fails:
                made.unit.mains_fails()
            while not doing.done():
                seen.add(agent.engine.state.outage_at is not None)
                await asyncio.sleep(0.1)
            came = doing.result()
            await asyncio.sleep(2.0)
            seen.add(agent.engine.state.outage_at is not None)
            hub.close()
        return {"came": came, "outage": True in seen, "lock": made.unit.tests.lock}
    finally:
        made.unit.close()


@pytest.mark.parametrize("quirks", [(), (TestQuirk.SAYS_NOTHING,)], ids=["", "without an alarm"])
async def test_test_that_runs_on_battery_is_no_outage(
    tmp_path: Path, quirks: tuple[TestQuirk, ...]
) -> None:
    """Four times as long as a flicker on battery, seen by real polls: nobody is told to stop."""
    found = await through(tmp_path, *quirks)

    assert found["came"].is_well
    assert "passed" in found["came"].why
    assert not found["outage"]
    assert found["lock"] == 2
    kinds = [event["kind"] for event in journalled(tmp_path / "state", "ended_self_test")]
    assert kinds == ["ended_self_test"]
    assert journalled(tmp_path / "state", "gave_order") == []


async def test_failed_test_is_said_loudly(tmp_path: Path) -> None:
    """That is what it is for."""
    found = await through(tmp_path, TestQuirk.FAILS)

    assert "failed (battery below its limit)" in found["came"].why
    told = journalled(tmp_path / "state", "raised_notice")
    assert [e["severity"] for e in told if "was tested" in e["text"]] == ["error"]


async def test_unit_that_knows_no_quick_test_is_refused(tmp_path: Path) -> None:
    """Basic compliance with RFC 1628 asks for none; nothing is begun, and its lock is as it was."""
    found = await through(tmp_path, TestQuirk.NO_QUICK_TEST)

    assert "refused" in found["came"].why
    assert found["lock"] == 1


async def test_it_is_asked_again_just_before_whether_it_is_safe(tmp_path: Path) -> None:
    """Between the first answer and the begin lies a wait for whoever else tests."""
    Leaving.asked = 0
    found = await through(tmp_path, attended=Leaving(ALWAYS.days, ALWAYS.begins, ALWAYS.ends))

    assert "it was not begun: nobody attends at this hour" in found["came"].why
    assert found["lock"] == 1


async def test_mains_that_fails_in_mid_test_is_an_outage(tmp_path: Path) -> None:
    """The unit goes on by its battery for another reason, and that reason counts."""
    found = await through(tmp_path, TestQuirk.SAYS_NOTHING, mains_fails=True)

    assert found["outage"]


# The file

SEALED = 'version = "3", user = "s", auth = "sha256", auth_secret = { env = "KNOCK_PASSWORD" }, '
SEALED += 'privacy = "aes128", privacy_secret = { env = "KNOCK_PASSWORD" }'


def with_test(snmp: str, schedule: str) -> str:
    table = f'[unit.self_test]\non = 8\nat = "10:00"\nsnmp = {{ {snmp} }}\n'
    return QUIET.replace("[[device]]", f"{table}\n[[device]]", 1) + schedule


ATTENDED = '[schedule]\nattended = { days = ["mon", "fri"], from = "09:00", to = "17:00" }\n'


def test_test_by_the_file(tmp_path: Path) -> None:
    """It is due in the attended hours of the file, in the name of who may."""
    loaded = read(tmp_path, with_test(SEALED, ATTENDED)).loaded
    attended = loaded.schedule.attended

    assert attended is not None
    assert attended.covers(datetime(2026, 11, 27, 9, 0, tzinfo=LISBON), LISBON)
    assert not attended.covers(datetime(2026, 11, 27, 17, 0, tzinfo=LISBON), LISBON)
    assert not attended.covers(datetime(2026, 11, 28, 9, 0, tzinfo=LISBON), LISBON)
    (found,) = (u.self_test for u in loaded.units.values())
    assert found is not None
    assert found.rule.day == 8


@pytest.mark.parametrize(
    ("snmp", "schedule", "code"),
    [
        ('version = "2c", community = { env = "KNOCK_PASSWORD" }', ATTENDED, "self-test-in-clear"),
        (SEALED, "", "self-test-unattended"),
        (SEALED, ATTENDED.replace("17:00", "08:00"), "attended-backwards"),
    ],
)
def test_file_that_would_be_unsafe_is_refused(
    tmp_path: Path, snmp: str, schedule: str, code: str
) -> None:
    """In clear text anybody could empty the battery; unattended nobody could help."""
    assert code in {fault.code for fault in read(tmp_path, with_test(snmp, schedule)).faults}


def test_lock_wraps() -> None:
    """RFC 2579: after 2147483647 comes 0."""
    from agent.virtual.test_group import TestGroup

    made = TestGroup(lock=LOCK_MOST)
    made.take_lock(LOCK_MOST)
    assert made.lock == 0
