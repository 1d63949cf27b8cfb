"""`lastwatt ports` on net-snmp's snmpd playing a switch: its lines make the file right."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from tests.agent.commands import lastwatt, unit, write_site
from tests.peers.poe_switch import GATE_MAC, SLIPWAY_MAC, PoeSwitch

pytestmark = pytest.mark.peer

SWITCH = """\
[[device]]
name = "yard switch"
role = "switch"
{address}
feed = "cabinet"
watts = 9
{snmp}
"""
SNMP = """\
[device.poe.snmp]
version = "3"
port = {port}
user = "switch"
auth = "sha256"
auth_secret = {{ file = "auth" }}
privacy = "aes128"
privacy_secret = {{ file = "privacy" }}
"""


def site(folder: Path, switch: PoeSwitch, *more: str, snmp: str | None = None) -> Path:
    table = SWITCH.format(
        address=f'address = "{switch.address}"',
        snmp=SNMP.format(port=switch.snmpd.port) if snmp is None else snmp,
    )
    return write_site(folder, unit(161), table, *more)


def test_lines_that_are_printed_make_a_port_that_probe_finds_right(tmp_path: Path) -> None:
    """Commissioning is copying, not typing; and probe says when the map has rotted since."""
    with PoeSwitch(tmp_path / "switch") as switch:
        switch.change("1.3", lldp="02:00:5e:10:00:f1", name="slipway-cam")
        found = lastwatt("ports", site(tmp_path, switch), "yard switch")
        blocks = found.out.split("\n\n")
        lines = next(block for block in blocks if "# port 1.3:" in block)
        camera = f"""\
[[device]]
name = "slipway camera"
role = "camera"
feed = "yard switch"
watts = 5
stop = {{ driver = "poe" }}
{lines}
"""
        file = site(tmp_path, switch, camera)
        right = lastwatt("probe", file, "--json").document["probes"]
        switch.change("1.4", mac=[])
        switch.change("1.3", mac=["02:00:5e:10:00:99"])
        wrong = lastwatt("probe", file, "--json").document["probes"]

    assert found.status == 0, found.err
    assert 'calls itself "slipway-cam"' in lines
    assert tomllib.loads(lines)["device"]["poe"] == {
        "port": "1.3", "neighbour": SLIPWAY_MAC, "power_class": 2,
    }  # fmt: skip
    before, after = (
        next(p for p in probes if p["name"] == "slipway camera") for probes in (right, wrong)
    )
    assert before["ok"] and "who was found there is heard there" in before["evidence"]
    assert not after["ok"] and "02:00:5e:10:00:99 is there now" in after["evidence"]
    assert switch.sets() == []


def test_map_as_json_has_every_port(tmp_path: Path) -> None:
    """For a program that fills in a file."""
    with PoeSwitch(tmp_path / "switch", bridge="d") as switch:
        switch.change("1.5", on=False)
        document = lastwatt("ports", site(tmp_path, switch), "yard switch", "--json").document

    found = {port["port"]: port for port in document["ports"]}
    assert list(found) == ["1.2", "1.3", "1.4", "1.5"]
    assert found["1.2"]["neighbour"] == [GATE_MAC]
    assert (found["1.5"]["on"], found["1.5"]["detection"]) == (False, "disabled")


def test_switch_that_the_file_does_not_say_how_to_ask_is_told_in_a_line(tmp_path: Path) -> None:
    """Status 2, and what to add; a name that is not there likewise."""
    with PoeSwitch(tmp_path / "switch") as switch:
        file = site(tmp_path, switch, snmp="")
        silent = lastwatt("ports", file, "yard switch")
        unknown = lastwatt("ports", file, "loft switch")

    assert (silent.status, unknown.status) == (2, 2)
    assert "[device.poe.snmp]" in silent.complaint
    assert "yard switch" in unknown.complaint
