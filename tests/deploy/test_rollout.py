"""`deploy/rollout` over OpenSSH's sshd on loopback: boxes are folders, each with a real agent.

The agents ask a real unit (net-snmp); a box is restarted by a script in place of systemd.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import pytest

from tests.agent.commands import write_secret
from tests.peers.snmpd import AUTH_SECRET, ON_BATTERY, ON_MAINS, PRIVACY_SECRET, WATCH, Snmpd
from tests.peers.sshd import Sshd

pytestmark = pytest.mark.peer

ROOT = Path(__file__).parents[2]
BIN = Path(sys.executable).parent

BASE = """\
format = 1
[site]
time_zone = "Europe/Lisbon"
[agent]
poll_on_mains = "1s"
box = "warden"
[[unit]]
name = "cabinet"
address = "127.0.0.1"
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7 }}
[unit.snmp]
version = "3"
user = "{user}"
auth = "sha256"
auth_secret = {{ file = "secrets/auth" }}
privacy = "aes128"
privacy_secret = {{ file = "secrets/privacy" }}
port = {port}
timeout = "0.3s"
[[device]]
name = "warden"
role = "agent box"
feed = "cabinet"
watts = 5
start = "by itself"
"""

RESTART = """\
#!/bin/sh
# What systemctl restart is elsewhere.
cd "$LASTWATT_FOLDER" || exit 1
if [ -f pid ]; then
    kill "$(cat pid)" 2>/dev/null
    while kill -0 "$(cat pid)" 2>/dev/null; do sleep 0.1; done
fi
setsid lastwatt run site.toml --state "$(cat state)" >log 2>&1 </dev/null &
echo $! >pid
echo restarted >>restarts
"""


@dataclass
class Fleet:
    """A repository of sites, and their boxes; a context manager that ends their agents."""

    folder: Path
    snmpd: Snmpd
    sshd: Sshd
    count: int = 3
    names: list[str] = field(default_factory=list)

    def __enter__(self) -> Self:
        self.sites.mkdir()
        (self.sites / "base.toml").write_text(BASE.format(user=WATCH.name, port=self.snmpd.port))
        (self.folder / "restart").write_text(RESTART)
        (self.folder / "restart").chmod(0o755)
        self.names = [f"yard-{number}" for number in range(1, self.count + 1)]
        lines = []
        for name in self.names:
            self.write(name)
            box = self.box(name)
            (box / "secrets").mkdir(parents=True)
            write_secret(box / "secrets" / "auth", AUTH_SECRET)
            write_secret(box / "secrets" / "privacy", PRIVACY_SECRET)
            (box / "state").write_text(str(self.folder / f"state-{name}"))
            lines.append(f"{name} box {box}\n")
        (self.folder / "hosts").write_text("# name, destination, folder\n" + "".join(lines))
        return self

    def __exit__(self, *_: object) -> None:
        for name in self.names:
            with suppress(FileNotFoundError, ProcessLookupError, ValueError):
                os.kill(int((self.box(name) / "pid").read_text()), signal.SIGKILL)

    @property
    def sites(self) -> Path:
        return self.folder / "sites"

    def box(self, name: str) -> Path:
        return self.folder / "boxes" / name

    def write(self, name: str, more: str = "") -> None:
        """Write a site's small file."""
        own = f'base = "base.toml"\n[site]\nname = "Boatyard {name}"\n{more}'
        (self.sites / f"{name}.toml").write_text(own)

    def roll(self, *options: str, settle_s: int = 90) -> subprocess.CompletedProcess[str]:
        """Roll out; an agent has *settle_s* to be well."""
        config = self.folder / "ssh_config"
        config.write_text(
            f"Host box\n HostName {self.sshd.address}\n Port {self.sshd.port}\n"
            f" User {self.sshd.user}\n IdentityFile {self.sshd.folder / 'client'}\n"
            f" StrictHostKeyChecking no\n UserKnownHostsFile /dev/null\n LogLevel ERROR\n"
        )
        return subprocess.run(
            [ROOT / "deploy" / "rollout", *options, self.sites, self.folder / "hosts"],
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
            env={
                **os.environ,
                "PATH": f"{BIN}:{os.environ['PATH']}",
                "LASTWATT_SSH": f"ssh -F {config} -o BatchMode=yes",
                "LASTWATT_RESTART": str(self.folder / "restart"),
                "LASTWATT_SETTLE_S": str(settle_s),
            },
        )

    def has(self, name: str) -> str:
        """What a box has as its site's file."""
        path = self.box(name) / "site.toml"
        return path.read_text() if path.exists() else ""

    def restarts(self, name: str) -> int:
        path = self.box(name) / "restarts"
        return len(path.read_text().splitlines()) if path.exists() else 0


