"""Arming and withdrawing an output, on a control group in memory and on net-snmp's agent."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from pathlib import Path

import pytest

from agent.clock import LoopClock
from agent.conduct.output_switch import OutputSwitch, Switched
from agent.conduct.unit_control import SnmpControl
from agent.virtual.control_group import (
    AUTO_RESTART,
    SHUTDOWN,
    SHUTDOWN_TYPE,
    STARTUP,
    Quirk,
)
from drivers.transports.snmp import SnmpHub
from policies.model import OutputControl
from tests.agent.benches import advance_until
from tests.agent.grouped import Grouped
from tests.fakes import FakeClock
from tests.peers.snmp_settings import as_user
from tests.peers.snmpd import CONTROL, ON_MAINS, SWITCH, WATCH, Snmpd

SETTINGS = OutputControl(drops_after_s=120.0, off_for_s=60.0)


class Bench:
    """A switch over a control group in memory."""

    def __init__(self, *quirks: Quirk) -> None:
        self.clock = FakeClock(at=1000.0)
        self.unit = Grouped(self.clock, *quirks)
        self.switch = OutputSwitch(self.unit, SETTINGS, clock=self.clock)

    async def result(self, doing: Awaitable[Switched]) -> Switched:
        task = asyncio.ensure_future(doing)
        await advance_until(self.clock, task.done, within_s=120.0)
        return task.result()

    async def arm(self) -> Switched:
        return await self.result(self.switch.arm(lambda: True))


async def test_startup_is_armed_before_shutdown_and_longer() -> None:
    """Mains may return in between: then only the startup brings the output back (RFC 1628)."""
    bench = Bench()

    armed = await bench.arm()

    assert armed.done
    assert bench.unit.written == [(STARTUP, 180), (SHUTDOWN, 120)]
    assert armed.drops_at is not None and armed.returns_at is not None
    assert armed.drops_at == pytest.approx(1120.0, abs=2.0)
    assert armed.returns_at >= armed.drops_at + 59.0


async def test_automatic_restart_and_the_type_are_set_where_they_are_not() -> None:
    """With automatic restart off, nothing comes back after a longer outage."""
    bench = Bench()
    bench.unit.group.auto_restart, bench.unit.group.shutdown_type = 2, 2

    await bench.arm()

    assert bench.unit.written[:2] == [(AUTO_RESTART, 1), (SHUTDOWN_TYPE, 1)]


@pytest.mark.parametrize(
    ("quirk", "said"),
    [
        (Quirk.READ_ONLY, "NOT_WRITABLE"),
        (Quirk.IGNORES, "it took upsStartupAfterDelay = 180, and reads -1"),
        (Quirk.NO_STARTUP, "has no upsShutdownAfterDelay and upsStartupAfterDelay"),
        (Quirk.NO_CONTROL, "has no upsShutdownAfterDelay and upsStartupAfterDelay"),
        (Quirk.NO_RESTART, "NOT_WRITABLE"),
    ],
)
async def test_a_unit_without_working_control_is_never_armed(quirk: Quirk, said: str) -> None:
    """A shutdown without its startup would leave the site dark for good."""
    bench = Bench(quirk)

    failed = await bench.arm()

    assert not failed.done
    assert said in failed.evidence
    assert failed.drops_at is None
    assert (SHUTDOWN, 120) not in bench.unit.written
    assert bench.unit.group.shutdown_at is None


async def test_what_changes_before_the_shutdown_is_armed_ends_it() -> None:
    """Somebody switched a recorder on in the very second."""
    bench = Bench()

    failed = await bench.result(bench.switch.arm(lambda: False))

    assert not failed.done
    assert (SHUTDOWN, 120) not in bench.unit.written
    assert (bench.unit.group.shutdown_at, bench.unit.group.startup_at) == (None, None)


async def test_a_countdown_of_somebody_else_is_left_alone() -> None:
    """Setting another would replace it."""
    bench = Bench()
    bench.unit.group.shutdown_at = 1500.0

    failed = await bench.arm()

    assert not failed.done
    assert "not ours" in failed.evidence


async def test_withdrawing_is_read_back() -> None:
    """RFC 1628: only -1 withdraws, and a unit may ignore it."""
    bench = Bench()
    await bench.arm()

    withdrawn = await bench.result(bench.switch.withdraw())

    assert withdrawn.done
    assert bench.unit.written[-2:] == [(SHUTDOWN, -1), (STARTUP, -1)]
    assert "-1 read back" in withdrawn.evidence


async def test_a_countdown_that_runs_on_keeps_its_startup() -> None:
    """The output will drop on good mains, and must come back."""
    bench = Bench(Quirk.UNCANCELLABLE)
    await bench.arm()
    bench.unit.group.startup_at = None

    stuck = await bench.result(bench.switch.withdraw())

    assert not stuck.done
    assert stuck.drops_at == pytest.approx(1120.0, abs=3.0)
    assert (STARTUP, -1) not in bench.unit.written
    assert bench.unit.group.startup_at is not None
    assert bench.unit.group.startup_at > (bench.unit.group.shutdown_at or 0.0) + 20.0


async def test_silence_in_mid_arming_counts_as_armed() -> None:
    """What was sent may have arrived: whoever reads the journal must reckon with a drop."""
    bench = Bench()
    doing = asyncio.ensure_future(bench.switch.arm(lambda: True))
    await advance_until(
        bench.clock, lambda: (SHUTDOWN, 120) in bench.unit.written, within_s=30.0, step_s=0.05
    )
    bench.unit.silent = True
    await advance_until(bench.clock, doing.done, within_s=300.0)

    failed = doing.result()

    assert not failed.done
    assert failed.drops_at is not None


@pytest.mark.peer
async def test_net_snmp_is_armed_and_withdrawn_with_authentication_and_privacy(
    tmp_path: Path,
) -> None:
    """The same against an SNMP agent that nobody here wrote (RFC 1628 section 4.8 in its MIB)."""
    hub, clock = SnmpHub(), LoopClock()
    with Snmpd(tmp_path, users=(WATCH, SWITCH), values=ON_MAINS | CONTROL) as agent:
        peer = hub.peer("127.0.0.1", as_user(agent, SWITCH))
        unit = SnmpControl(peer, unit="cabinet", clock=clock)
        switch = OutputSwitch(unit, SETTINGS, clock=clock)

        armed = await switch.arm(lambda: True)
        read = await unit.read(deadline_at=clock.monotonic() + 5.0)
        withdrawn = await switch.withdraw()
        after = await unit.read(deadline_at=clock.monotonic() + 5.0)
    hub.close()

    assert armed.done, armed.evidence
    assert read.auto_restart == 1
    assert read.shutdown_s is not None and 100 <= read.shutdown_s <= 120
    assert read.startup_s is not None and read.startup_s >= read.shutdown_s + 55
    assert withdrawn.done
    assert (after.shutdown_s, after.startup_s) == (-1, -1)


@pytest.mark.peer
async def test_a_user_that_may_only_read_arms_nothing(tmp_path: Path) -> None:
    """The refusal names what to mend: VACM gives this user no write view."""
    hub, clock = SnmpHub(), LoopClock()
    with Snmpd(tmp_path, users=(WATCH, SWITCH), values=ON_MAINS | CONTROL) as agent:
        peer = hub.peer("127.0.0.1", as_user(agent, WATCH))
        switch = OutputSwitch(SnmpControl(peer, unit="cabinet", clock=clock), SETTINGS, clock=clock)

        failed = await switch.arm(lambda: True)
    hub.close()

    assert not failed.done
    assert "may not write there" in failed.evidence
    assert failed.drops_at is None
