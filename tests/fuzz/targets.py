"""What reads bytes from the network, or from a disk that may have gone bad: fed with anything.

Each target takes bytes and returns; whatever it raises is a finding. Errors that a reader's own
docstring promises are no finding. `test_targets` feeds them examples and hypothesis' bytes,
`fuzz` has atheris look for more, guided by coverage.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime

from agent.journal.codec import EVENT_CLASSES, VERSION, decode, decode_state
from agent.units import rfc1628
from agent.units.notifications import Notifications
from drivers import redfish_talk
from drivers.base import Verdict
from drivers.errors import DeviceGarbledError
from drivers.http_judge import http_date, judge, retry_after_s, token_in
from drivers.http_settings import Expect, TokenFrom
from drivers.onvif_soap import SOAP, TDS, TRC, TT, Fault, body_of, text_in, utc_in
from drivers.poe_switch import mac_of, port_state
from drivers.transports.console import last_words, readable
from drivers.transports.http_challenges import challenges, first_known_digest, offers
from drivers.transports.http_messages import HttpReply
from drivers.transports.snmp_values import SYS_UP_TIME, Notification, Oid, Value
from policies.model import Battery, Device, Role, Site, Unit
from tests.fakes import FakeClock

NOW = datetime(2026, 11, 28, 12, 0, tzinfo=UTC)
SITE = Site(
    name="Quayside boatyard",
    units={"cabinet": Unit("cabinet", 1000, 700, Battery(watt_hours=200.0))},
    devices={"gate recorder": Device("gate recorder", Role.RECORDER, 24, 24, ("cabinet",))},
)
OIDS: tuple[Oid, ...] = (
    *rfc1628.POLLED.values(),
    *rfc1628.STATIC.values(),
    *rfc1628.line_oids(range(1, 4)),
    SYS_UP_TIME,
    rfc1628.NUM_LINES,
)
JSON = Expect.model_validate({"json": {"state.0.name": "idle", "code": 0}, "contains": "ok"})
XML = Expect.model_validate({"xml": {"power/state": "off"}})


class Source:
    """Values drawn from bytes; once these are used up, nothing but zeros."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def some(self, length: int) -> bytes:
        """Return the next bytes, fewer at the end."""
        taken = self._data[self._at : self._at + length]
        self._at += length
        return taken

    def number(self, below: int) -> int:
        """Return a whole number from 0 on."""
        return int.from_bytes(self.some(4), "big") % below

    def value(self) -> Value:
        """Return something that SNMP may carry."""
        match self.number(5):
            case 0:
                return None
            case 1:
                return int.from_bytes(self.some(1 + self.number(9)), "big", signed=True)
            case 2:
                return tuple(self.some(self.number(12)))
            case 3:
                return str(int.from_bytes(self.some(4), "big", signed=True)).encode()
        return self.some(self.number(24))

    def values(self) -> Iterator[tuple[Oid, Value]]:
        """Give objects with their values, until the bytes are used up."""
        while self._at < len(self._data):
            yield OIDS[self.number(len(OIDS))], self.value()


def unit_readings(data: bytes) -> None:
    """A backup unit says anything of itself (RFC 1628 over SNMP)."""
    source = Source(data)
    alarms = [source.value() for _ in range(source.number(5))]
    values = dict(source.values())
    reading = rfc1628.decode_reading(values, alarms, unit="cabinet", at=1.0, output_sources={})
    assert reading.charge is None or 0.0 <= reading.charge <= 1.0
    assert reading.load_share is None or 0.0 <= reading.load_share <= 2.0
    assert reading.output_w is None or reading.output_w >= 0.0
    rfc1628.decode_identity(values, missing=(), engine_id=None)
    rfc1628.decode_lines(source.value())


def notifications(data: bytes) -> None:
    """Anybody on the network may send a trap, from any address."""
    source = Source(data)
    trap = (*rfc1628.TRAPS, *source.some(source.number(3)))
    sender = source.some(source.number(40)).decode("latin-1")
    heard = Notifications(clock=FakeClock())
    hastened = 0

    def hasten() -> None:
        nonlocal hastened
        hastened += 1

    heard.expect("cabinet", "192.0.2.10", hasten)
    heard.hear(Notification(sender, trap, tuple(source.values())))
    assert hastened <= 1


def onvif_replies(data: bytes) -> None:
    """A device answers SOAP that is none."""
    try:
        found = body_of(data)
    except DeviceGarbledError:
        return
    if isinstance(found, Fault):
        return
    utc_in(found)
    text_in(found, (TRC, "State"), (TT, "State"))


def http_replies(data: bytes) -> None:
    """A recorder's web server answers anything, with any headers."""
    source = Source(data)
    status = 100 + source.number(500)
    names = ("content-type", "retry-after", "date", "content-encoding", "location", "x-token")
    headers = {
        names[source.number(len(names))]: source.some(source.number(40)).decode("latin-1")
        for _ in range(source.number(4))
    }
    body = source.some(len(data))
    reply = HttpReply(status, "so", headers, body=body, is_cut=source.number(9) == 1)
    for expect in (JSON, XML):
        found = judge(
            reply, expect, what="GET /", if_not=Verdict.NOT_YET, scrub=str.strip, now_utc=NOW
        )
        assert found.text
    for place in ({"json": "a.token"}, {"xml": "a/token"}, {"header": "x-token"}):
        try:
            token_in(reply, TokenFrom.model_validate(place), {})
        except DeviceGarbledError:
            continue
    wait_s = retry_after_s(reply, NOW)
    assert wait_s is None or wait_s >= 0.0
    http_date(headers.get("date", ""))


