"""A PoE switch on loopback: net-snmp's snmpd, with RFC 3621, bridge and LLDP tables of ours."""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from tests.peers.snmpd import SWITCH, Snmpd

ROOTS = ("1.3.6.1.2.1.105", "1.3.6.1.2.1.17", "1.0.8802.1.1.2")
SLIPWAY_MAC = "02:00:5e:10:00:21"
GATE_MAC = "02:00:5e:10:00:22"
DOOR_MAC = "02:00:5e:10:00:99"


def port(number: int, *macs: str, **others: Any) -> dict[str, Any]:
    """Return a port that is on, and feeds whoever has those addresses."""
    shown = {"on": True, "mac": list(macs), "class": 2, "watts": 5.1, "lldp": ""}
    return {**shown, "bridge": number, **others}


def yard_ports() -> dict[str, dict[str, Any]]:
    """Return the ports of a switch of our own invention."""
    return {
        "1.2": port(2, GATE_MAC),
        "1.3": port(3, SLIPWAY_MAC),
        "1.4": port(4, DOOR_MAC),
        "1.5": port(5),
    }


@dataclass(slots=True)
class PoeSwitch:
    """One switch; a context manager that starts it and ends it.

    Attributes:
        bridge: "q" for the table of RFC 4363, "d" for that of RFC 4188 alone.
    """

    folder: Path
    address: str = "127.0.0.1"
    bridge: str = "q"
    ports: dict[str, dict[str, Any]] = field(default_factory=yard_ports)
    snmpd: Snmpd = field(init=False)

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        script = Path(__file__).with_name("switch_pass.py")
        lines = tuple(
            f"pass_persist .{root} {sys.executable} {script} {self._file}" for root in ROOTS
        )
        self.write({"ports": self.ports, "bridge": self.bridge})
        self.snmpd = Snmpd(self.folder / "snmpd", self.address, users=(SWITCH,), more=lines)
        self.snmpd.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.snmpd.stop()

    @property
    def _file(self) -> Path:
        return self.folder / "switch.json"

    def state(self) -> dict[str, Any]:
        """Return what it is set to."""
        found: dict[str, Any] = json.loads(self._file.read_text())
        return found

    def write(self, state: dict[str, Any]) -> None:
        """Set it, from outside."""
        fresh = self._file.with_suffix(".fresh")
        fresh.write_text(json.dumps(state))
        fresh.replace(self._file)

    def change(self, name: str, /, **changes: Any) -> None:
        """Change one port, from outside."""
        state = self.state()
        state["ports"][name] |= changes
        self.write(state)

    def is_on(self, name: str) -> bool:
        """Whether a port may give power."""
        return bool(self.state()["ports"][name]["on"])

    def sets(self) -> list[list[Any]]:
        """Return every SET so far: port and value."""
        found: list[list[Any]] = self.state().get("sets", [])
        return found
