"""Upgrades: the new release or the old one, whole, whatever goes wrong in between."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from pathlib import Path

import pytest

from tests.deploy.bundles import crashing, deaf, variant
from tests.deploy.conftest import describe, wait_for_mains
from tests.deploy.test_install import STATUS, fail_mains, shown
from tests.peers.debian_box import Box, booted
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

SHORT = "LASTWATT_SETTLE_STEADY_S=3 LASTWATT_SETTLE_WITHIN_S=30"
INSTALL = f"{SHORT} /opt/lastwatt/settle"
DROP_IN = "[Service]\nEnvironment=LASTWATT_SETTLE_STEADY_S=3 LASTWATT_SETTLE_WITHIN_S=30\n"


@pytest.fixture(scope="session")
def second(bundle: Path) -> Path:
    return variant(bundle, "2.0")


@pytest.fixture(scope="session")
def broken(bundle: Path) -> Path:
    """Return one whose agent ends at once."""
    return variant(bundle, "2.1", crashing())


@pytest.fixture(autouse=True)
def hurried(box: Box) -> None:
    """Have the box wait seconds where it waits minutes."""
    folder = box.path("/run/systemd/system/lastwatt-settle.service.d")
    folder.mkdir(parents=True)
    (folder / "short.conf").write_text(DROP_IN)
    box.run("systemctl daemon-reload")


def in_use(box: Box) -> str:
    """Return the release that `current` leads to, which is whole and runs."""
    name = box.run("basename $(readlink /opt/lastwatt/current)")
    box.run(f"test -e /opt/lastwatt/releases/{name}/whole && lastwatt --version")
    return name


def upgrade(box: Box, bundle: Path, *, status: int = 0, options: str = "") -> str:
    """Bring a bundle and upgrade to it."""
    box.bring(bundle)
    return box.run(f"{SHORT} /root/{bundle.name}/install upgrade /root/{bundle.name} {options}",
                   status=status)  # fmt: skip


def test_a_release_that_does_not_run_is_gone_back_from_by_itself(box: Box, broken: Path) -> None:
    """The integrator is 300 km away, and the site is watched all the same."""
    said = upgrade(box, broken, status=1)
    wait_for_mains(box)

    assert "did not become healthy" in said
    assert "1.0 is in use again, and healthy" in said
    assert in_use(box) == "1.0"
    assert not box.path("/opt/lastwatt/pending").exists()
    assert "this release is broken" in box.run("journalctl -u lastwatt-settle -o cat --no-pager")


def test_an_upgrade_goes_over_keeps_the_old_one_and_reads_its_journal(
    box: Box, second: Path
) -> None:
    """And back by hand: a release rolled back reads what its successor wrote."""
    upgrade(box, second)
    wait_for_mains(box)
    after_upgrade = in_use(box)
    box.run(f"{INSTALL} back")
    wait_for_mains(box)
    starts = box.run(
        "lastwatt journal --state /var/lib/lastwatt --json | grep -c started_agent", check=False
    )
    log = box.run("journalctl -u lastwatt -o cat --no-pager")

    assert after_upgrade == "2.0"
    assert in_use(box) == "1.0"
    assert starts != "0"
    assert "set_aside_journal" not in log and "Traceback" not in log
    assert "2.0" in box.run("/opt/lastwatt/settle show")


def test_nothing_is_upgraded_on_battery(box: Box, second: Path, unit: Snmpd) -> None:
    """A restart in mid-outage is the last thing that a site needs."""
    fail_mains(box, unit)
    pid = shown(box, "MainPID")
    said = upgrade(box, second, status=4)

    assert "on battery" in said
    assert shown(box, "MainPID") == pid
    assert in_use(box) == "1.0"


@pytest.mark.install
def test_nothing_is_upgraded_while_nobody_knows(box: Box, second: Path, unit: Snmpd) -> None:
    """A silent unit may be on battery; whoever stands before it may say that it is not."""
    unit.freeze()
    box.wait_until(f'{STATUS} | grep -q \'"supply": *"unknown"\'', within_s=90.0, what="silence")
    said = upgrade(box, second, status=4)
    upgraded = upgrade(box, second, options="--though-unknown")

    assert "cabinet does not answer" in said
    assert "2.0 is in use, and healthy" in upgraded
    assert in_use(box) == "2.0"


@pytest.mark.install
def test_a_release_that_no_longer_hears_the_unit_is_gone_back_from(box: Box, bundle: Path) -> None:
    """It runs, it decides, its watchdog is fed: and it watches nothing."""
    said = upgrade(box, variant(bundle, "2.2", deaf()), status=1)
    wait_for_mains(box)

    assert "does not hear cabinet" in said
    assert in_use(box) == "1.0"


@pytest.mark.install
def test_a_site_file_that_the_new_release_refuses_changes_nothing(box: Box, second: Path) -> None:
    """A fault that would show at the next start must show before."""
    pid = shown(box, "MainPID")
    site = box.path("/etc/lastwatt/site.toml")
    site.write_text(site.read_text().replace('feed = "cabinet"', 'feed = "cupboard"'))
    said = upgrade(box, second, status=1)

    assert "cupboard" in said and "Nothing was changed" in said
    assert shown(box, "MainPID") == pid
    assert in_use(box) == "1.0"


@pytest.mark.install
def test_old_releases_go_and_the_one_before_stays(box: Box, bundle: Path) -> None:
    """Ten years of upgrades must fit on the card."""
    for number in (2, 3, 4, 5):
        upgrade(box, variant(bundle, f"{number}.0"))

    assert set(box.run("/opt/lastwatt/settle show").split("\n")) == {"3.0", "4.0", "5.0 (in use)"}


# Kills

PLACED_WITHIN_S = 240.0
"""Putting a release in place takes 9 s on an idle core, and many times that on a busy one."""

MOMENTS = {
    "as the release is put in place": "test -d /opt/lastwatt/releases/{new}/lib",
    "as its packages are installed": "ls /opt/lastwatt/releases/{new}/lib/*/site-packages/numpy",
    "as the switch is pending": "test -e /opt/lastwatt/pending",
    "as the new one was switched to": "readlink /opt/lastwatt/current | grep -q {new}",
}


def kill_in_upgrade(box: Box, bundle: Path, moment: str, *, settling_too: bool) -> None:
    """Begin an upgrade and kill it by SIGKILL, all of it, at a moment."""
    new = bundle.name
    box.bring(bundle)
    script = f"cd /root; {SHORT} exec ./{new}/install upgrade ./{new}"
    process = subprocess.Popen(
        box.command(script), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        box.wait_until(MOMENTS[moment].format(new=new), within_s=PLACED_WITHIN_S, what=moment)
    finally:
        kill_with_children(process.pid)
        process.wait(30)
    if settling_too:
        box.run("systemctl kill -s KILL lastwatt-settle.service", check=False)


def kill_with_children(pid: int) -> None:
    """Kill a process and whatever it runs just now, all by SIGKILL."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        os.kill(pid, signal.SIGKILL)
    except (FileNotFoundError, ProcessLookupError):
        return
    for child in children:
        kill_with_children(int(child))


