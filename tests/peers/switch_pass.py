"""Play a PoE switch to net-snmp's snmpd over its pass_persist protocol (man 5 snmpd.conf).

Run as: python3 switch_pass.py STATE. STATE is JSON, {"ports": {"1.3": {…}}, "bridge": "q" or "d",
"deaf": false}; each port has on, mac (a list), class, watts, lldp and bridge (its number there).
What a SET of pethPsePortAdminEnable does is written back to it, with what a switch makes of that: a
port that is off delivers nothing, and nobody is heard there. A deaf switch takes a SET and does
nothing; where "mute" is set, no device sends anything that it would learn an address from.
"""

import json
import sys
from pathlib import Path
from typing import Any

Oid = tuple[int, ...]
Values = dict[Oid, tuple[str, str]]

PSE = (1, 3, 6, 1, 2, 1, 105, 1, 1, 1)
BASE_IF = (1, 3, 6, 1, 2, 1, 17, 1, 4, 1, 2)
Q_FDB = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1)
D_FDB = (1, 3, 6, 1, 2, 1, 17, 4, 3, 1)
LLDP = (1, 0, 8802, 1, 1, 2, 1, 4, 1, 1)
WATTS = (1, 3, 6, 1, 2, 1, 105, 99)
"""Milliwatts of a port: this switch's own, beneath the root that it is let serve here."""


def values_of(state: dict[str, Any]) -> Values:
    """Return every object that the switch shows."""
    shown: Values = {}
    for name, port in state["ports"].items():
        row = tuple(int(part) for part in name.split("."))
        feeds = port["on"] and bool(port["mac"])
        shown[*PSE, 3, *row] = ("integer", "1" if port["on"] else "2")
        detection = 3 if feeds else 2 if port["on"] else 1
        shown[*PSE, 6, *row] = ("integer", str(detection))
        shown[*PSE, 10, *row] = ("integer", str(port["class"] + 1))
        shown[*WATTS, *row] = ("gauge", str(round(1000 * port["watts"]) if feeds else 0))
        number = port["bridge"]
        shown[*BASE_IF, number] = ("integer", str(100 + number))
        if feeds:
            for mac in () if state.get("mute") else port["mac"]:
                shown |= _heard(state["bridge"], mac, number, status=3)
            if port["lldp"]:
                shown[*LLDP, 4, 0, number, 1] = ("integer", "4")
                octets = port["lldp"].replace(":", " ")
                shown[*LLDP, 5, 0, number, 1] = ("octet", octets)
                shown[*LLDP, 9, 0, number, 1] = ("string", port.get("name", ""))
    if state.get("own"):
        shown |= _heard(state["bridge"], state["own"], int(state["own_at"]), status=4)
    return shown


def _heard(bridge: str, mac: str, port: int, *, status: int) -> Values:
    octets = tuple(bytes.fromhex(mac.replace(":", "")))
    table = (*Q_FDB, 2, 1, *octets) if bridge == "q" else (*D_FDB, 2, *octets)
    base = len(Q_FDB) if bridge == "q" else len(D_FDB)
    return {
        table: ("integer", str(port)),
        (*table[:base], 3, *table[base + 1 :]): ("integer", str(status)),
    }


def oid_of(text: str) -> Oid:
    """Return the OID that *text* prints, with or without a leading dot."""
    return tuple(int(arc) for arc in text.strip().strip(".").split("."))


def answer(values: Values, verb: str, asked: Oid) -> list[str]:
    """Return the lines that answer one request, NONE where there is nothing."""
    found = asked if verb == "get" else min((oid for oid in values if oid > asked), default=None)
    if found not in values:
        return ["NONE"]
    return ["." + ".".join(map(str, found)), *values[found]]


def write(path: Path, state: dict[str, Any], oid: Oid, typed: str) -> str:
    """Take a SET, "integer 2"; return pass_persist's word for how it ended."""
    name = ".".join(map(str, oid[-2:]))
    if oid[:-2] != (*PSE, 3) or name not in state["ports"]:
        return "not-writable"
    kind, _, value = typed.strip().partition(" ")
    if kind != "integer":
        return "wrong-type"
    if value.strip('"') not in ("1", "2"):
        return "wrong-value"
    state["sets"] = [*state.get("sets", []), [name, int(value.strip('"'))]]
    if not state.get("deaf"):
        state["ports"][name]["on"] = value.strip('"') == "1"
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps(state))
    fresh.replace(path)
    return "DONE"


def main() -> None:
    """Answer until standard input ends, as snmpd ends it."""
    path = Path(sys.argv[1])
    for line in sys.stdin:
        verb = line.strip().lower()
        if not verb:  # snmpd ends the value of a SET with a line end too many
            continue
        if verb == "ping":
            lines = ["PONG"]
        elif verb in ("get", "getnext"):
            state = json.loads(path.read_text())
            lines = answer(values_of(state), verb, oid_of(sys.stdin.readline()))
        elif verb == "set":
            state = json.loads(path.read_text())
            oid = oid_of(sys.stdin.readline())
            lines = [write(path, state, oid, sys.stdin.readline())]
        else:
            lines = ["NONE"]
        print("\n".join(lines), flush=True)


if __name__ == "__main__":
    main()
