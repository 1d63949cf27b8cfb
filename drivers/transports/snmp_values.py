"""What SNMP carries, as plain Python values: no library, no I/O."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import IntEnum

Oid = tuple[int, ...]
"""An object identifier, arc by arc."""

_OID = re.compile(r"\.?[0-2](\.\d{1,10}){2,126}")

Written = int | bytes | Oid
"""What a SET writes: an INTEGER, an OCTET STRING, an OBJECT IDENTIFIER."""

Value = int | bytes | Oid | None
"""Integers of every kind, octet strings, object identifiers; None = there is no such object."""

SYS_UP_TIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3, 0)
SNMP_TRAP_OID: Oid = (1, 3, 6, 1, 6, 3, 1, 1, 4, 1, 0)
SNMP_TRAP_ADDRESS: Oid = (1, 3, 6, 1, 6, 3, 18, 1, 3, 0)
"""Where a forwarded version 1 trap came from first, RFC 3584 section 3.1."""


class Status(IntEnum):
    """The error-status values of RFC 1157 section 4.1 and RFC 3416 section 3 that are met here."""

    NO_ERROR = 0
    TOO_BIG = 1
    NO_SUCH_NAME = 2
    BAD_VALUE = 3
    READ_ONLY = 4
    GEN_ERR = 5
    NO_ACCESS = 6
    WRONG_TYPE = 7
    WRONG_LENGTH = 8
    WRONG_VALUE = 10
    INCONSISTENT_VALUE = 12
    RESOURCE_UNAVAILABLE = 13
    COMMIT_FAILED = 14
    UNDO_FAILED = 15
    AUTHORIZATION_ERROR = 16
    NOT_WRITABLE = 17


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back for one request.

    Attributes:
        status: error-status; one of Status, or another number of RFC 3416.
        index: which of the objects asked for it is about, from 1; 0 = none in particular.
        values: every object and its value, in the order asked; empty unless status is 0.
    """

    status: int
    index: int
    values: tuple[tuple[Oid, Value], ...]


@dataclass(frozen=True, slots=True)
class Notification:
    """One trap or inform, in the form of version 2 whatever it came as (RFC 3584 section 3.1).

    Attributes:
        sender: the address that it came from, numeric.
        trap: the value of snmpTrapOID.0, or () where there was none.
        values: every object that it carried, in order.
    """

    sender: str
    trap: Oid
    values: tuple[tuple[Oid, Value], ...]


def oid_text(text: str) -> str:
    """Return an object's numbers as dotted text, from what a person wrote.

    Raises:
        ValueError: *text* is not that.
    """
    if not _OID.fullmatch(text):
        raise ValueError('write the object\'s numbers with its instance: "1.3.6.1.4.1.….3"')
    return text.lstrip(".")


def oid_from(text: str) -> Oid:
    """Return the numbers of dotted text that `oid_text` gave."""
    return tuple(int(arc) for arc in text.split("."))


def dotted(oid: Oid) -> str:
    """Return *oid* as people write it."""
    return ".".join(str(arc) for arc in oid)
