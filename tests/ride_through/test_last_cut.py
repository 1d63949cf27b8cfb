"""A recorder whose stop fails is cut at its PoE port, once its recording is closed; real peers.

net-snmp's snmpd plays the unit and the PoE switch, OpenSSH's sshd the recorder, ffmpeg its
recording; the agent is a process. ffprobe says whether the recording plays.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.peers.boatyard import Boatyard, wait_until
from tests.peers.film import Film
from tests.peers.poe_switch import SLIPWAY_MAC, PoeSwitch
from tests.peers.snmpd import Snmpd
from tests.peers.sshd import Sshd
from tests.ride_through.rides import entries, make_low, phases, until_watched

pytestmark = pytest.mark.peer

PORT = "1.3"
NAME = "slip recorder"

SITE = """
[return]
mains_steady = "2s"

[[device]]
name = "yard switch"
role = "switch"
address = "{switch.address}"
feed = "cabinet"
watts = 9
[device.poe.snmp]
version = "3"
port = {switch.snmpd.port}
user = "switch"
auth = "sha256"
auth_secret = {{ file = "auth" }}
privacy = "aes128"
privacy_secret = {{ file = "privacy" }}

[[device]]
name = "slip recorder"
role = "recorder"
address = "{sshd.address}"
feed = "yard switch"
watts = 12
quiesce = {{ driver = "ssh", run = "{quiesce}", confirm = "{confirm}", takes = "3s" }}
stop = [
    {{ driver = "ssh", run = "true", takes = "4s" }},
    {{ driver = "poe", takes = "3s" }},
]
verify = {{ driver = "tcp", port = {sshd.port}, settle = "1s", interval = "0.2s", takes = "3s" }}
start = "by itself"
[device.ssh]
user = "{sshd.user}"
port = {sshd.port}
key = {{ file = "{sshd.folder}/client" }}
host_keys = ["{fingerprint}"]
[device.poe]
port = "1.3"
neighbour = "{mac}"
"""

QUIESCE = """#!/bin/sh
echo told >> "{folder}/quiesced"
kill -TERM "$(cat "{film.pid_file}")" 2>/dev/null
exit 0
"""
CONFIRM = """#!/bin/sh
# Gone, or a zombie that the test has not collected yet.
! grep -q '^State:.[^Z]' "/proc/$(cat "{film.pid_file}")/status" 2>/dev/null
"""


@dataclass
class Site:
    yard: Boatyard
    switch: PoeSwitch
    sshd: Sshd
    film: Film

    def until(self, holds: object, what: str, *, within_s: float = 60.0) -> None:
        wait_until(holds, within_s=within_s, what=what, log=self.yard.log)

    def outage_until_cut(self) -> None:
        """Mains fails, the battery is low at once; its power goes when its port does."""
        self.yard.start_agent()
        until_watched(self.yard)
        self.yard.fail_mains()
        make_low(self.yard)
        self.until(lambda: not self.switch.is_on(PORT), "the port off")
        self.film.kill()
        self.sshd.stop()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with ExitStack() as stack:
        unit = stack.enter_context(Snmpd(tmp_path / "unit"))
        switch = stack.enter_context(PoeSwitch(tmp_path / "switch"))
        film = stack.enter_context(Film(tmp_path / "film"))
        sshd = stack.enter_context(Sshd(tmp_path / "sshd", address="127.0.0.2"))
        yard = Boatyard(tmp_path, unit, {})
        stack.callback(_end, yard)
        yard.write_file()
        (sshd.folder / "client").chmod(0o600)
        scripts = {}
        for name, text in (("quiesce", QUIESCE), ("confirm", CONFIRM)):
            scripts[name] = sshd.folder / name
            scripts[name].write_text(text.format(folder=sshd.folder, film=film))
            scripts[name].chmod(0o755)
        tables = SITE.format(
            switch=switch, sshd=sshd, mac=SLIPWAY_MAC, fingerprint=sshd.fingerprint(), **scripts
        )
        yard.file.write_text(yard.file.read_text() + tables)
        yield Site(yard, switch, sshd, film)


def _end(yard: Boatyard) -> None:
    for agent in yard.agents:
        if agent.poll() is None:
            os.kill(agent.pid, signal.SIGKILL)
            agent.wait(10)


def test_recorder_that_will_not_stop_is_cut_with_its_recording_whole_and_comes_back(
    site: Site,
) -> None:
    """Its stop says yes and does nothing; it is quiesced, cut, and has its power again after."""
    site.outage_until_cut()
    site.until(lambda: phases(site.yard).get(NAME) == "at rest", "the recorder at rest")
    acts = [event["act"] for event in entries(site.yard, "began_step")]
    assert (site.film.seconds() or 0.0) > 0.5, "it had closed its file before it lost power"
    assert acts.index("stop") < acts.index("cut")
    assert acts.index("quiesce") < acts.index("cut")
    assert "slip recorder" in (site.yard.state / "owed.txt").read_text()

    site.yard.return_mains()
    site.until(lambda: site.switch.is_on(PORT), "the port on again", within_s=90.0)
    site.sshd.start()
    site.until(lambda: phases(site.yard).get(NAME) == "running", "the recorder back", within_s=60.0)
    assert site.switch.sets() == [[PORT, 2], [PORT, 1]]
    site.until(lambda: not (site.yard.state / "owed.txt").exists(), "nothing owed")


def test_agent_killed_amid_the_cut_knows_that_the_port_is_to_be_put_back(site: Site) -> None:
    """What was dark when it died is not dark for ever, and nothing is cut twice."""
    site.outage_until_cut()
    site.yard.kill_agent()
    site.yard.start_agent()
    site.until(lambda: phases(site.yard).get(NAME) == "at rest", "the recorder at rest")
    site.yard.return_mains()
    site.until(lambda: site.switch.is_on(PORT), "the port on again", within_s=90.0)
    site.sshd.start()
    site.until(lambda: phases(site.yard).get(NAME) == "running", "the recorder back", within_s=60.0)

    assert site.switch.sets() == [[PORT, 2], [PORT, 1]]
