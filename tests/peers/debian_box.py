"""A clean Debian with systemd at work as its init: a box to install on, on this machine.

debootstrap makes the tree once, from the mirror that this machine's own apt uses, and keeps it in
the cache. Each box is a copy-on-write view of it, booted in namespaces of its own: a real systemd,
whose services, sandboxes, sockets and power-off are real. Only the network is this machine's
loopback, so that real servers can be met there. It takes root.
"""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO, Self

import pytest

SUITE = "bookworm"
PACKAGES = ("systemd", "systemd-sysv", "dbus", "python3")
"""What a Debian of the smallest variant needs to be a box at all; python3-venv is not of it."""

BOOT_WITHIN_S = 120.0
_BOOT = Path(__file__).with_name("debian_box_boot.sh")


class NoBoxError(Exception):
    """Nothing can be booted here; says why."""


def unavailable(why: str) -> None:
    """Skip the test, or fail it where CI is true."""
    if os.environ.get("CI") == "true":
        pytest.fail(why)
    pytest.skip(why)


def impossible(why: str) -> None:
    """Skip the test, in CI too: no package that could be installed helps against a kernel.

    The reason stands in the summary of the run.
    """
    pytest.skip(f"this machine can boot no box: {why}")


def cache() -> Path:
    """Return where trees are kept between test runs."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "lastwatt-tests"


def mirror() -> str:
    """Return the address of the mirror that this machine's apt takes Debian from.

    Raises:
        NoBoxError: it takes it from nowhere.
    """
    for path in sorted(Path("/etc/apt").glob("sources.list*")) + sorted(
        Path("/etc/apt/sources.list.d").glob("*")
    ):
        if not path.is_file():
            continue
        for paragraph in re.split(r"\n\s*\n", path.read_text()):
            if path.suffix == ".sources" and re.search(rf"^Suites:.*\b{SUITE}\b", paragraph, re.M):
                found = re.search(r"^URIs:\s*(\S+)", paragraph, re.M)
            else:
                found = re.search(rf"^deb\s+(?:\[.*?\]\s+)?(\S+)\s+{SUITE}\s", paragraph, re.M)
            if found:
                return found[1]
    raise NoBoxError(f"apt has no mirror with {SUITE}")


def _mounted(kind: str, place: Path, *more: str) -> None:
    done = subprocess.run(
        ["mount", "-t", kind, "box", *more, place], capture_output=True, text=True
    )
    if done.returncode != 0:
        impossible(f"{kind} cannot be mounted: {done.stderr.strip()}")


def tree() -> Path:
    """Return a clean Debian, made now if there is none; one process makes it, others wait.

    Raises:
        NoBoxError: it cannot be made.
    """
    if os.geteuid() != 0 or shutil.which("debootstrap", path="/usr/sbin:/usr/bin") is None:
        raise NoBoxError("a Debian to install on takes root and debootstrap")
    cache().mkdir(parents=True, exist_ok=True)
    made = cache() / f"{SUITE}-{'-'.join(PACKAGES)}"
    with (cache() / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            fresh = made.with_suffix(".making")
            shutil.rmtree(fresh, ignore_errors=True)
            done = subprocess.run(
                ["debootstrap", "--variant=minbase", f"--include={','.join(PACKAGES)}", SUITE,
                 str(fresh), mirror()],
                capture_output=True,
                text=True,
                env={"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL": "C"},
            )  # fmt: skip
            if done.returncode != 0:
                raise NoBoxError(f"debootstrap failed: {done.stdout[-500:]}{done.stderr[-500:]}")
            shutil.rmtree(fresh / "var/cache/apt", ignore_errors=True)
            fresh.rename(made)
    return made


class Box:
    """One box; a context manager that ends with everything on it gone.

    Attributes:
        root: its file system, as this machine sees it while it is mounted.
    """

    def __init__(self, *, over: Box | None = None) -> None:
        """Prepare; *over* is one whose disk this one begins with, and which stays as it is."""
        self._below = over
        self._folder = Path(tempfile.mkdtemp(prefix="lastwatt-box-"))
        self.root = self._folder / "root"
        self._init: subprocess.Popen[bytes] | None = None
        self._group: Path | None = None

    def __enter__(self) -> Self:
        try:
            self._mount()
        except (NoBoxError, subprocess.CalledProcessError) as error:
            self.__exit__()
            unavailable(f"no Debian to install on: {error}")
        return self

    def __exit__(self, *_: object) -> None:
        self.cut_power()
        for name in ("root", "layers"):
            subprocess.run(["umount", "-l", self._folder / name], capture_output=True)
        shutil.rmtree(self._folder, ignore_errors=True)

    def _mount(self) -> None:
        below = str(tree())
        if self._below is not None:
            below = f"{self._below._folder}/layers/upper:{below}"
        layers = self._folder / "layers"
        for path in (self.root, layers):
            path.mkdir()
        _mounted("tmpfs", layers)
        (layers / "upper").mkdir()
        (layers / "work").mkdir()
        parts = f"lowerdir={below},upperdir={layers}/upper,workdir={layers}/work"
        _mounted("overlay", self.root, "-o", parts)

    def shut_down(self) -> None:
        """End it in order; its disk is whole."""
        self.finished("systemctl --no-block poweroff")
        assert self.wait_for_power_off(90.0), "it does not power off"
        self.cut_power()

    # Power

    def boot(self) -> None:
        """Start it, and wait until systemd says that it is up."""
        group = self._own_group()
        with (self._folder / "console").open("ab") as console:
            self._init = self._begin(group, console)
        self._wait_for_boot()

    def _begin(self, group: Path, console: BinaryIO) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            ["sh", "-c", 'echo $$ >"$0/cgroup.procs" && exec "$@"', str(group),
             "unshare", "--mount", "--pid", "--fork", "--kill-child", "--uts", "--ipc", "--cgroup",
             "--propagation", "private", "sh", str(_BOOT), str(self.root)],
            stdin=subprocess.DEVNULL,
            stdout=console,
            stderr=subprocess.STDOUT,
        )  # fmt: skip

    def _wait_for_boot(self) -> None:
        assert self._init is not None
        until = time.monotonic() + BOOT_WITHIN_S
        while time.monotonic() < until and self._init.poll() is None:
            if self.runs and self.run("systemctl is-system-running --wait", check=False) in (
                "running",
                "degraded",
            ):
                return
            time.sleep(0.1)
        impossible(f"systemd does not boot in namespaces here: {self.console[-1500:]}")

    @property
    def console(self) -> str:
        """Return what its init has said."""
        return (self._folder / "console").read_text(errors="replace")

    def cut_power(self) -> None:
        """Kill everything on it at once, as a power cut does; its disk keeps what it has."""
        if self._init is None:
            return
        self._init.send_signal(signal.SIGKILL)  # --kill-child takes the box's init with it
        self._init.wait(20)
        self._init = None
        if self._group is not None:
            _remove_groups(self._group)

    def wait_for_power_off(self, within_s: float) -> bool:
        """Return whether it powered itself off in time."""
        assert self._init is not None
        try:
            self._init.wait(within_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def _own_group(self) -> Path:
        mounts = [line.split() for line in Path("/proc/self/mounts").read_text().splitlines()]
        top = next((Path(m[1]) for m in mounts if m[2] == "cgroup2"), None)
        if top is None:
            impossible("no cgroup2 is mounted here, and systemd needs one")
        assert top is not None
        self._group = top / self._folder.name
        self._group.mkdir(exist_ok=True)
        return self._group

    @property
    def runs(self) -> bool:
        """Whether its systemd takes orders."""
        return self._pid() is not None and (self._proc() / "run/systemd/private").exists()

    def _pid(self) -> int | None:
        """Return the box's init, as this machine counts."""
        if self._init is None or self._init.poll() is not None:
            return None
        path = Path(f"/proc/{self._init.pid}/task/{self._init.pid}/children")
        children = path.read_text().split()
        return int(children[0]) if children else None

    def _proc(self) -> Path:
        return Path(f"/proc/{self._pid()}/root")

    # Work on it

    def command(self, script: str) -> list[str]:
        """Return what runs a shell script on it: booted, among its own; else in a chroot."""
        if self._init is None:
            return ["chroot", str(self.root), "sh", "-c", script]
        return ["nsenter", "-t", str(self._pid()), "-m", "-p", "-u", "-i", "-C", "-r", "-w",
                "sh", "-c", script]  # fmt: skip

    def run(self, script: str, *, check: bool = True, status: int | None = None) -> str:
        """Run a shell script on it as root; return what it prints, standard error included.

        Args:
            script: for `sh -c`.
            check: fail the test where it ends with another status than 0.
            status: or than this.
        """
        done = self.finished(script)
        if check or status is not None:
            assert done.returncode == (status or 0), f"{script}: {done.returncode}\n{done.stdout}"
        return done.stdout.strip()

    def finished(self, script: str) -> subprocess.CompletedProcess[str]:
        """Run a shell script and return how it ended; its output is all in stdout."""
        return subprocess.run(
            self.command(script),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=300,
            env={
                "PATH": "/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
                "LC_ALL": "C.UTF-8",
                "HOME": "/root",
            },
        )

    def bring(self, folder: Path) -> None:
        """Copy a folder into its /root."""
        target = self.path("/root") / folder.name
        shutil.rmtree(target, ignore_errors=True)
        shutil.copytree(folder, target)

    def path(self, inside: str) -> Path:
        """Return where this machine sees a file of it."""
        base = self._proc() if self._pid() is not None else self.root
        return base / inside.lstrip("/")

    def wait_until(self, script: str, *, within_s: float, what: str) -> None:
        """Wait until a script ends with 0."""
        until = time.monotonic() + within_s
        while self.finished(script).returncode != 0:
            assert time.monotonic() < until, f"{what}: not within {within_s} s"
            time.sleep(0.2)


def _remove_groups(top: Path) -> None:
    until = time.monotonic() + 5.0
    while top.exists() and time.monotonic() < until:
        for folder, _, _ in os.walk(top, topdown=False):
            try:
                Path(folder).rmdir()
            except OSError:
                time.sleep(0.05)


@contextmanager
def booted(*, over: Box | None = None) -> Iterator[Box]:
    """Give a box that is up; *over* as in `Box`."""
    with Box(over=over) as box:
        box.boot()
        yield box
