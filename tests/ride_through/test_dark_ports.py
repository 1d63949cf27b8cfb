"""A recorder without an interface, on real peers: its camera's port goes dark, and is put back.

net-snmp's snmpd plays the unit and the PoE switch, ffmpeg the camera and the recorder; the agent
and `lastwatt restore` are processes. ffprobe says whether the recording plays.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.agent.commands import lastwatt
from tests.peers.boatyard import Boatyard, wait_until
from tests.peers.poe_switch import GATE_MAC, SLIPWAY_MAC, PoeSwitch
from tests.peers.snmpd import AUTH_SECRET, PRIVACY_SECRET, Snmpd
from tests.peers.stream import Stream

pytestmark = pytest.mark.peer

CAMERA, IDLE = "1.3", "1.2"

SITE = """
[return]
mains_steady = "2s"
[owed]
copies = [{{ file = "outside/owed.txt" }}]

[[device]]
name = "yard switch"
role = "switch"
address = "{address}"
feed = "cabinet"
watts = 9
[device.poe.snmp]
version = "3"
port = {port}
user = "switch"
auth = "sha256"
auth_secret = {{ file = "auth" }}
privacy = "aes128"
privacy_secret = {{ file = "privacy" }}

[[device]]
name = "slipway camera"
role = "camera"
feed = "yard switch"
watts = 5
needs = ["gate recorder"]
stop = {{ driver = "poe" }}
[device.poe]
port = "1.3"
neighbour = "{slipway}"

[[device]]
name = "gate camera"
role = "camera"
feed = "yard switch"
watts = 5
needs = ["gate recorder"]
stop = {{ driver = "poe" }}
[device.poe]
port = "1.2"
neighbour = "{gate}"

