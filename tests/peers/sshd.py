"""A real SSH server on loopback: OpenSSH's sshd with a configuration, keys and users of its own."""

from __future__ import annotations

import getpass
import os
import re
import shutil
import signal
import socket
import subprocess
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import pytest

WATCH = "watch"
"""A user that exists only in the eyes of an Sshd with `has_own_users`."""

WATCH_PASSWORD = "moor-her-fast-4"
# Made by: openssl passwd -6 -salt quayside moor-her-fast-4
_WATCH_HASH = (
    "$6$quayside$nJc7onEGqGDFnDB9BaVXZ4JoaMbBnXfdwHZYkECEVxPIci0aFQS83"
    "/CleEXvkJmA1B7ywWxsyLrRE5Y99pYKz."
)
_KEYS_SEEN_BY_ALL = "/mnt"  # in its own world: the test's folder is closed to other users
_IN_OWN_WORLD = (
    f'mount --bind "$0" {_KEYS_SEEN_BY_ALL} && '
    'mount --bind "$0/passwd" /etc/passwd && mount --bind "$0/shadow" /etc/shadow && '
    '{ [ ! -e "$0/sudoers" ] || mount --bind "$0/sudoers" /etc/sudoers; } && exec "$@"'
)


def binary(name: str, *, package: str) -> str:
    """Return the path of a program; skip where it is absent, fail where CI is true."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin")
    if found is None:
        _missing(f"{name} is not installed; apt-get install {package}")
    return str(found)


def _missing(message: str) -> None:
    if os.environ.get("CI") == "true":
        pytest.fail(message)
    pytest.skip(message)


def free_port(address: str = "127.0.0.1") -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.bind((address, 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass(slots=True)
class Sshd:
    """One sshd; a context manager that starts it and ends it, and every command it still runs.

    It logs in the user who runs the tests, by the key `client_key`; so it does its own users. Their
    home is its folder: what the shell of whoever runs the tests does first is not run.

    Attributes:
        folder: its own folder, for keys, configuration and log; made if it is not there.
        address, port: where it listens; port 0 = a free one.
        host_key_types: kinds of host keys it has, as ssh-keygen -t names them.
        options: more lines of sshd_config; the first of a keyword wins there, so these do.
        force_command: run instead of whatever is asked for.
        has_own_users: it sees users of its own, in a mount namespace: WATCH with WATCH_PASSWORD,
            and PermitRootLogin as before. Needs root.
        sudoers: content of /etc/sudoers in that namespace; "" = leave it.
    """

    folder: Path
    address: str = "127.0.0.1"
    port: int = 0
    host_key_types: tuple[str, ...] = ("ed25519",)
    options: tuple[str, ...] = ()
    force_command: str = ""
    has_own_users: bool = False
    sudoers: str = ""
    _process: subprocess.Popen[bytes] | None = None
    _frozen: list[int] = field(default_factory=list)

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    @property
    def user(self) -> str:
        """The user it lets in by `client_key`."""
        return getpass.getuser()

    @property
    def client_key(self) -> str:
        """Text of the private key that it accepts."""
        return (self.folder / "client").read_text()

    @property
    def log(self) -> str:
        """What it wrote so far."""
        return (self.folder / "log").read_text(errors="replace")

    def fingerprint(self, kind: str = "") -> str:
        """Return the fingerprint of its host key of that kind, as ssh-keygen says."""
        path = self.folder / f"host_{kind or self.host_key_types[0]}.pub"
        return run("ssh-keygen", "-lf", str(path)).split()[1]

    def start(self) -> None:
        """Make what keys are missing, start it, and wait until it greets; at most a minute."""
        program = binary("sshd", package="openssh-server")
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = self.port or free_port(self.address)
        for kind in self.host_key_types:
            make_key(self.folder / f"host_{kind}", kind)
        make_key(self.folder / "client", "ed25519")
        shutil.copy(self.folder / "client.pub", self.folder / "authorized_keys")
        (self.folder / "sshd_config").write_text("\n".join(self._configuration(program)) + "\n")
        if os.geteuid() == 0:
            Path("/run/sshd").mkdir(mode=0o755, exist_ok=True)  # privilege separation wants it
        command = [program, "-D", "-e", "-f", str(self.folder / "sshd_config")]
        with (self.folder / "log").open("wb") as log:
            self._process = subprocess.Popen(
                [*self._own_world(), *command], stdin=subprocess.DEVNULL, stderr=log
            )
        self._wait(self._process)

    def stop(self) -> None:
        """End it, its sessions and their commands."""
        if self._process is not None:
            self._signal(signal.SIGKILL)
            self._process.wait(10)
            self._process, self._frozen = None, []

    def freeze(self) -> None:
        """Stop it and its sessions in their tracks; the kernel goes on acknowledging for them."""
        # One whose parent ends just before it stops is nobody's descendant any more.
        self._frozen = self._tree()
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        self._signal(signal.SIGCONT)
        self._frozen = []

    def sessions(self) -> list[int]:
        """Return the processes of its open sessions."""
        assert self._process is not None
        return _descendants(self._process.pid)

    def _signal(self, number: signal.Signals) -> None:
        for pid in self._tree():
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def _tree(self) -> list[int]:
        assert self._process is not None
        tree = [self._process.pid, *_descendants(self._process.pid)]
        return [*tree, *(pid for pid in self._frozen if pid not in tree)]

    def _configuration(self, program: str) -> list[str]:
        colon = f"[{self.address}]" if ":" in self.address else self.address
        keys = _KEYS_SEEN_BY_ALL if self.has_own_users else self.folder
        lines = [
            f"ListenAddress {colon}:{self.port}",
            f"PidFile {self.folder}/pid",
            *self.options,
            f"AuthorizedKeysFile {keys}/authorized_keys",
            # A shell would else begin with the start files of whoever runs the tests, which may
            # take seconds, or wait for a lock that an ended session still holds.
            f"SetEnv HOME={self.folder}",
            *(f"HostKey {self.folder}/host_{kind}" for kind in self.host_key_types),
            "StrictModes no",
            "UsePAM no",
            "PermitRootLogin yes",
            "PasswordAuthentication no" if not self.has_own_users else "PasswordAuthentication yes",
            "MaxStartups 300",
            "LogLevel VERBOSE",
        ]
        if self.force_command:
            lines.append(f"ForceCommand {self.force_command}")
        if _version(program) >= (9, 8):
            lines.append("PerSourcePenalties no")  # or a test of wrong keys shuts out the next
        return lines

    def _own_world(self) -> list[str]:
        if not self.has_own_users:
            return []
        unshare = binary("unshare", package="util-linux")
        if os.geteuid() != 0 or subprocess.run([unshare, "-m", "true"], check=False).returncode:
            _missing("an sshd with users of its own needs root and mount namespaces")
        self.folder.chmod(0o755)
        for name, line, mode in (
            ("passwd", f"{WATCH}:x:64242:64242::/:/bin/sh", 0o644),
            ("shadow", f"{WATCH}:{_WATCH_HASH}:20000:0:99999:7:::", 0o600),
        ):
            path = self.folder / name
            path.write_text(f"{Path('/etc', name).read_text().rstrip()}\n{line}\n")
            path.chmod(mode)
        if self.sudoers:
            path = self.folder / "sudoers"
            path.write_text(self.sudoers)
            path.chmod(0o440)
        return [unshare, "-m", "--", "/bin/sh", "-c", _IN_OWN_WORLD, str(self.folder)]

    def _wait(self, process: subprocess.Popen[bytes]) -> None:
        end_at = time.monotonic() + 60
        while time.monotonic() < end_at and process.poll() is None:
            with suppress(OSError), socket.create_connection((self.address, self.port), 1) as probe:
                if probe.recv(4) == b"SSH-":
                    return
            time.sleep(0.02)
        self.stop()
        raise AssertionError(f"sshd did not start: {self.log}")


def make_key(path: Path, kind: str) -> None:
    """Make a key pair at *path* with ssh-keygen, unless it is there."""
    if not path.exists():
        size = ("-b", "2048") if kind == "rsa" else ()
        run("ssh-keygen", "-q", "-t", kind, *size, "-N", "", "-C", "quayside", "-f", str(path))


def _version(program: str) -> tuple[int, int]:
    said = subprocess.run([program, "-V"], capture_output=True, text=True, check=False).stderr
    found = re.search(r"OpenSSH_(\d+)\.(\d+)", said)
    assert found is not None, said
    return int(found[1]), int(found[2])


def run(tool: str, *arguments: str) -> str:
    """Return what a tool of OpenSSH's client package writes."""
    command = [binary(tool, package="openssh-client"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


def _descendants(pid: int) -> list[int]:
    parents: dict[int, list[int]] = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            fields = stat.read_text().rpartition(")")[2].split()
            parents.setdefault(int(fields[1]), []).append(int(stat.parent.name))
    found, todo = [], [pid]
    while todo:
        children = parents.get(todo.pop(), [])
        found += children
        todo += children
    return found