def redfish_replies(data: bytes) -> None:
    """A controller answers JSON that is no resource, and names places that lead away."""
    try:
        found = redfish_talk.json_of(HttpReply(200, body=data))
    except DeviceGarbledError:
        found = {}
    for member in redfish_talk.dicts(found.get("Members", ())):
        try:
            place = redfish_talk.path_of(redfish_talk.text_at(member, "@odata.id"))
        except DeviceGarbledError:
            continue
        assert place == "" or place.startswith("/redfish/")
    pause_s = redfish_talk.seconds(data.decode("latin-1"))
    assert pause_s > 0.0


def login_challenges(data: bytes) -> None:
    """WWW-Authenticate headers of any form (RFC 9110 section 11.6.1, RFC 7616)."""
    headers = data.decode("latin-1").split("\n")[:8]
    assert len(offers(headers)) <= len(list(challenges(headers)))
    first_known_digest(headers)


def console_output(data: bytes) -> None:
    """A console writes anything, escape sequences among it."""
    words = last_words(readable(data))
    assert len(words) <= 200
    assert "\x1b" not in words


def switch_tables(data: bytes) -> None:
    """A switch's tables hold values of any type, and rows of any length."""
    source = Source(data)
    state = port_state(source.value(), source.value(), source.value())
    assert state.power_class is None or 0 <= state.power_class <= 4
    assert mac_of(tuple(source.some(8))).count(":") <= 5


def journal_entries(data: bytes) -> None:
    """A disk that went bad: an entry is read, or said to be damaged."""
    source = Source(data)
    kinds = sorted(EVENT_CLASSES)
    kind = kinds[source.number(len(kinds))]
    body = source.some(len(data)).decode("utf-8", errors="replace")
    for read in (lambda: decode(kind, VERSION, body), lambda: decode_state(SITE, body)):
        try:
            read()
        except ValueError:
            continue


def soap_of(body: str) -> bytes:
    """Return a SOAP message with that body."""
    return (
        f'<e:Envelope xmlns:e="{SOAP}" xmlns:d="{TDS}" xmlns:t="{TT}"><e:Body>{body}</e:Body>'
        "</e:Envelope>"
    ).encode()


_CLOCK = (
    "<d:R><d:SystemDateAndTime><t:UTCDateTime><t:Time><t:Hour>1</t:Hour><t:Minute>2</t:Minute>"
    "<t:Second>3</t:Second></t:Time><t:Date><t:Year>{year}</t:Year><t:Month>4</t:Month>"
    "<t:Day>5</t:Day></t:Date></t:UTCDateTime></d:SystemDateAndTime></d:R>"
)

TARGETS: dict[str, tuple[Callable[[bytes], None], tuple[bytes, ...]]] = {
    "unit_readings": (unit_readings, (bytes(range(256)), b"\xff" * 64)),
    "notifications": (notifications, (bytes(range(64)), b"\x00\x00\x00\x02\x01\x03")),
    "onvif_replies": (
        onvif_replies,
        (
            soap_of(_CLOCK.format(year=2026)),
            soap_of(_CLOCK.format(year="9" * 30)),
            soap_of("<e:Fault><e:Code><e:Value>e:Sender</e:Value></e:Code></e:Fault>"),
            b'<?xml version="1.0" encoding="no-such-thing"?><a/>',
            soap_of("<d:R/>").decode().encode("utf-16"),
        ),
    ),
    "http_replies": (
        http_replies,
        (
            b"\0\0\0\x64\0\0\0\x01\0\0\0\x00\0\0\0\x12text/xml;charset=x<power/>",
            b"\0\0\0\x64\0\0\0\x01\0\0\0\x00\0\0\0\x15text/xml;charset=idna<power/>ok",
            b'\0\0\0\x64\0\0\0\0{"state": [{"name": "idle"}], "code": 0}',
        ),
    ),
    "redfish_replies": (
        redfish_replies,
        (
            json.dumps({"Members": [{"@odata.id": "/redfish/v1/Systems/1"}]}).encode(),
            json.dumps({"Members": [{"@odata.id": "http://elsewhere/x"}]}).encode(),
            b"[" * 100_000,
            b"\xb2",
        ),
    ),
    "login_challenges": (
        login_challenges,
        (b'Digest realm="a, b", nonce="c", qop="auth,auth-int"\nBasic realm="\\"', b'"' * 200),
    ),
    "console_output": (console_output, (b"\x1b[2J\x1b[1;1Hrecorder# \r\n", b"\x1b]0;" * 50)),
    "switch_tables": (switch_tables, (bytes(range(64)),)),
    "journal_entries": (journal_entries, (b"\0\0\0\x05{}", b'\0\0\0\x01{"at": 1e999}')),
}
"""Name -> what is fed, and what the search begins with."""


def run_once(name: str, data: bytes) -> None:
    """Feed one target; it runs within a loop of its own where it wants one."""

    async def fed() -> None:
        TARGETS[name][0](data)

    if name == "notifications":
        asyncio.run(fed())
    else:
        TARGETS[name][0](data)
