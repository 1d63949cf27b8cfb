"""The installer on a clean Debian, and what it installs at work under a real systemd."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.deploy.bundles import sum_up, variant
from tests.deploy.conftest import describe, wait_for_mains
from tests.peers.debian_box import Box, booted
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

STATUS = "lastwatt status --state /var/lib/lastwatt --json"


def shown(box: Box, property_name: str, unit: str = "lastwatt.service") -> str:
    """Return a property of a unit, as systemd has it."""
    return box.run(f"systemctl show -p {property_name} --value {unit}")


def test_a_site_runs_after_installing_describing_and_starting(box: Box) -> None:
    """From one file, without internet and without pip or venv on the box."""
    status = json.loads(box.run(STATUS))

    assert box.finished("python3 -m pip --version").returncode != 0, "the box is a clean one"
    assert status["units"][0]["supply"] == "mains"
    assert status["health"] == {"stuck": [], "failing": [], "noted": [], "is_well": True}
    assert shown(box, "ActiveState") == "active"
    box.wait_until(
        "systemctl show -p StatusText lastwatt | grep -qx 'StatusText=cabinet: mains'",
        within_s=60.0,
        what="mains in what systemd shows",
    )
    assert shown(box, "User") == "lastwatt"


def test_the_sandbox_takes_nothing_that_the_agent_needs(box: Box) -> None:
    """What hardening hides is missed years later: the boot's id, the clock, its own socket."""
    log = box.run("journalctl -u lastwatt -o cat --no-pager")
    journal = "/var/lib/lastwatt/journal.db"
    script = "import sqlite3; print(*sqlite3.connect(%r).execute('%s').fetchone())"
    query = script % (journal, "SELECT boot, synced IS NULL FROM events ORDER BY id DESC LIMIT 1")
    boot, is_sync_unknown = box.run(f'python3 -c "{query}"').split()

    assert boot == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert is_sync_unknown == "0", "adjtimex(2) was refused"
    assert "started_agent" in log
    assert "level=error" not in log and "Traceback" not in log


def test_its_log_has_priorities_and_no_secret(box: Box, unit: Snmpd) -> None:
    """`journalctl -p err` finds what somebody must do."""
    log = box.run("journalctl -u lastwatt -o json --no-pager")
    entries = [json.loads(line) for line in log.splitlines()]
    told = {e["MESSAGE"].split()[0]: e["PRIORITY"] for e in entries if "event=" in e["MESSAGE"]}

    assert told["event=started_agent"] == "6"
    assert unit.users[0].auth_secret not in log


def test_secrets_stay_roots(box: Box) -> None:
    """The agent has copies in memory; whoever gets its user cannot change what it logs in with."""
    as_agent = "setpriv --reuid=lastwatt --regid=lastwatt --clear-groups"

    assert box.finished(f"{as_agent} cat /etc/lastwatt/secrets/cabinet-auth").returncode != 0
    assert box.finished(f"{as_agent} touch /etc/lastwatt/site.toml").returncode != 0
    assert box.run("stat -c %U:%G:%a /var/lib/lastwatt") == "lastwatt:lastwatt:750"


def test_a_hung_agent_is_ended_and_started_again(box: Box) -> None:
    """Nobody looks for years: an agent that stands still must not stay so."""
    box.run("mkdir -p /run/systemd/system/lastwatt.service.d")
    drop_in = box.path("/run/systemd/system/lastwatt.service.d/short.conf")
    drop_in.write_text("[Service]\nWatchdogSec=3s\n")
    box.run("systemctl daemon-reload && systemctl restart lastwatt")
    box.run("kill -STOP $(systemctl show -p MainPID --value lastwatt)")
    box.wait_until(
        "systemctl show -p NRestarts lastwatt | grep -qx NRestarts=1"
        " && systemctl -q is-active lastwatt",
        within_s=120.0,
        what="a new start by the watchdog",
    )

    assert "Watchdog timeout" in box.run("journalctl --no-pager")


def test_the_agents_user_alone_can_power_the_box_off(installed: Box) -> None:
    """It has no right to; the socket beside it does it, for it and nobody else."""
    knock = (
        "import socket; s = socket.socket(socket.AF_UNIX); s.connect('/run/lastwatt-power-off');"
        "print(s.recv(99).decode())"
    )
    as_user = "setpriv --reuid={0} --regid=$(id -g {0}) --clear-groups"
    with booted(over=installed) as box:
        other = box.finished(f'{as_user.format("nobody")} python3 -c "{knock}"')
        powered = box.finished(f"{as_user.format('lastwatt')} systemctl poweroff")
        went_by_itself = box.wait_for_power_off(2.0)
        taken = box.finished(f'{as_user.format("lastwatt")} python3 -c "{knock}"')
        went_off = box.wait_for_power_off(60.0)

    assert "PermissionError" in other.stdout
    assert powered.returncode != 0 and not went_by_itself
    assert taken.stdout.strip() == "taken"
    assert went_off


