"""SOAP as ONVIF uses it: envelopes written and read, faults, and the WS-UsernameToken.

Namespaces and operations: ONVIF Core and Recording Control. Token: OASIS Web Services Security
UsernameToken Profile 1.0, in the digest form of ONVIF Core 5.9.5.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree import ElementTree
from xml.sax.saxutils import escape

from drivers.errors import DeviceGarbledError
from drivers.xml_replies import parsed

SOAP = "http://www.w3.org/2003/05/soap-envelope"
TDS = "http://www.onvif.org/ver10/device/wsdl"
TRC = "http://www.onvif.org/ver10/recording/wsdl"
TT = "http://www.onvif.org/ver10/schema"
_WSS = "http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-"
_TOKEN_PROFILE = f"{_WSS}username-token-profile-1.0#PasswordDigest"
_BASE64 = f"{_WSS}soap-message-security-1.0#Base64Binary"

Element = ElementTree.Element


@dataclass(frozen=True, slots=True)
class Token:
    """What proves a password without sending it."""

    user: str
    nonce: bytes
    created: str
    digest: str

    @classmethod
    def of(cls, user: str, password: str, *, nonce: bytes, created: datetime) -> Token:
        """Return the token: Base64(SHA-1(nonce + created + password))."""
        text = created.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        digest = hashlib.sha1(nonce + text.encode() + password.encode()).digest()
        return cls(user, nonce, text, base64.b64encode(digest).decode())

    @property
    def header(self) -> str:
        """The Security header that carries it."""
        nonce = base64.b64encode(self.nonce).decode()
        return (
            f'<wsse:Security s:mustUnderstand="1" xmlns:wsse="{_WSS}wssecurity-secext-1.0.xsd" '
            f'xmlns:wsu="{_WSS}wssecurity-utility-1.0.xsd"><wsse:UsernameToken>'
            f"<wsse:Username>{escape(self.user)}</wsse:Username>"
            f'<wsse:Password Type="{_TOKEN_PROFILE}">{self.digest}</wsse:Password>'
            f'<wsse:Nonce EncodingType="{_BASE64}">{nonce}</wsse:Nonce>'
            f"<wsu:Created>{self.created}</wsu:Created></wsse:UsernameToken></wsse:Security>"
        )


def envelope(namespace: str, operation: str, arguments: dict[str, str], header: str) -> bytes:
    """Return a request; arguments stand in the order given, as the schema's sequence wants."""
    inner = "".join(f"<o:{name}>{escape(value)}</o:{name}>" for name, value in arguments.items())
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><s:Envelope xmlns:s="{SOAP}">'
        f"<s:Header>{header}</s:Header><s:Body>"
        f'<o:{operation} xmlns:o="{namespace}">{inner}</o:{operation}>'
        f"</s:Body></s:Envelope>"
    ).encode()


def content_type(namespace: str, operation: str) -> str:
    """Return the type of a request (RFC 3902), its action included."""
    return f'application/soap+xml; charset=utf-8; action="{namespace}/{operation}"'


@dataclass(frozen=True, slots=True)
class Fault:
    """What a device objects to.

    Attributes:
        codes: code and subcodes without their prefixes, outermost first.
        reason: its words.
    """

    codes: tuple[str, ...]
    reason: str


def body_of(content: bytes) -> Element | Fault:
    """Return the one element in a reply's body, or the fault that it is.

    Raises:
        DeviceGarbledError: it is no SOAP 1.2.
    """
    root = parsed(content)
    body = root.find(f"{{{SOAP}}}Body") if root.tag == f"{{{SOAP}}}Envelope" else None
    if body is None or len(body) == 0:
        raise DeviceGarbledError("what it answers is no SOAP 1.2 message")
    first = body[0]
    if first.tag != f"{{{SOAP}}}Fault":
        return first
    codes = [v.text or "" for v in first.iter(f"{{{SOAP}}}Value")]
    reason = first.find(f"{{{SOAP}}}Reason/{{{SOAP}}}Text")
    words = " ".join((reason.text or "").split()) if reason is not None else ""
    return Fault(tuple(code.rpartition(":")[2].strip() for code in codes), words)


def text_in(element: Element, *names: tuple[str, str]) -> str:
    """Return the text at a path of (namespace, name) below *element*, "" where there is none."""
    found: Element | None = element
    for namespace, name in names:
        found = found.find(f"{{{namespace}}}{name}") if found is not None else None
    return (found.text or "").strip() if found is not None else ""


def utc_in(reply: Element) -> datetime | None:
    """Return the UTCDateTime of a GetSystemDateAndTimeResponse, or None where it lacks one."""
    clock = ((TDS, "SystemDateAndTime"), (TT, "UTCDateTime"))
    parts = [("Date", "Year"), ("Date", "Month"), ("Date", "Day"),
             ("Time", "Hour"), ("Time", "Minute"), ("Time", "Second")]  # fmt: skip
    texts = [text_in(reply, *clock, (TT, group), (TT, name)) for group, name in parts]
    try:
        year, month, day, hour, minute, second = map(int, texts)
        return datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
    except (ValueError, OverflowError):
        return None
