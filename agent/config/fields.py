"""Types of the file's fields that several tables share: names, addresses, durations, words.

A message has two halves, what is wrong and what to write instead (see `refusal`).
"""

from __future__ import annotations

import ipaddress
import re
import zoneinfo
from collections.abc import Callable
from enum import StrEnum
from typing import Annotated, LiteralString, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field
from pydantic_core import PydanticCustomError

from agent.config.faults import did_you_mean
from drivers.settings import Duration
from policies.model import MAINS_FEED, OutputSource

E = TypeVar("E", bound=StrEnum)

_HOST = re.compile(r"(?!-)[A-Za-z0-9_-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9_-]{1,63}(?<!-))*\.?")
_URL = re.compile(r"https?://[^\s/?#@]+([/?#]\S*)?")


def refusal(code: LiteralString, message: str, fix: str) -> PydanticCustomError:
    """Return the error to raise in a validator: stable code, what is wrong, what to write."""
    return PydanticCustomError(code, "{message}", {"message": message, "fix": fix})


def one_word(kind: type[E]) -> Callable[[object], E]:
    """Return a validator of one of the words of *kind*."""
    words = {member.value: member for member in kind}

    def read(value: object) -> E:
        if isinstance(value, str) and value in words:
            return words[value]
        raise refusal("unknown-word", "this word is not known here", did_you_mean(value, words))

    return read


def _name(value: str) -> str:
    if value != value.strip() or not value or len(value) > 64 or not value.isprintable():
        raise refusal(
            "bad-name",
            "a name has 1 to 64 printable characters and no blank at its ends",
            'write it like name = "gate recorder"',
        )
    if value == MAINS_FEED:
        raise refusal("bad-name", '"mains" is the feed without a battery', "choose another name")
    return value


def _names(value: object) -> tuple[str, ...]:
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list | tuple) or not all(isinstance(name, str) for name in names):
        raise refusal(
            "wrong-type", "a name or a list of names is due here", 'write "a" or ["a", "b"]'
        )
    if len(set(names)) != len(names):
        raise refusal("duplicate-name", "a name stands twice in this list", "write it once")
    return tuple(names)


def _address(value: str) -> str:
    if is_ip_address(value) or (_HOST.fullmatch(value) and not value.replace(".", "").isdigit()):
        return value
    raise refusal(
        "bad-address",
        "this is neither an IP address nor a host name",
        'write the address alone, like "192.0.2.10"; a port belongs into the driver\'s own table',
    )


def is_ip_address(text: str) -> bool:
    """Whether *text* is an IPv4 or IPv6 address."""
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def listen_at(text: str) -> tuple[str, int]:
    """Return address and port of "127.0.0.1:8628" or "[::1]:8628".

    Raises:
        PydanticCustomError: it is anything else; a host name too, since it may mean several.
    """
    host, _, port = text.rpartition(":")
    host = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    if is_ip_address(host) and port.isdecimal() and 1 <= int(port) <= 65535:
        return host, int(port)
    raise refusal(
        "bad-address", "this is not an IP address and a port", 'write it like "127.0.0.1:8628"'
    )


def is_loopback(listen: str) -> bool:
    """Whether only this box itself reaches *listen*, an address and port as in `listen_at`."""
    return ipaddress.ip_address(listen_at(listen)[0]).is_loopback


def page_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return host names of the page in the form in which they are compared, or refuse them."""
    return tuple(_address(name).lower().rstrip(".") for name in names)


def _listen(value: str) -> str:
    listen_at(value)
    return value


def time_zone(value: str) -> str:
    """Return *value*, the name of a time zone of the IANA, or refuse it."""
    try:
        zoneinfo.ZoneInfo(value)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        near = did_you_mean(value, zoneinfo.available_timezones())
        fix = near if "one of" not in near else 'write an IANA name, like "Europe/Lisbon"'
        raise refusal("unknown-time-zone", "this time zone is not known here", fix) from None
    return value


def source_map(value: object) -> dict[int, OutputSource]:
    """Return what the unit's own numbers of upsOutputSource mean, or refuse the table."""
    words = {source.name.lower(): source for source in OutputSource}
    if not isinstance(value, dict) or not value:
        raise refusal(
            "wrong-type",
            "a table of the unit's numbers and their meaning is due here",
            'write it like { 3 = "battery", 2 = "normal" }',
        )
    read: dict[int, OutputSource] = {}
    for number, word in value.items():
        if not (number.isdecimal() and len(number) < 10):
            raise refusal(
                "wrong-type", "a key of this table is no number", 'write { 3 = "normal" }'
            )
        if not isinstance(word, str) or word not in words:
            raise refusal(
                "unknown-word", "this output source is not known", did_you_mean(word, words)
            )
        read[int(number)] = words[word]
    return read


def _url(value: str) -> str:
    if not _URL.fullmatch(value):
        raise refusal(
            "bad-address",
            "this is not a web address without a login in it",
            'write it like "https://example.net/hook"',
        )
    return value


Name = Annotated[str, AfterValidator(_name)]
Names = Annotated[tuple[str, ...], BeforeValidator(_names)]
Address = Annotated[str, AfterValidator(_address)]
Listen = Annotated[str, AfterValidator(_listen)]
Url = Annotated[str, AfterValidator(_url)]
Span = Annotated[Duration, Field(le=30 * 86400.0)]
SomeSpan = Annotated[Duration, Field(gt=0, le=30 * 86400.0)]
GradeSpan = Annotated[Duration, Field(ge=86400.0, le=10 * 366 * 86400.0)]
Watts = Annotated[float, Field(ge=0, le=1e6, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, le=1e7, allow_inf_nan=False)]
Share = Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]
Percent = Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]
