"""A whole site of real peers on loopback: a net-snmp unit, an ffmpeg recorder and a PC behind sshd.

"Powering off" a host here means that its script ends its own sshd, after what it ran is ended in
order: its port then refuses, as a host's does that is gone.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.peers.film import Film
from tests.peers.snmpd import AUTH_SECRET, ON_BATTERY, ON_MAINS, PRIVACY_SECRET, Snmpd
from tests.peers.sshd import Sshd

Address = tuple[str, int]

_HOST = """#!/bin/sh
# What a host does when it is told to power off: end its work in order, then go.
echo told >> "{folder}/told"
if [ -s "{work}" ]; then
    pid=$(cat "{work}")
    kill -TERM "$pid" 2>/dev/null
    # Gone, or a zombie that the test has not collected yet.
    while grep -q '^State:.[^Z]' "/proc/$pid/status" 2>/dev/null; do sleep 0.05; done
fi
sleep {takes_s}
kill "$(cat "{folder}/sshd.pid")"
"""

_DEVICE = """
[[device]]
name = "{name}"
role = "{role}"
address = "{address}"
watts = {watts}
feed = "cabinet"
worth = {worth}
{more}
stop = {{ driver = "ssh", run = "{script}", takes = "{takes}"{repeat} }}
verify = {{ driver = "tcp", port = {port}, settle = "1s", interval = "0.2s", takes = "3s" }}
start = "by itself"
[device.ssh]
user = "{user}"
port = {port}
key = {{ file = "{key}" }}
host_keys = ["{fingerprint}"]
"""


@dataclass(slots=True)
class Host:
    """One device behind an sshd of its own.

    Attributes:
        at: where the file says that it is; None = where it is.
        repeat: how the file says that its stop may be repeated; "" = as the driver has it.
    """

    name: str
    role: str
    sshd: Sshd
    film: Film | None = None
    more: str = ""
    worth: float = 1.0
    takes: str = "10s"
    at: Address | None = None
    repeat: str = ""

    @property
    def told(self) -> int:
        """How often it was told to power off."""
        file = self.sshd.folder / "told"
        return len(file.read_text().splitlines()) if file.exists() else 0

    def write_script(self, takes_s: float) -> None:
        """Write what "power off" runs."""
        work = self.sshd.folder / "none" if self.film is None else self.film.pid_file
        script = self.sshd.folder / "poweroff"
        script.write_text(_HOST.format(folder=self.sshd.folder, work=work, takes_s=takes_s))
        script.chmod(0o755)

    def table(self) -> str:
        """Return its table of the site's file."""
        key = self.sshd.folder / "client"
        key.chmod(0o600)
        address, port = self.at or (self.sshd.address, self.sshd.port)
        return _DEVICE.format(
            name=self.name, role=self.role, address=address, watts=40, worth=self.worth,
            more=self.more, script=self.sshd.folder / "poweroff", takes=self.takes,
            repeat=f', repeat = "{self.repeat}"' if self.repeat else "",
            port=port, user=self.sshd.user, key=key,
            fingerprint=self.sshd.fingerprint(),
        )  # fmt: skip


@dataclass(slots=True)
class Boatyard:
    """The site's peers, its file, and the agent as a process of its own.

    Attributes:
        unit_at: where the file says that the unit is; None = where it is.
    """

    folder: Path
    unit: Snmpd
    hosts: dict[str, Host]
    agents: list[subprocess.Popen[bytes]] = field(default_factory=list)
    unit_more: str = 'flicker = "1s"'
    unit_at: Address | None = None

    @property
    def file(self) -> Path:
        """The site's file."""
        return self.folder / "site.toml"

    @property
    def state(self) -> Path:
        """The agent's state directory."""
        return self.folder / "state"

    def write_file(self) -> None:
        """Write the site's file and its secrets."""
        for name, secret in (("auth", AUTH_SECRET), ("privacy", PRIVACY_SECRET)):
            path = self.folder / name
            path.write_text(secret)
            path.chmod(0o600)
        login = (
            'auth = "sha256", auth_secret = { file = "auth" }, '
            'privacy = "aes128", privacy_secret = { file = "privacy" }'
        )
        address, port = self.unit_at or (self.unit.address, self.unit.port)
        head = f"""format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
[agent]
box = "box"
poll_on_mains = "1s"
poll_on_battery = "0.5s"
[[unit]]
name = "cabinet"
address = "{address}"
snmp = {{ version = "3", port = {port}, user = "watch", {login} }}
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7, fitted = 2026-01-10 }}
{self.unit_more}
[[device]]
name = "box"
role = "agent box"
watts = 4
feed = "cabinet"
"""
        self.file.write_text(head + "".join(host.table() for host in self.hosts.values()))

    def start_agent(self, *arguments: str, within: tuple[str, ...] = ()) -> subprocess.Popen[bytes]:
        """Start `lastwatt run` on the site, as the arguments of the command *within*."""
        command = [*within, sys.executable, "-m", "agent", "run", str(self.file)]
        command += ["--state", str(self.state)]
        log = (self.folder / "agent.log").open("ab")
        agent = subprocess.Popen([*command, *arguments], stdin=subprocess.DEVNULL, stderr=log)
        log.close()
        self.agents.append(agent)
        return agent

    def kill_agent(self) -> None:
        """End the agent that runs, without warning."""
        self.agents[-1].send_signal(signal.SIGKILL)
        self.agents[-1].wait(10)

    def fail_mains(self) -> None:
        """Mains fails: the unit says so from now on, its seconds counting."""
        self.unit.put(ON_BATTERY)

    def return_mains(self) -> None:
        """Mains is back."""
        self.unit.replace(ON_MAINS)

    def log(self) -> str:
        """Return what the agents wrote."""
        return (self.folder / "agent.log").read_text(errors="replace")


def wait_until(done: object, *, within_s: float, what: str, log: object = str) -> None:
    """Wait for *done()*; fail with the log where it does not come."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if done():  # type: ignore[operator]  # any callable
            return
        time.sleep(0.05)
    raise AssertionError(f"{what} not within {within_s} s\n{log()}")  # type: ignore[operator]  # as above


@contextmanager
def boatyard(folder: Path, *, stop_takes_s: float = 0.5) -> Iterator[Boatyard]:
    """Start the unit, a recorder that records and a PC; end all of it, agents included."""
    with ExitStack() as stack:
        unit = stack.enter_context(Snmpd(folder / "unit"))
        film = stack.enter_context(Film(folder / "film"))
        hosts = {}
        for number, (name, role, made) in enumerate(
            (("gate recorder", "recorder", film), ("desk", "computer", None)), start=2
        ):
            sshd = stack.enter_context(Sshd(folder / role, address=f"127.0.0.{number}"))
            (sshd.folder / "sshd.pid").write_text(str(_pid(sshd)))
            hosts[name] = Host(name, role, sshd, made, worth=10.0 if made else 1.0)
            hosts[name].write_script(stop_takes_s)
        yard = Boatyard(folder, unit, hosts)
        stack.callback(_end_agents, yard)
        yard.write_file()
        yield yard


def _pid(sshd: Sshd) -> int:
    for line in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            said = line.read_bytes().decode(errors="replace")
        except OSError:
            continue
        if str(sshd.folder / "sshd_config") in said and "sshd" in said:
            return int(line.parent.name)
    raise AssertionError("sshd has no process")


def _end_agents(yard: Boatyard) -> None:
    for agent in yard.agents:
        if agent.poll() is None:
            os.kill(agent.pid, signal.SIGKILL)
            agent.wait(10)