@pytest.fixture
def fleet(tmp_path: Path) -> Iterator[Fleet]:
    path = f"PATH={BIN}:/usr/bin:/bin:/usr/sbin"
    sshd = Sshd(tmp_path / "sshd", options=(f"SetEnv {path} HOME={tmp_path}",))
    with (
        Snmpd(tmp_path / "unit") as snmpd,
        sshd,
        Fleet(tmp_path, snmpd, sshd) as found,
    ):
        (sshd.folder / "client").chmod(0o600)
        yield found


def lines(done: subprocess.CompletedProcess[str]) -> dict[str, str]:
    """Return what is said of each site."""
    found = (line.split(maxsplit=1) for line in done.stdout.splitlines())
    return {name: said for name, said in found if name.startswith("yard-")}


def test_three_boxes_get_their_files_and_are_well(fleet: Fleet) -> None:
    """A canary first, then the rest; again, and nothing is to be done."""
    done = fleet.roll()

    assert done.returncode == 0, done.stdout + done.stderr
    assert set(lines(done).values()) == {"done: its agent is well"}
    for name in fleet.names:
        assert f"Boatyard {name}" in fleet.has(name)
        assert (fleet.box(name) / "base.toml").exists()
        assert not (fleet.box(name) / ".trial").exists()
    again = fleet.roll()
    assert again.returncode == 0
    assert set(lines(again).values()) == {"same: it has that already"}
    assert [fleet.restarts(name) for name in fleet.names] == [1, 1, 1]


def test_a_canary_that_is_not_well_goes_back_and_stops_the_rest(fleet: Fleet) -> None:
    """A base with a wrong port passes every check, and is found by the first box alone."""
    assert fleet.roll("--only", "yard-1").returncode == 0
    base = fleet.sites / "base.toml"
    good = base.read_text()
    base.write_text(good.replace(f"port = {fleet.snmpd.port}", "port = 9"))
    done = fleet.roll(settle_s=30)

    assert done.returncode == 1
    assert lines(done) == {
        "yard-1": "FAILED: its agent was not well with that; it has gone back, and is well"
    }
    assert "stopped: 2 sites were not begun" in done.stdout
    assert (fleet.box("yard-1") / "base.toml").read_text() == good
    assert [fleet.restarts(name) for name in fleet.names] == [3, 0, 0]


INSTALLER = """\
#!/bin/sh
# What deploy/install says; tests/deploy/test_upgrade.py has the real one.
[ "$1" = upgrade ] && tar -tf "$2" >/dev/null || exit 2
echo "$2" >>"{seen}"
echo "{said}" >&2
exit {status}
"""


def release(folder: Path, *, said: str, status: int) -> Path:
    """Pack a release whose installer says that."""
    bundle = folder / "lastwatt-9-x86_64"
    bundle.mkdir(exist_ok=True)
    text = INSTALLER.format(seen=folder / "seen", said=said, status=status)
    (bundle / "install").write_text(text)
    (bundle / "install").chmod(0o755)
    subprocess.run(["tar", "-C", folder, "-cf", folder / "9.tar", bundle.name], check=True)
    return folder / "9.tar"