[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
watts = 24
worth = 10
quiesce = {{ writers = "off", takes = "3s" }}
"""


@dataclass
class Site:
    yard: Boatyard
    switch: PoeSwitch
    stream: Stream

    @property
    def outside(self) -> Path:
        """The copy of the list outside the state directory."""
        return self.yard.folder / "outside" / "owed.txt"

    def phase(self, name: str) -> str:
        done = lastwatt("status", "--state", self.yard.state, "--json")
        if done.status:
            return ""
        found: str = next(d["phase"] for d in done.document["devices"] if d["name"] == name)
        return found

    def until(self, holds: object, what: str, *, within_s: float = 60.0) -> None:
        wait_until(holds, within_s=within_s, what=what, log=self.yard.log)

    def outage_until_rest(self) -> None:
        """Mains fails, the battery is low at once, and all comes to rest."""
        self.yard.start_agent()
        self.until(lambda: self.phase("gate recorder") == "running", "the agent")
        self.until(lambda: "mains" in str(self.yard.log()), "the first reading")
        time.sleep(1.5)  # so that there is something to play
        self.yard.fail_mains()
        self.yard.unit.put({"upsBatteryStatus": ("integer", 3)})
        self.until(lambda: not self.switch.is_on(CAMERA), "the port off")
        self.stream.cut_camera()
        self.until(lambda: self.phase("gate recorder") == "at rest", "the recorder at rest")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with ExitStack() as stack:
        unit = stack.enter_context(Snmpd(tmp_path / "unit"))
        switch = stack.enter_context(PoeSwitch(tmp_path / "switch"))
        switch.change(IDLE, on=False)  # its owner had switched this one off
        stream = stack.enter_context(Stream(tmp_path / "stream"))
        yard = Boatyard(tmp_path, unit, {})
        stack.callback(_end, yard)
        (tmp_path / "outside").mkdir()
        yard.write_file()
        tables = SITE.format(
            address=switch.address, port=switch.snmpd.port, slipway=SLIPWAY_MAC, gate=GATE_MAC
        )
        yard.file.write_text(yard.file.read_text() + tables)
        yield Site(yard, switch, stream)


def _end(yard: Boatyard) -> None:
    for agent in yard.agents:
        if agent.poll() is None:
            os.kill(agent.pid, signal.SIGKILL)
            agent.wait(10)


def test_ports_go_dark_recording_plays_and_the_list_alone_puts_them_back(site: Site) -> None:
    """The agent's box dies in the outage: whoever has the list gets the cameras back, exactly."""
    site.outage_until_rest()
    site.stream.cut_recorder()
    assert (site.stream.film.seconds() or 0.0) > 0.5, "it closed its file before it lost power"
    assert site.switch.sets() == [[CAMERA, 2]]

    site.until(lambda: "slipway camera" in _read(site.outside), "the list outside")
    site.yard.kill_agent()
    text = _read(site.outside)
    assert AUTH_SECRET not in text and PRIVACY_SECRET not in text
    elsewhere = site.yard.folder / "elsewhere"
    elsewhere.mkdir()
    copied = elsewhere / "owed.txt"
    copied.write_text(text)

    lost = lastwatt("restore", copied, "--yes")
    assert lost.status == 2 and "--site FILE" in lost.complaint
    unconfirmed = lastwatt("restore", copied, "--site", site.yard.file)
    assert unconfirmed.status == 1 and "nothing was sent" in unconfirmed.err
    for name in ("auth", "privacy"):
        secret = elsewhere / name
        secret.write_text((site.yard.folder / name).read_text())
        secret.chmod(0o600)
    dry = lastwatt("restore", copied, "--dry-run", "--json")
    sent = {d["name"]: d["sent"] for d in dry.document["devices"]}
    assert (dry.status, dry.document["dry_run"]) == (0, True)
    assert any(line.endswith("AdminEnable.1.3 = 1 (on)") for line in sent["slipway camera"])
    assert site.switch.sets() == [[CAMERA, 2]], "nothing was sent so far"

    first = lastwatt("restore", copied, "--yes", "--json")
    assert (first.status, first.document["ok"]) == (0, True), first.out
    assert (site.switch.is_on(CAMERA), site.switch.is_on(IDLE)) == (True, False)
    again = lastwatt("restore", copied, "--yes", "--json", "--site", site.yard.file)
    assert again.status == 0
    assert site.switch.sets() == [[CAMERA, 2], [CAMERA, 1]], "a second time sends nothing"


def test_agent_that_comes_back_finds_them_put_back_and_clears_the_list(site: Site) -> None:
    """It looks first, does not undo twice, and the copy outside says that nothing is owed."""
    site.outage_until_rest()
    site.until(lambda: "slipway camera" in _read(site.outside), "the list outside")
    site.yard.kill_agent()
    done = lastwatt("restore", site.outside, "--yes", "--site", site.yard.file)
    assert done.status == 0, done.out
    site.yard.return_mains()
    site.yard.start_agent()
    site.until(lambda: "owes nothing" in _read(site.outside), "the list cleared", within_s=90.0)

    assert site.switch.sets() == [[CAMERA, 2], [CAMERA, 1]]
    assert site.phase("slipway camera") == site.phase("gate recorder") == "running"
    assert not (site.yard.state / "owed.txt").exists()


def test_killed_agent_puts_the_ports_back_itself_when_mains_returns(site: Site) -> None:
    """What was remembered outlives the agent: the port that was off before stays off."""
    site.outage_until_rest()
    site.yard.kill_agent()
    site.yard.return_mains()
    site.yard.start_agent()
    site.until(lambda: site.phase("slipway camera") == "running", "the camera back", within_s=90.0)
    site.until(lambda: site.phase("gate camera") == "running", "the other too", within_s=60.0)

    assert (site.switch.is_on(CAMERA), site.switch.is_on(IDLE)) == (True, False)
    assert site.switch.sets() == [[CAMERA, 2], [CAMERA, 1]]


def _read(path: Path) -> str:
    return path.read_text() if path.exists() else ""
