"""Serve the UPS-MIB to net-snmp's snmpd over its pass_persist protocol (man 5 snmpd.conf).

Run as: python3 ups_pass.py VALUES. VALUES is JSON, {dotted OID: [type, value]}, read again whenever
it changes; types are those of pass_persist (integer, gauge, counter, timeticks, string, objectid).
"""

import json
import sys
from pathlib import Path

Oid = tuple[int, ...]


class Values:
    """The values of the file, sorted by OID, as fresh as the file is."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._seen = (0, 0)
        self._by_oid: dict[Oid, tuple[str, str]] = {}

    def read(self) -> dict[Oid, tuple[str, str]]:
        """Return every value by OID; the file is read only if it was replaced."""
        stat = self._path.stat()
        seen = (stat.st_ino, stat.st_mtime_ns)
        if seen != self._seen:
            loaded = json.loads(self._path.read_text())
            self._by_oid = {
                oid_of(name): (str(kind), str(value)) for name, (kind, value) in loaded.items()
            }
            self._seen = seen
        return self._by_oid


def oid_of(text: str) -> Oid:
    """Return the OID that *text* prints, with or without a leading dot."""
    return tuple(int(arc) for arc in text.strip().strip(".").split("."))


def answer(values: dict[Oid, tuple[str, str]], verb: str, asked: Oid) -> list[str]:
    """Return the lines that answer one request, NONE where there is nothing."""
    found = asked if verb == "get" else min((oid for oid in values if oid > asked), default=None)
    if found not in values:
        return ["NONE"]
    kind, value = values[found]
    return ["." + ".".join(map(str, found)), kind, value]


def main() -> None:
    """Answer until standard input ends, as snmpd ends it."""
    values = Values(Path(sys.argv[1]))
    for line in sys.stdin:
        verb = line.strip().lower()
        if verb == "ping":
            lines = ["PONG"]
        elif verb in ("get", "getnext"):
            lines = answer(values.read(), verb, oid_of(sys.stdin.readline()))
        else:
            lines = ["NONE"]
        print("\n".join(lines), flush=True)


if __name__ == "__main__":
    main()
