"""A repository of many sites, as an integrator has it: one base, a folder for each site."""

from __future__ import annotations

from pathlib import Path

BASE = """\
format = 1

[site]
time_zone = "Europe/Lisbon"
place = { latitude = 38.70, longitude = -9.14 }

[agent]
box = "warden"

[[unit]]
name = "cabinet"
rating = { va = 1000, watts = 700 }
battery = { volts = 36, amp_hours = 7 }
[unit.snmp]
version = "3"
user = "watch"
auth = "sha256"
auth_secret = { file = "unit-auth" }
privacy = "aes128"
privacy_secret = { file = "unit-privacy" }

[[device]]
name = "yard switch"
role = "switch"
feed = "cabinet"
watts = 7

[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
path = "yard switch"
recipe = "linux"
watts = 24
start = "by itself"
[device.vars]
user = "keeper"
key = { file = "recorder-key" }
host_keys = ["SHA256:m3Yx8Kc5Vb1Nz7Qw2Er9Ty4Ui6Op0As8Df3Gh5Jk7Lc"]

[[device]]
name = "warden"
role = "agent box"
feed = "cabinet"
watts = 5
start = "by itself"
"""

CAMERA = """
[[device]]
name = "camera {number}"
role = "camera"
feed = "yard switch"
watts = 5.5
night_watts = 8
needs = "gate recorder"
"""


def site(number: int, *, cameras: int = 12) -> str:
    """Return the small file of a site: its name, its addresses, its cameras."""
    head = f"""\
base = "../base.toml"

[site]
name = "Boatyard {number}"

[[unit]]
name = "cabinet"
address = "10.{number // 250}.{number % 250}.10"

[[device]]
name = "gate recorder"
address = "10.{number // 250}.{number % 250}.20"
"""
    return head + "".join(CAMERA.format(number=place) for place in range(1, cameras + 1))


def write_sites(folder: Path, count: int) -> list[Path]:
    """Write so many sites and their base below *folder*; return the sites' files."""
    folder.mkdir(exist_ok=True)
    (folder / "base.toml").write_text(BASE)
    files = []
    for number in range(1, count + 1):
        path = folder / f"yard-{number:03}" / "site.toml"
        path.parent.mkdir()
        path.write_text(site(number))
        files.append(path)
    return files
