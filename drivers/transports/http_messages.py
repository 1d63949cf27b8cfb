"""What passes between the http driver and its transport, live or dry; knows no library."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

MOST_BYTES = 262_144
"""Bytes of a reply's body that are read; a device's answers are far shorter."""


OldestTls = Literal["1.2", "1.1", "1.0"]


@dataclass(frozen=True, slots=True)
class Credentials:
    """How the protocol itself logs in."""

    scheme: Literal["none", "basic", "digest"] = "none"
    user: str = ""
    password: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Trust:
    """Which certificate is accepted: the pinned one, one of these CAs, or one of the box's store.

    Attributes:
        fingerprint: as `pinning.fingerprint_from` gives it, or "".
        ca_pem: CA certificates; None = the operating system's store.
        name: the name that the certificate must speak of; "" = the address.
        oldest: the oldest version of TLS that is spoken.
    """

    fingerprint: str = ""
    ca_pem: str | None = field(default=None, repr=False)
    name: str = ""
    oldest: OldestTls = "1.2"


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a device listens."""

    scheme: str
    address: str
    port: int

    def url(self, path: str) -> str:
        """Return the address of *path* there; the scheme's own port is left out."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        usual = {"http": 80, "https": 443}.get(self.scheme)
        return f"{self.scheme}://{host}{'' if self.port == usual else f':{self.port}'}{path}"


@dataclass(frozen=True, slots=True)
class HttpRequest:
    """One request twice over: as it is sent, and as it may be shown.

    Attributes:
        shown_headers: "Name: value" of each header worth showing, in order.
    """

    method: str
    path: str = field(repr=False)
    shown_path: str
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)
    shown_headers: tuple[str, ...] = ()
    body: bytes | None = field(default=None, repr=False)
    shown_body: str = ""

    def line(self, endpoint: Endpoint, *login: str) -> str:
        """Return what it looks like on one line; *login* is the header that logs in, if any."""
        shown = "; ".join((*self.shown_headers, *login))
        parts = (self.method, endpoint.url(self.shown_path), " ".join(self.shown_body.split()))
        return " ".join(part for part in parts if part) + (f" ({shown})" if shown else "")


@dataclass(frozen=True, slots=True)
class HttpReply:
    """What a device answered.

    Attributes:
        headers: by small name; of several of one name, the last.
        cookies: the Set-Cookie headers, in order.
        offers: the login schemes that a 401 names.
        is_cut: the body went past MOST_BYTES, and ends there.
        is_assumed: nothing was sent; every other field is empty.
        certificate: the device's, DER; None without TLS.
    """

    status: int = 0
    reason: str = ""
    headers: Mapping[str, str] = field(default_factory=dict, repr=False)
    cookies: tuple[str, ...] = field(default=(), repr=False)
    offers: tuple[str, ...] = ()
    body: bytes = field(default=b"", repr=False)
    is_cut: bool = False
    is_assumed: bool = False
    certificate: bytes | None = field(default=None, repr=False)


class HttpTalk(Protocol):
    """The exchanges of one act; remembers a login challenge between them."""

    @property
    def sent(self) -> tuple[str, ...]:
        """Return what went out (or would have), a line each, nothing secret in them."""
        ...

    async def exchange(self, request: HttpRequest, *, timeout_s: float) -> HttpReply:
        """Send *request* and return the reply, within *timeout_s*.

        Raises:
            DeviceSilentError: nothing was sent, since nobody took it in time.
            DeviceDroppedError: it was sent, and no whole reply came.
            DeviceRefusedError: TLS could not be agreed, or HTTP cannot carry the request.
            DeviceGarbledError: what came back is not HTTP.
        """
        ...

    async def close(self) -> None:
        """Close the connection of these exchanges; safe to call twice."""
        ...


class HttpTransport(Protocol):
    """A way to one device."""

    def talk(self) -> HttpTalk:
        """Return the exchanges of a new act."""
        ...

    async def presented(self, *, timeout_s: float) -> str:
        """Return the fingerprint of the certificate that the device shows, or "", in time.

        No request is sent, and nothing is accepted.
        """
        ...

    async def close(self) -> None:
        """Close every connection; safe to call twice."""
        ...


def merged(under: Mapping[str, str], over: Mapping[str, str]) -> dict[str, str]:
    """Return the headers of both; of the same name, however written, those of *over*."""
    names = {name.lower() for name in over}
    return {n: v for n, v in under.items() if n.lower() not in names} | dict(over)
