"""Runs commands without the second that importing takes: each is forked from what has imported all.

This module as a program imports the agent once, and forks for each command that is asked of it.
What is forked has streams, folder, environment and signals of its own, runs `python -m agent` from
its first line and ends as an interpreter does: only the importing is shared.
"""

from __future__ import annotations

import atexit
import gc
import importlib
import json
import os
import pkgutil
import runpy
import select
import selectors
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

ROOT = Path(__file__).parents[2]

_LONGEST = 2**17
"""Bytes of one request: arguments and environment."""


class Forking:
    """The process that forks, started where the first command wants it; ends with this one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._asks: socket.socket | None = None

    def run(
        self, arguments: Sequence[str], *, cwd: Path | None, typed: bytes, within_s: float
    ) -> subprocess.CompletedProcess[bytes]:
        """Run a command to its end, as `subprocess.run` does.

        Raises:
            subprocess.TimeoutExpired: it did not end in *within_s*, and was killed.
        """
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            reads, types = os.pipe()
            told, tells = os.pipe()
            with open(told, "rb", buffering=0) as status:  # noqa: PTH123  # a descriptor
                self._ask(arguments, cwd, [reads, out.fileno(), err.fileno(), tells])
                os.close(reads)
                os.close(tells)
                with open(types, "wb") as keyboard:  # noqa: PTH123
                    keyboard.write(typed)
                ended = _ended(status.fileno(), arguments, within_s)
            out.seek(0)
            err.seek(0)
            return subprocess.CompletedProcess(arguments, ended, out.read(), err.read())

    def _ask(self, arguments: Sequence[str], cwd: Path | None, files: list[int]) -> None:
        """Send a request: standard input, output and error, and where its status is to be told."""
        request = {
            "arguments": list(arguments),
            "cwd": str(cwd or Path.cwd()),
            "env": dict(os.environ),
        }
        with self._lock:
            if self._asks is None:
                self._asks = _started()
            socket.send_fds(self._asks, [json.dumps(request).encode()], files)


def _started() -> socket.socket:
    """Start the process that forks; it ends with this one."""
    ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    with its:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.agent.forked", str(its.fileno())],
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            pass_fds=[its.fileno()],
            start_new_session=True,
        )

    def end() -> None:
        ours.close()
        process.wait(10)

    atexit.register(end)
    return ours


def _ended(status: int, arguments: Sequence[str], within_s: float) -> int:
    """Wait for a command's end, of which its pid and then its exit status are told."""
    pid = _line(status, 60.0)
    assert pid is not None, "the process that forks commands is gone"
    ended = _line(status, within_s)
    if ended is None:
        os.kill(pid, signal.SIGKILL)
        raise subprocess.TimeoutExpired(list(arguments), within_s)
    return ended


def _line(status: int, within_s: float) -> int | None:
    """Read one number; None where it does not come in time."""
    until = time.monotonic() + within_s
    read = b""
    while not read.endswith(b"\n"):
        if not select.select([status], [], [], max(0.0, until - time.monotonic()))[0]:
            return None
        read += (byte := os.read(status, 1))
        assert byte, "the process that forks commands is gone"
    return int(read)


# The process that forks.


def _import_all() -> None:
    for top in ("agent", "drivers", "policies"):
        package = importlib.import_module(top)
        for module in pkgutil.walk_packages(package.__path__, f"{top}."):
            if not module.name.endswith("__main__"):
                importlib.import_module(module.name)
    # What is there is left alone by the collector, and so not copied at the first collection.
    gc.collect()
    gc.freeze()


def _serve(asks: socket.socket) -> list[str] | None:
    """Fork for each request; return its arguments in what is forked, and None at the end."""
    running: dict[int, tuple[int, int]] = {}  # by pidfd: pid, and where to tell its status
    with selectors.DefaultSelector() as waits:
        waits.register(asks, selectors.EVENT_READ)
        while True:
            for key, _ in waits.select():
                if key.fd in running:
                    waits.unregister(key.fd)
                    os.close(key.fd)
                    pid, tells = running.pop(key.fd)
                    _, status = os.waitpid(pid, 0)
                    _tell(tells, os.waitstatus_to_exitcode(status))
                    os.close(tells)
                    continue
                asked, files, _, _ = socket.recv_fds(asks, _LONGEST, 4)
                if not asked:
                    return None
                if (pid := os.fork()) == 0:
                    break
                for file in files[:3]:
                    os.close(file)
                _tell(files[3], pid)
                pidfd = os.pidfd_open(pid)
                running[pidfd] = (pid, files[3])
                waits.register(pidfd, selectors.EVENT_READ)
            else:
                continue
            break
    for pidfd, (_, tells) in running.items():
        os.close(pidfd)
        os.close(tells)
    return _become(asked, files, asks)


def _tell(where: int, number: int) -> None:
    with suppress(BrokenPipeError):  # whoever asked no longer waits
        os.write(where, f"{number}\n".encode())


def _become(asked: bytes, files: list[int], asks: socket.socket) -> list[str]:
    """Take on what a command's process has of its own; return its arguments."""
    asks.close()
    for place, file in enumerate(files[:3]):
        os.dup2(file, place)
    for file in files:
        os.close(file)
    request = json.loads(asked)
    os.chdir(request["cwd"])
    os.environ.clear()
    os.environ.update(request["env"])
    arguments: list[str] = request["arguments"]
    return arguments


def main() -> None:
    """Serve until nobody can ask any more."""
    asks = socket.socket(fileno=int(sys.argv[1]))
    _import_all()
    arguments = _serve(asks)
    if arguments is not None:
        sys.argv = ["lastwatt", *arguments]
        runpy.run_module("agent", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
