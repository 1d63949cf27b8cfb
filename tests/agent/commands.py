"""Runs the real command, and sites of one unit and few devices to run it on."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.agent.forked import Forking
from tests.peers.snmpd import AUTH_SECRET, PRIVACY_SECRET

COMMAND = (sys.executable, "-m", "agent")

_FORKING = Forking()
_RUN: set[str] = set()
"""The commands that have run from their first import, in this process."""


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a command."""

    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        """The JSON document, which must stand alone on standard output."""
        found: dict[str, Any] = json.loads(self.out)
        assert found["format"] == 1
        assert isinstance(found["ok"], bool)
        return found

    @property
    def complaint(self) -> str:
        """The one line on standard error."""
        (line,) = self.err.splitlines()
        return line


def lastwatt(
    *arguments: str | Path,
    env: Mapping[str, str] | None = None,
    within_s: float = 60.0,
    cwd: Path | None = None,
    typed: str = "",
) -> Done:
    """Run a command to its end; whatever comes of it, it is no traceback.

    The first run of each command imports for itself, as every run with an environment of its own;
    the others are forked from a process that has imported already.
    """
    words = [str(argument) for argument in arguments]
    command = next(iter(words), "")
    if env is None and command in _RUN:
        done = _FORKING.run(words, cwd=cwd, typed=typed.encode(), within_s=within_s)
    else:
        _RUN.add(command)
        done = subprocess.run(
            [*COMMAND, *words],
            input=typed.encode(),
            capture_output=True,
            cwd=cwd,
            env={**os.environ, **(env or {})},
            timeout=within_s,
            check=False,
        )
    out, err = done.stdout.decode(), done.stderr.decode()
    assert "Traceback" not in out + err, out + err
    return Done(done.returncode, out, err)


@contextmanager
def answering(folder: Path, answer: bytes | None) -> Iterator[None]:
    """Be the agent of *folder*: answer each ask by *answer*, or never."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as listener:
        listener.bind(str(folder / "agent.sock"))
        listener.listen(4)
        listener.settimeout(0.1)
        ended, held = threading.Event(), list[socket.socket]()

        def serve() -> None:
            while not ended.is_set():
                with suppress(TimeoutError, OSError):
                    held.append(listener.accept()[0])
                    held[-1].settimeout(5.0)
                    held[-1].recv(65536)
                    if answer is not None:
                        held[-1].sendall(answer)
                        held[-1].shutdown(socket.SHUT_RDWR)

        serving = threading.Thread(target=serve)
        serving.start()
        try:
            yield
        finally:
            ended.set()
            serving.join()
            for connection in held:
                connection.close()


HEAD = """\
format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
[agent]
poll_on_mains = "1s"
poll_on_battery = "0.5s"
"""

V3 = (
    'version = "3", user = "watch", auth = "sha256", auth_secret = { file = "auth" }, '
    'privacy = "aes128", privacy_secret = { file = "privacy" }'
)
V2C = 'version = "2c", community = { file = "community" }'


def unit(port: int, *, snmp: str = V3, address: str = "127.0.0.1", more: str = "") -> str:
    """Return the table of a unit."""
    return f"""\
[[unit]]
name = "cabinet"
address = "{address}"
snmp = {{ port = {port}, {snmp} }}
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7, fitted = 2026-01-10 }}
{more}
"""


def ssh_device(
    port: int,
    *,
    fingerprint: str,
    user: str,
    name: str = "desk",
    address: str = "127.0.0.1",
    key: str = "key",
    run: str = "true",
    more: str = "",
) -> str:
    """Return the table of a PC that is told over SSH."""
    return f"""\
[[device]]
name = "{name}"
role = "computer"
address = "{address}"
feed = "cabinet"
watts = 38
{more}
stop = {{ driver = "ssh", run = "{run}", takes = "20s" }}
start = "by itself"
[device.ssh]
user = "{user}"
port = {port}
key = {{ file = "{key}" }}
host_keys = ["{fingerprint}"]
"""


def http_device(port: int, *, more: str, name: str = "gate recorder") -> str:
    """Return the table of a recorder that is told over HTTP; *more* is its access table."""
    return f"""\
[[device]]
name = "{name}"
role = "recorder"
address = "127.0.0.1"
feed = "cabinet"
watts = 24
stop = {{ driver = "http", path = "/api/stop", takes = "20s" }}
start = "by itself"
[device.http]
port = {port}
{more}
"""


def write_secret(path: Path, secret: str) -> None:
    """Write a secret that only its owner may read."""
    path.write_text(secret)
    path.chmod(0o600)


def write_site(folder: Path, *tables: str) -> Path:
    """Write a site's file, and the secrets of its unit, and return its path."""
    write_secret(folder / "auth", AUTH_SECRET)
    write_secret(folder / "privacy", PRIVACY_SECRET)
    write_secret(folder / "community", "quayside")
    path = folder / "site.toml"
    path.write_text(HEAD + "".join(tables))
    return path
