"""What systemd itself says of the units: sound, and with little left open."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.bundles import ROOT
from tests.peers.apache import binary

pytestmark = pytest.mark.peer

SERVICE = ROOT / "deploy/service"
EXPOSED_MOST = 2.0
KNOWN_HOSTS = {"www.debian.org"}
"""The name of a file's format, in deploy/package/copyright."""


@pytest.mark.parametrize("unit", ["lastwatt.service", "lastwatt-power-off@.service"])
def test_little_is_left_open(unit: str) -> None:
    """Whoever takes over the agent must find no more of the box than the agent needs.

    Source: systemd-analyze(1), `security`: exposure from 0.0 to 10.0.
    """
    program = binary("systemd-analyze", "systemd")
    done = subprocess.run(
        [program, "security", "--offline=true", "--no-pager", SERVICE / unit],
        capture_output=True,
        text=True,
        env={"SYSTEMD_COLORS": "0", "LC_ALL": "C.UTF-8", "PATH": "/usr/bin"},
    )
    found = re.search(r"Overall exposure level for \S+ ([0-9.]+)", done.stdout)

    assert found, done.stdout + done.stderr
    assert float(found[1]) <= EXPOSED_MOST, done.stdout


def test_what_is_left_open_is_explained() -> None:
    """A later reader must know which of the gaps is one by mistake."""
    text = (SERVICE / "lastwatt.service").read_text()
    said = " ".join(line.lstrip("# ") for line in text.splitlines() if line.startswith("#"))

    for gap in ("PrivateNetwork", "IPAddressDeny", "AF_INET", "AF_UNIX", "ProcSubset=",
                "ProtectClock=", "RootDirectory="):  # fmt: skip
        assert gap in said, f"nothing says why {gap} is as it is"


@pytest.mark.parametrize(
    "name", ["install", "bundle", "deb", "setup.sh", "try", "service/lastwatt"]
)
def test_the_scripts_are_posix_shell(name: str) -> None:
    """A small system has dash and nothing more."""
    path = ROOT / "deploy" / name
    shell = shutil.which("dash")
    assert path.read_text().startswith(("#!/bin/sh\n", "# Sourced"))
    done = subprocess.run([shell or "sh", "-n", path], capture_output=True, text=True)

    assert done.returncode == 0, done.stderr


def test_no_host_stands_in_what_is_deployed() -> None:
    """Mirrors and registries are the machine's own affair."""
    for path in Path(ROOT / "deploy").rglob("*"):
        if path.is_file():
            hosts = re.findall(r"https?://([^/\s\"'`)]+)", path.read_text(errors="replace"))
            assert set(hosts) <= KNOWN_HOSTS, f"{path}: {hosts}"
