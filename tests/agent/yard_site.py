"""A site's file for the commands that only reckon: a switch with cameras, a recorder, a monitor."""

from __future__ import annotations

from pathlib import Path

PLACE = "place = { latitude = 38.70, longitude = -9.14 }\n"

HEAD = """\
format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
"""

CABINET = """\
[[unit]]
name = "cabinet"
address = "192.0.2.10"
snmp = { version = "2c", community = { env = "LASTWATT_TEST_NOT_SET" } }
rating = { va = 1000, watts = 700 }
battery = { volts = 36, amp_hours = 7, fitted = 2025-03-01 }
"""

LOFT = CABINET.replace('"cabinet"', '"loft"').replace("192.0.2.10", "192.0.2.11")

DEVICES = """\
[[device]]
name = "yard switch"
role = "switch"
feed = "cabinet"
watts = 9
boot_watts = 12
power_factor = 0.6
poe_efficiency = 0.8

[[device]]
name = "slipway camera"
role = "camera"
feed = "yard switch"
watts = 4
night_watts = 8
boot_watts = 8
cable_m = 0

[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
watts = 30
boot_watts = 45
power_factor = 0.5
"""
"""By hand: 9 + 4 / 0.8 + 30 = 44 W by day, 9 + 8 / 0.8 + 30 = 49 W by night, 12 + 10 + 45 = 67 W
at the start; 14 / 0.6 + 30 / 0.5 = 83.3 VA by day."""


def write_yard(folder: Path, *tables: str, place: bool = True) -> Path:
    """Write the site's file: its units and devices, or those of *tables*."""
    path = folder / "site.toml"
    listed = tables or (CABINET, DEVICES)
    path.write_text(HEAD + (PLACE if place else "") + "".join(listed), encoding="utf-8")
    return path