def test_the_agents_probe_finds_that_socket(box: Box) -> None:
    """Whether the box can be powered off is known before the night when it counts."""
    probed = json.loads(box.run("lastwatt probe /etc/lastwatt/site.toml --json", check=False))

    assert "the service manager listens on /run/lastwatt-power-off" in json.dumps(probed)


def test_its_units_are_sound_where_they_are_installed(box: Box) -> None:
    """Systemd's own check finds a wrong key, or a program that is not there."""
    units = "lastwatt.service lastwatt-settle.service lastwatt-power-off.socket"
    said = box.run(f"systemd-analyze verify --man=no {units} lastwatt-power-off@x.service")

    assert said == ""
    for unit in units.split():
        assert box.run(f"systemctl is-enabled {unit}") == "enabled"


def test_removal_keeps_the_journal_unless_it_is_told(box: Box) -> None:
    """The journal proves what happened; it goes only on request."""
    box.run("/opt/lastwatt/settle remove")

    assert not box.path("/opt/lastwatt").exists()
    assert box.finished("systemctl cat lastwatt").returncode != 0
    assert box.path("/var/lib/lastwatt/journal.db").exists()
    assert box.path("/etc/lastwatt/secrets/cabinet-auth").exists()
    assert box.finished("lastwatt --version").returncode == 127

    box.run("/root/1.0/install && systemctl is-active lastwatt")
    wait_for_mains(box)
    box.run("/root/1.0/install remove --purge")

    assert not box.path("/var/lib/lastwatt").exists()
    assert not box.path("/etc/lastwatt").exists()
    assert box.finished("getent passwd lastwatt").returncode == 2


def test_it_is_not_removed_on_battery(box: Box, unit: Snmpd) -> None:
    """Who would stop the recorders?"""
    fail_mains(box, unit)

    assert "on battery" in box.run("/opt/lastwatt/settle remove", status=4)
    assert shown(box, "ActiveState") == "active"


@pytest.mark.install
def test_without_systemd_as_init_it_does_all_else(bundle: Path, unit: Snmpd) -> None:
    """In a chroot, a container or under another init the rest is said, not done."""
    with Box() as box:
        box.bring(bundle)
        said = box.run("/root/1.0/install")
        describe(box, unit)
        checked = box.run("lastwatt check /etc/lastwatt/site.toml")

        assert "start the" in said and "by your own init" in said
        assert re.search(r"0 errors|nothing to mend", checked)
        assert "1.0 (in use)" in box.run("/root/1.0/install show")


def test_a_bundle_that_was_damaged_on_the_way_is_refused(bundle: Path, tmp_path: Path) -> None:
    """A stick that lost a byte must not become half an agent."""
    other = variant(bundle, "damaged")
    wheel = next((other / "wheels").glob("numpy-*.whl"))
    data = bytearray(wheel.read_bytes())
    data[len(data) // 2] ^= 1
    wheel.unlink()
    wheel.write_bytes(data)
    with Box() as box:
        box.bring(other)
        said = box.run("/root/damaged/install", status=2)
        # Whoever makes the sums true is met by the hashes of the requirements.
        sum_up(other)
        box.bring(other)
        refused = box.finished("/root/damaged/install")

        assert "is damaged" in said
        assert refused.returncode != 0 and "HASHES" in refused.stdout
        assert not box.path("/opt/lastwatt/current").is_symlink()


def test_a_bundle_for_another_machine_is_refused(bundle: Path) -> None:
    """Its wheels would not load, and that would show only at the first start."""
    other = variant(bundle, "foreign")
    (other / "arch").unlink()
    (other / "arch").write_text("riscv64\n")
    sum_up(other)
    with Box() as box:
        box.bring(other)

        assert "is for riscv64" in box.run("/root/foreign/install", status=2)


def fail_mains(box: Box, unit: Snmpd) -> None:
    """Have the unit go on battery, and wait until the agent knows."""
    from tests.peers.snmpd import ON_BATTERY

    unit.put(ON_BATTERY)
    box.wait_until(f'{STATUS} | grep -q \'"supply": *"battery"\'', within_s=90.0, what="battery")
