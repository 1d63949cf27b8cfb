"""The Debian package: what is in it, what Debian's own checker finds, and its life on a box."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.bundles import PYTHON, ROOT
from tests.deploy.conftest import describe, wait_for_mains
from tests.deploy.test_install import fail_mains, shown
from tests.peers.apache import binary
from tests.peers.debian_box import Box
from tests.peers.snmpd import ON_MAINS, Snmpd

pytestmark = pytest.mark.peer


def packaged(folder: Path, release: str) -> Path:
    """Have deploy/deb make the package of a release, and return it."""
    binary("dpkg-deb", "dpkg")
    done = subprocess.run(
        [ROOT / "deploy/deb", "--python", PYTHON, "--release", release, "--out", folder],
        capture_output=True,
        text=True,
        env={**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"},
    )
    assert done.returncode == 0, done.stderr
    return next(folder.glob(f"lastwatt_{release}_*.deb"))


@pytest.fixture(scope="session")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return packaged(tmp_path_factory.mktemp("packages"), "1.0")


def test_it_holds_what_it_is_to_hold(package: Path) -> None:
    """Neither a venv, which belongs to one box, nor anything under /opt or /usr/local."""
    listed = subprocess.run(
        ["dpkg-deb", "--contents", package], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    files = {line.split(maxsplit=5)[5].removeprefix("./"): line for line in listed}
    conffiles = subprocess.run(
        ["dpkg-deb", "--info", package, "conffiles"], capture_output=True, text=True, check=True
    ).stdout

    for name in (
        "usr/bin/lastwatt",
        "lib/systemd/system/lastwatt.service",
        "lib/systemd/system/lastwatt-settle.service",
        "lib/systemd/system/lastwatt-power-off.socket",
        "lib/systemd/system/lastwatt-power-off@.service",
        "usr/lib/lastwatt/bundle/SHA256SUMS",
        "usr/share/doc/lastwatt/install.md",
    ):
        assert name in files
    assert all(" root/root " in line for line in listed)
    assert not [name for name in files if name.startswith(("opt/", "usr/local/", "var/"))]
    assert conffiles.split() == ["/etc/default/lastwatt"]


def test_debians_own_checker_finds_no_error(package: Path) -> None:
    """Source: lintian, of this machine's Debian."""
    done = subprocess.run(
        [binary("lintian", "lintian"), "--fail-on", "error", package],
        capture_output=True,
        text=True,
    )

    assert done.returncode == 0, done.stdout


@pytest.fixture
def box(package: Path, unit: Snmpd) -> Iterator[Box]:
    """Give a booted box with the package at work on a site of the unit."""
    with Box() as made:
        made.bring(package.parent)
        made.boot()
        made.run(f"dpkg -i /root/{package.parent.name}/{package.name}")
        describe(made, unit)
        made.run("systemctl start lastwatt")
        wait_for_mains(made)
        yield made


def test_its_life_on_a_box(box: Box, unit: Snmpd, package: Path) -> None:
    """Installed, refused to leave on battery, removed with its state kept, purged without."""
    enabled = [box.run(f"systemctl is-enabled {name}") for name in (
        "lastwatt.service", "lastwatt-settle.service", "lastwatt-power-off.socket")]  # fmt: skip
    script = box.finished("/opt/lastwatt/settle upgrade /root/x")
    fail_mains(box, unit)
    refused = box.finished("dpkg -r lastwatt")
    at_work = shown(box, "ActiveState")
    unit.replace(ON_MAINS)
    wait_for_mains(box)
    box.run("dpkg -r lastwatt")

    assert enabled == ["enabled"] * 3
    assert script.returncode == 4 and "by its package" in script.stdout
    assert refused.returncode != 0 and "on battery" in refused.stdout
    assert at_work == "active"
    assert not box.path("/opt/lastwatt").exists()
    assert box.path("/var/lib/lastwatt/journal.db").exists()
    assert box.run("dpkg-query -W -f='${db:Status-Status}' lastwatt") == "config-files"

    box.run("dpkg --purge lastwatt")

    assert not box.path("/var/lib/lastwatt").exists()
    assert not box.path("/etc/lastwatt").exists()
    assert not box.path("/etc/default/lastwatt").exists()
    assert box.finished("getent passwd lastwatt").returncode == 2


@pytest.mark.install
def test_its_upgrade_keeps_the_agent_at_work(box: Box, tmp_path: Path) -> None:
    """By dpkg as by the script: beside the old one, then over to it."""
    second = packaged(tmp_path / "second", "2.0")
    box.bring(second.parent)
    box.run(f"dpkg -i /root/second/{second.name}")
    wait_for_mains(box)

    assert box.run("readlink /opt/lastwatt/current") == "releases/2.0"
    assert "1.0" in box.run("ls /opt/lastwatt/releases")
    assert shown(box, "ActiveState") == "active"
