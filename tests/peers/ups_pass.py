"""Serve the UPS-MIB to net-snmp's snmpd over its pass_persist protocol (man 5 snmpd.conf).

Run as: python3 ups_pass.py VALUES. VALUES is JSON, {dotted OID: [type, value]}, read again whenever
it changes; types are those of pass_persist (integer, gauge, counter, timeticks, string, objectid).
Integers of other types are here for SET: "writable" keeps what it is told; "countdown" counts it
down in seconds, to -1; "deaf" takes it and does nothing; "wrong-value" and "inconsistent-value"
refuse. "writable-string" keeps text. "test-lock" is a TestAndIncr (RFC 2579), "taken-lock" one that
somebody else takes first, "test-id" an OID that is taken as a test to run, "test-id-refused" one
that is not; "test-summary" shows a test in progress for so many seconds, and then passed.
"late-summary" is what it was until three seconds after a test was begun, and then passed: a slow
card. "test-start" and "late-start" are timeticks that are others once a test was begun, at once or
as late as that. What has one of the protocol's own types is not writable.
"""

import json
import sys
import time
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
    if kind in ("test-id", "test-id-refused"):
        kind, value = "objectid", TEXTS.get(found, value)
    elif kind in ("test-lock", "taken-lock"):
        kind, value = "integer", str(int(WRITTEN.get(found, (int(value), 0.0))[0]))
    elif kind == "test-summary":
        kind, value = "integer", summary(float(value))
    elif kind == "late-summary":
        kind, value = "integer", "1" if was_tested(LATE_S) else value
    elif kind in ("test-start", "late-start"):
        is_other = was_tested(LATE_S if kind == "late-start" else 0.0)
        kind, value = "timeticks", str(int(value) + 4200) if is_other else value
    elif kind == TEXT:
        kind, value = "string", TEXTS.get(found, value)
    elif kind in SETTABLE:
        kind, value = "integer", str(present(found, kind, int(value)))
    return ["." + ".".join(map(str, found)), kind, value]


SETTABLE = ("writable", "countdown", "deaf", "wrong-value", "inconsistent-value")
TEXT = "writable-string"
TEXTS: dict[Oid, str] = {}
WRITTEN: dict[Oid, tuple[int, float]] = {}
"""What was written, and when."""


def present(oid: Oid, kind: str, value: int) -> int:
    """Return the number that an object shows now."""
    if oid not in WRITTEN:
        return value
    written, at = WRITTEN[oid]
    if kind == "countdown" and written >= 0:
        left = written - int(time.monotonic() - at)
        return left if left > 0 else -1
    return written


TESTED: list[float] = []
"""When a test was begun."""

LATE_S = 3.0


def was_tested(ago_s: float) -> bool:
    """Return whether a test was begun so long ago."""
    return bool(TESTED) and time.monotonic() - TESTED[-1] >= ago_s


def summary(lasts_s: float) -> str:
    """Return upsTestResultsSummary: none yet, in progress, passed."""
    if not TESTED:
        return "6"
    return "5" if time.monotonic() - TESTED[-1] < lasts_s else "1"


def write_test(kind: str, oid: Oid, value: str, present_value: str) -> str:
    """Take a SET of the test group."""
    if kind == "test-id-refused":
        return "inconsistent-value"
    if kind == "test-id":
        TEXTS[oid] = value
        if value.endswith(".7.7.2"):
            TESTED[:] = [time.monotonic() - 1e6]
        else:
            TESTED.append(time.monotonic())
        return "DONE"
    lock = WRITTEN.get(oid, (int(present_value), 0.0))[0]
    if kind == "taken-lock" and oid not in WRITTEN:
        WRITTEN[oid] = lock + 1, 0.0
        return "inconsistent-value"
    if int(value) != lock:
        return "inconsistent-value"
    WRITTEN[oid] = lock + 1, 0.0
    return "DONE"


def write(values: dict[Oid, tuple[str, str]], oid: Oid, typed: str) -> str:
    """Take a SET, "integer 60"; return pass_persist's word for how it ended."""
    kind, shown = values.get(oid, ("", ""))
    word, _, value = typed.strip().partition(" ")
    if kind in ("test-id", "test-id-refused", "test-lock", "taken-lock"):
        return write_test(kind, oid, value.strip('"'), shown)
    if kind == TEXT:
        if word != "string":
            return "wrong-type"
        TEXTS[oid] = value.strip('"')
        return "DONE"
    if kind not in SETTABLE:
        return "not-writable"
    if word != "integer":
        return "wrong-type"
    if kind.endswith("-value"):
        return kind
    if kind != "deaf":
        WRITTEN[oid] = int(value.strip('"')), time.monotonic()
    return "DONE"


def main() -> None:
    """Answer until standard input ends, as snmpd ends it."""
    values = Values(Path(sys.argv[1]))
    for line in sys.stdin:
        verb = line.strip().lower()
        if not verb:
            continue  # snmpd ends a SET with a blank line
        if verb == "ping":
            lines = ["PONG"]
        elif verb in ("get", "getnext"):
            lines = answer(values.read(), verb, oid_of(sys.stdin.readline()))
        elif verb == "set":
            oid = oid_of(sys.stdin.readline())
            lines = [write(values.read(), oid, sys.stdin.readline())]
        else:
            lines = ["NONE"]
        print("\n".join(lines), flush=True)


if __name__ == "__main__":
    main()