def wait_until_settled(box: Box) -> None:
    box.wait_until("test ! -e /opt/lastwatt/pending", within_s=240.0, what="a settled upgrade")
    wait_for_mains(box)


@pytest.mark.install
@pytest.mark.parametrize("moment", MOMENTS)
def test_a_kill_leaves_the_old_or_the_new_one_whole(box: Box, second: Path, moment: str) -> None:
    """The next upgrade then clears up and goes through."""
    kill_in_upgrade(box, second, moment, settling_too=True)
    wait_until_settled(box)
    found = in_use(box)
    upgrade(box, second)
    wait_for_mains(box)

    assert found in ("1.0", "2.0")
    assert in_use(box) == "2.0"


def test_a_kill_after_the_switch_still_goes_back_from_a_broken_release(
    box: Box, broken: Path
) -> None:
    """Nobody is left to see to it; the service that settles is started again, and does."""
    kill_in_upgrade(box, broken, "as the new one was switched to", settling_too=True)
    wait_until_settled(box)

    assert in_use(box) == "1.0"
    assert shown(box, "ActiveState") == "active"


@pytest.mark.install
def test_a_power_cut_in_mid_upgrade_is_settled_at_the_next_start(
    installed: Box, broken: Path, unit: Snmpd
) -> None:
    """The battery of the box itself ended, of all times now."""
    with booted(over=installed) as box:
        describe(box, unit)
        box.run("systemctl start lastwatt")
        wait_for_mains(box)
        box.bring(broken)
        begun = subprocess.Popen(
            box.command(f"/root/{broken.name}/install upgrade /root/{broken.name}"),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        moment = MOMENTS["as the new one was switched to"].format(new=broken.name)
        try:
            box.wait_until(moment, within_s=PLACED_WITHIN_S, what="the switch")
        finally:
            box.cut_power()
            begun.wait(30)
        box.boot()
        box.wait_until("test ! -e /opt/lastwatt/pending", within_s=300.0, what="settling")
        wait_for_mains(box)

        assert in_use(box) == "1.0"
        assert json.loads(box.run(STATUS))["health"]["is_well"]
