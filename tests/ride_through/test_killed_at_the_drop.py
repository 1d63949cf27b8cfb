"""The agent is killed (SIGKILL) while it arms a unit's output, and while its own box leaves.

net-snmp's snmpd plays a unit with the control group of RFC 1628, OpenSSH's sshd the recorder; the
agent is a process, and its box "powers off" by a script that only writes that down. Whatever the
moment, the agent that is started again finds what the unit says, and never believes that nothing
counts while something does.
"""

from __future__ import annotations

import asyncio
import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from agent.clock import LoopClock
from agent.conduct.unit_control import Control, SnmpControl
from drivers.errors import DeviceSilentError
from drivers.transports.snmp import SnmpHub
from tests.peers.boatyard import Boatyard, Host, _pid, wait_until
from tests.peers.snmp_settings import as_user
from tests.peers.snmpd import CONTROL, ON_BATTERY, ON_MAINS, SWITCH, WATCH, Snmpd
from tests.peers.sshd import Sshd
from tests.ride_through.rides import entries, lastwatt, until_watched

pytestmark = pytest.mark.peer

OUTPUT = """flicker = "1s"
[unit.output]
drops_after = "120s"
off_for = "60s"
[unit.output.snmp]
version = "3"
port = {port}
user = "switch"
auth = "sha256"
auth_secret = {{ file = "auth" }}
privacy = "aes128"
privacy_secret = {{ file = "privacy" }}
"""
BOX = """role = "agent box"
start = "by itself"
stop = {{ driver = "local", takes = "5s", command = ["{script}"] }}
"""
NOTHING = -1


@dataclass
class Site:
    yard: Boatyard
    off: Path

    def outage(self) -> None:
        """Mains fails, the battery is low, and only the box draws anything once all is at rest."""
        self.yard.unit.put({"upsOutputPower.1": ("integer", 44)})
        self.yard.start_agent()
        until_watched(self.yard)
        self.yard.unit.put(
            {**ON_BATTERY, "upsBatteryStatus": ("integer", 3), "upsOutputPower.1": ("integer", 4)}
        )

    def kill_at(self, said: str) -> None:
        """Kill the agent as soon as its log says so, within a millisecond or two."""
        until = time.monotonic() + 60.0
        while said not in self.yard.log():
            assert time.monotonic() < until, f"never {said}\n{self.yard.log()}"
            time.sleep(0.001)
        self.yard.kill_agent()

    def output(self) -> dict[str, Any]:
        """Return what the agent believes of the output; {} where it does not answer."""
        status, document = lastwatt("status", "--state", str(self.yard.state))
        return dict(document["units"][0]["output"]) if status == 0 else {}

    def until(self, holds: Callable[[], bool], what: str, *, within_s: float = 60.0) -> None:
        wait_until(holds, within_s=within_s, what=what, log=self.yard.log)

    def counts(self) -> Control:
        """Return what the unit itself reads, asked by the test."""

        async def read() -> Control:
            hub, clock = SnmpHub(), LoopClock()
            try:
                peer = hub.peer(self.yard.unit.address, as_user(self.yard.unit, SWITCH))
                unit = SnmpControl(peer, unit="cabinet", clock=clock)
                return await unit.read(deadline_at=clock.monotonic() + 10.0)
            finally:
                hub.close()

        for _ in range(3):  # a busy machine keeps snmpd from answering in time
            with suppress(DeviceSilentError):
                return asyncio.run(read())
        return asyncio.run(read())

    def mains_back(self) -> None:
        self.yard.unit.replace(ON_MAINS | CONTROL | {"upsOutputPower.1": ("integer", 4)})


