"""A site to plan for: a recorder with a hold time, a camera, a desk, on one small battery."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from tests.agent.yard_site import CABINET, HEAD, PLACE

TODAY = date(2026, 11, 25)

RECORDER = """\
[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
address = "192.0.2.20"
path = ["yard switch"]
watts = 30
worth = 10
hold = "2h"
stop = { driver = "http", path = "/off", takes = "50s" }
start = "by itself"
[device.http]
auth = "none"
scheme = "http"
"""

DESK = """\
[[device]]
name = "desk"
role = "computer"
feed = "cabinet"
address = "192.0.2.21"
path = ["yard switch"]
watts = 60
worth = 2
stop = { driver = "http", path = "/off", takes = "90s" }
[device.http]
auth = "none"
scheme = "http"
"""


def device(name: str, role: str, watts: float, *, feed: str = "cabinet", more: str = "") -> str:
    """Return the table of a device that nobody tells anything."""
    table = f'[[device]]\nname = "{name}"\nrole = "{role}"\nfeed = "{feed}"\n'
    return table + f"watts = {watts:g}\n{more}\n"


SWITCH = device("yard switch", "switch", 9)
CAMERA = device(
    "slipway camera",
    "camera",
    5.5,
    feed="yard switch",
    more='night_watts = 8\nneeds = ["gate recorder"]',
)


def write_plan_yard(folder: Path, *devices: str, unit: str = CABINET, more: str = "") -> Path:
    """Write the site's file; with *devices* in place of its recorder, camera and desk."""
    path = folder / "site.toml"
    listed = devices or (CAMERA, RECORDER, DESK)
    path.write_text("".join((HEAD, PLACE, unit, SWITCH, *listed, more)), encoding="utf-8")
    return path
