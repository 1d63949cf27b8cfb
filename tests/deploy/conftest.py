"""A bundle, and a box on which it is installed, once for all tests that ask for them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.deploy.bundles import made
from tests.peers.debian_box import Box, NoBoxError, booted, tree, unavailable
from tests.peers.snmpd import Snmpd


@pytest.fixture(scope="session")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the bundle of this checkout, unpacked, as release 1.0."""
    try:
        tree()  # what would be done with it otherwise?
    except NoBoxError as error:
        unavailable(str(error))
    return made(tmp_path_factory.mktemp("bundles"))


@pytest.fixture(scope="session")
def installed(bundle: Path) -> Iterator[Box]:
    """Give a box on which release 1.0 was installed, shut down since; boot others over it."""
    with Box() as box:
        box.bring(bundle)
        box.boot()
        box.run("/root/1.0/install")
        box.shut_down()
        yield box


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Snmpd]:
    """Give a backup unit, on mains."""
    with Snmpd(tmp_path / "snmpd") as snmpd:
        yield snmpd


@pytest.fixture
def box(installed: Box, unit: Snmpd) -> Iterator[Box]:
    """Give a booted box with release 1.0 at work on a site of that unit."""
    with booted(over=installed) as box:
        describe(box, unit)
        box.run("systemctl start lastwatt")
        wait_for_mains(box)
        yield box


SITE = """format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
[agent]
box = "warden"
poll_on_mains = "1s"
poll_on_battery = "0.5s"
[[unit]]
name = "cabinet"
address = "127.0.0.1"
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7, fitted = 2026-01-10 }}
flicker = "2s"
[unit.snmp]
version = "3"
port = {port}
user = "watch"
auth = "sha256"
auth_secret = {{ credential = "cabinet-auth" }}
privacy = "aes128"
privacy_secret = {{ credential = "cabinet-privacy" }}
[[device]]
name = "warden"
role = "agent box"
watts = 4
feed = "cabinet"
stop = {{ driver = "local", takes = "30s" }}
"""


def describe(box: Box, unit: Snmpd) -> None:
    """Write the site's file and its secrets, as the walk-through has it."""
    user = unit.users[0]
    secrets = {"cabinet-auth": user.auth_secret, "cabinet-privacy": user.privacy_secret}
    box.path("/etc/lastwatt/site.toml").write_text(SITE.format(port=unit.port))
    for name, secret in secrets.items():
        box.path(f"/etc/lastwatt/secrets/{name}").write_text(secret)
    box.run("chgrp lastwatt /etc/lastwatt/site.toml; chmod 640 /etc/lastwatt/site.toml")
    box.run("chmod 600 /etc/lastwatt/secrets/*")


def wait_for_mains(box: Box) -> None:
    """Wait until the agent on it has heard of its unit that mains is there."""
    box.wait_until(
        'lastwatt status --state /var/lib/lastwatt --json | grep -q \'"supply": *"mains"\'',
        within_s=90.0,
        what="mains in the agent's status",
    )
