"""The form of a syslog message, RFC 5424, and its framing on streams (RFC 6587, RFC 5425); no I/O.

    <PRI>1 TIMESTAMP HOSTNAME APP-NAME PROCID MSGID [SD-ELEMENT]... MSG

Section numbers below are of RFC 5424.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

APP_NAME = "lastwatt"
NIL = "-"

UDP_MOST = 2048
"""Octets that every receiver of RFC 5426 should take (its section 3.2); more is cut off."""

FACILITIES: Mapping[str, int] = {
    "user": 1, "daemon": 3, "local0": 16, "local1": 17, "local2": 18, "local3": 19,
    "local4": 20, "local5": 21, "local6": 22, "local7": 23,
}  # fmt: skip
"""Section 6.2.1, table 1."""

SEVERITIES: Mapping[str, int] = {"error": 3, "warning": 4, "info": 6}
"""Section 6.2.1, table 2: error, warning, informational."""

_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True)
class Record:
    """What one message says.

    Attributes:
        facility, severity: numbers of section 6.2.1.
        time: aware, of the event.
        host: name of the box.
        process: its process id, or "".
        message_id: the type of message.
        structured: SD-ID -> parameter -> value; the caller gives valid names.
        text: what people read.
    """

    facility: int
    severity: int
    time: datetime
    host: str
    process: str
    message_id: str
    structured: Mapping[str, Mapping[str, str]]
    text: str


def encoded(record: Record, *, most: int | None = None) -> bytes:
    """Return the octets of one message.

    Args:
        record: what it says.
        most: its text is cut, between two characters, so that the whole has no more octets.
    """
    header = " ".join(
        (
            f"<{record.facility * 8 + record.severity}>1",
            record.time.isoformat(timespec="microseconds"),  # section 6.2.3: offset, not a name
            _token(record.host, 255),
            APP_NAME,
            _token(record.process, 128),
            _token(record.message_id, 32),
            "".join(_element(name, record.structured[name]) for name in record.structured) or NIL,
        )
    ).encode()
    # Section 6.4: UTF-8 is announced by a BOM; plain ASCII needs none.
    mark = b"" if record.text.isascii() else _BOM
    text = record.text.encode("utf-8", "replace")
    if most is not None:
        text = text[: max(0, most - len(header) - len(mark) - 1)].decode("utf-8", "ignore").encode()
    return header + b" " + mark + text


def framed(message: bytes) -> bytes:
    """Return the octets of one message on a stream: octet counting, RFC 6587 section 3.4.1."""
    return f"{len(message)} ".encode() + message


def _token(text: str, most: int) -> str:
    """A field of the header: printable US-ASCII without blanks (section 6, PRINTUSASCII)."""
    return "".join(char if 33 <= ord(char) <= 126 else "_" for char in text[:most]) or NIL


def _element(name: str, parameters: Mapping[str, str]) -> str:
    """Section 6.3: in a value three characters are escaped; control characters are left out."""
    said = "".join(f' {_name(key)}="{_escaped(value)}"' for key, value in parameters.items())
    return f"[{_name(name)}{said}]"


def _name(text: str) -> str:
    """SD-NAME of section 6.3.2: at most 32 printable characters but =, blank, ] and the quote."""
    return "".join(c for c in text if 33 <= ord(c) <= 126 and c not in '=]"')[:32]


def _escaped(value: str) -> str:
    harmless = "".join(char for char in value if char.isprintable())
    harmless = harmless.encode("utf-8", "replace").decode()
    return harmless.replace("\\", "\\\\").replace('"', '\\"').replace("]", "\\]")