@pytest.fixture
def site(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Site]:
    with ExitStack() as stack:
        values = ON_MAINS | CONTROL
        unit = stack.enter_context(Snmpd(tmp_path / "unit", users=(WATCH, SWITCH), values=values))
        sshd = stack.enter_context(Sshd(tmp_path / "recorder", address="127.0.0.2"))
        (sshd.folder / "sshd.pid").write_text(str(_pid(sshd)))
        host = Host("gate recorder", "recorder", sshd)
        host.write_script(0.1)
        more = OUTPUT.format(port=unit.port)
        yard = Boatyard(tmp_path, unit, {"gate recorder": host}, unit_more=more)
        stack.callback(_end, yard)
        yard.write_file()
        off = tmp_path / "powered-off"
        script = tmp_path / "poweroff"
        script.write_text(f"#!/bin/sh\necho off >> {off}\n")
        script.chmod(0o755)
        # It can be started without its power going: so a drop is not wanted once mains is back.
        text = yard.file.read_text()
        by_order = 'start = { driver = "ssh", run = "true" }\n'
        text = by_order.join(text.rsplit('start = "by itself"\n', 1))
        yard.file.write_text(text)
        if getattr(request, "param", False):  # a box that leaves with its output
            box = BOX.format(script=script)
            yard.file.write_text(text.replace('role = "agent box"\n', box, 1))
        yield Site(yard, off)


def _end(yard: Boatyard) -> None:
    for agent in yard.agents:
        if agent.poll() is None:
            os.kill(agent.pid, signal.SIGKILL)
            agent.wait(10)


INTENT = "event=gave_order unit=cabinet task=arm"  # journalled, and nothing is written yet
STARTUP = "object=upsStartupAfterDelay"  # it counts, and nothing drops
SHUTDOWN = "object=upsShutdownAfterDelay"  # armed, and not read back
ARMED = "event=armed_output"  # read back
LEFT = "event=left_box"
GONE = "event=sent_order device=box act=stop"


@pytest.mark.parametrize("step", [INTENT, STARTUP])
def test_agent_killed_before_it_armed_anything_finds_that_nothing_drops(
    site: Site, step: str
) -> None:
    """A startup that counts alone does no harm; it is withdrawn, and arming begins anew later."""
    site.outage()
    site.kill_at(step)
    site.yard.start_agent()
    site.until(lambda: site.output().get("phase") == "on", "the agent's word for it")

    assert site.counts().shutdown_s == NOTHING


@pytest.mark.parametrize("step", [SHUTDOWN, ARMED])
def test_agent_killed_with_the_output_armed_goes_on_by_what_the_unit_says(
    site: Site, step: str
) -> None:
    """Mains stays away: the countdown that it finds is its own, startup beyond shutdown."""
    site.outage()
    site.kill_at(step)
    site.yard.start_agent()
    site.until(lambda: site.output().get("phase") == "armed", "the output armed")
    believed, found = site.output(), site.counts()

    assert found.shutdown_s is not None and found.shutdown_s > 0
    assert found.startup_s is not None and found.startup_s > found.shutdown_s + 20
    assert abs(found.shutdown_s - believed["drops_in_s"]) < 15.0
    assert found.auto_restart == 1


@pytest.mark.parametrize("step", [STARTUP, SHUTDOWN, ARMED])
def test_agent_killed_while_arming_withdraws_when_mains_came_back_meanwhile(
    site: Site, step: str
) -> None:
    """A countdown that nobody knows of would take the site's power on good mains."""
    site.outage()
    site.kill_at(step)
    site.mains_back()
    site.yard.start_agent()
    site.until(lambda: site.counts().shutdown_s == NOTHING, "the countdown gone")
    site.until(lambda: site.output().get("phase") == "on", "the agent's word for it")

    assert site.counts().shutdown_s == NOTHING
    assert entries(site.yard, "failed_output") == []


@pytest.mark.parametrize("site", [True], indirect=True)
@pytest.mark.parametrize("step", [LEFT, GONE])
def test_agent_killed_as_its_box_leaves_leaves_again_while_the_output_counts(
    site: Site, step: str
) -> None:
    """Its supervisor starts it again on a box that is still on: it must not stay on by that."""
    site.outage()
    site.kill_at(step)
    before = len(site.off.read_text().splitlines()) if site.off.exists() else 0
    site.yard.start_agent()
    site.until(
        lambda: site.off.exists() and len(site.off.read_text().splitlines()) > before,
        "the box told again to power off",
    )
    # The word of the first time may have been lost with the kill; that of the second is not.
    assert 1 <= len(entries(site.yard, "left_box")) <= 2