def test_a_release_goes_first_and_leaves_nothing_on_the_box(fleet: Fleet, tmp_path: Path) -> None:
    """Each box's own installer judges it; what it was made of does not fill the card."""
    good = release(tmp_path, said="release 9 is in use, and healthy", status=0)
    done = fleet.roll("--bundle", str(good), "--only", "yard-1")
    refused = release(tmp_path, said="lastwatt: the site is on battery: upgrade later", status=4)
    alone = fleet.roll("--bundle", str(refused), "--only", "yard-2")
    broken = release(tmp_path, said="lastwatt: release 9 did not become healthy", status=1)
    bad = fleet.roll("--bundle", str(broken), "--only", "yard-3")

    assert lines(done) == {"yard-1": "done: its agent is well"}
    assert alone.returncode == 1
    assert lines(alone)["yard-2"].startswith("left alone: lastwatt: the site is on battery")
    assert bad.returncode == 1
    assert lines(bad)["yard-3"].startswith("FAILED: its release stays as it was: ")
    assert not fleet.has("yard-2") and not fleet.has("yard-3")
    came = (tmp_path / "seen").read_text().splitlines()
    assert len(came) == 3
    assert not any(Path(where).parent.exists() for where in came)


def test_a_fault_in_any_site_sends_nothing(fleet: Fleet) -> None:
    """The third site's mistake is found at the desk."""
    fleet.write("yard-3", "[[device]]\nname = 'lamp'\nfeed = 'cabinett'\n")
    done = fleet.roll()

    assert done.returncode == 2
    assert 'nothing is called "cabinett"' in done.stdout
    assert "nothing was sent" in done.stderr
    assert not any(fleet.has(name) for name in fleet.names)


def test_a_secret_that_a_box_lacks_changes_nothing_there(fleet: Fleet) -> None:
    """At the desk it is a warning; on the box it is looked for before anything counts."""
    (fleet.box("yard-1") / "secrets" / "auth").unlink()
    done = fleet.roll("--only", "yard-1")

    assert done.returncode == 1
    assert "FAILED: nothing was changed" in lines(done)["yard-1"]
    assert "cannot read secret file" in lines(done)["yard-1"]
    assert fleet.has("yard-1") == ""
    assert fleet.restarts("yard-1") == 0


def test_all_go_back_where_somebody_says_so(fleet: Fleet) -> None:
    """What was there before the last roll-out, secrets untouched."""
    assert fleet.roll().returncode == 0
    for name in fleet.names:
        fleet.write(name, "reserve = 0.3\n")
    assert fleet.roll("--canaries", "2", "--wave", "5").returncode == 0
    assert all("reserve" in fleet.has(name) for name in fleet.names)
    done = fleet.roll("--back")

    assert done.returncode == 0, done.stdout
    assert set(lines(done).values()) == {"back: it has what it had before"}
    assert not any("reserve" in fleet.has(name) for name in fleet.names)
    assert (fleet.box("yard-1") / "secrets" / "auth").exists()


def test_a_site_on_battery_is_left_alone_and_told_of(fleet: Fleet) -> None:
    """A restart in an outage is the last thing that it needs."""
    assert fleet.roll("--only", "yard-1").returncode == 0
    fleet.snmpd.replace({**ON_MAINS, **ON_BATTERY})
    end_at = time.monotonic() + 60.0
    state = (fleet.box("yard-1") / "state").read_text()
    status = [str(BIN / "lastwatt"), "status", "--state", state, "--json"]
    while (
        '"outage_s": null'
        in subprocess.run(status, capture_output=True, text=True, check=True).stdout
    ):
        assert time.monotonic() < end_at
    fleet.write("yard-1", "reserve = 0.3\n")
    done = fleet.roll("--only", "yard-1")

    assert done.returncode == 1
    assert lines(done) == {"yard-1": "left alone: it is on battery"}
    assert "reserve" not in fleet.has("yard-1")


def test_a_dry_run_says_what_would_be_sent(fleet: Fleet) -> None:
    """And no secret is among it."""
    done = fleet.roll("--dry")

    assert done.returncode == 0
    assert lines(done)["yard-2"] == "would be sent: ./base.toml ./site.toml"
    assert not any(fleet.has(name) for name in fleet.names)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--canaries", "none"), "--canaries takes a number"),
        (("--only", "yard-9"), "names no such site"),
        (("--force",), "there is no option --force"),
    ],
)
def test_wrong_usage_is_status_2(fleet: Fleet, options: tuple[str, ...], said: str) -> None:
    """In a line, and nothing was begun."""
    done = fleet.roll(*options)

    assert done.returncode == 2
    assert said in done.stderr
