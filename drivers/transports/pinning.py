"""TLS that trusts one certificate by its SHA-256 fingerprint, and nothing else."""

from __future__ import annotations

import hashlib
import ssl
from typing import Self

_HEX = frozenset("0123456789abcdef")


class PinMismatchError(ssl.SSLCertVerificationError):
    """The peer's certificate is not the pinned one; no byte of a request was sent.

    Attributes:
        presented: fingerprint of what the peer showed, or "" where it showed nothing.
    """

    def __init__(self, presented: str) -> None:
        super().__init__(ssl.SSL_ERROR_SSL, "the certificate is not the pinned one")
        self.presented = presented


def fingerprint_from(text: str) -> str:
    """Return a SHA-256 fingerprint as 64 small hex digits, from hex with or without colons.

    Raises:
        ValueError: *text* is not that.
    """
    plain = text.replace(":", "").replace(" ", "").lower()
    if len(plain) != 64 or not _HEX.issuperset(plain):
        raise ValueError(
            "write the SHA-256 fingerprint of the certificate: 64 hex digits, colons allowed"
        )
    return plain


def fingerprint_of(certificate: bytes) -> str:
    """Return the SHA-256 fingerprint of a DER certificate, as 64 small hex digits."""
    return hashlib.sha256(certificate).hexdigest()


def for_people(fingerprint: str) -> str:
    """Return a fingerprint the way certificate tools print it: "AB:CD:…"."""
    return ":".join(fingerprint[at : at + 2] for at in range(0, len(fingerprint), 2)).upper()


class _PinnedObject(ssl.SSLObject):
    """The side of a connection that refuses a stranger before the first request byte."""

    def do_handshake(self) -> None:
        """Shake hands, then compare; anyio flushes nothing after the raise."""
        super().do_handshake()
        context = self.context
        assert isinstance(context, PinnedContext)
        _compare(context, self.getpeercert(True))


class _PinnedSocket(ssl.SSLSocket):
    """The same for blocking sockets."""

    def do_handshake(self, block: bool = False) -> None:
        """Shake hands, then compare."""
        super().do_handshake(block)
        context = self.context
        assert isinstance(context, PinnedContext)
        _compare(context, self.getpeercert(True))


def _compare(context: PinnedContext, certificate: bytes | None) -> None:
    presented = fingerprint_of(certificate) if certificate else ""
    if not presented or presented != context.pin:
        raise PinMismatchError(presented)


class PinnedContext(ssl.SSLContext):
    """A client context that accepts the certificate *pin* and no other.

    Names and dates are not looked at: the pin says more than either, and a device's own
    certificate, or its clock, is often years off. A pin of "" accepts nothing at all, which makes
    a peer show its certificate without being spoken to.
    """

    sslobject_class = _PinnedObject
    sslsocket_class = _PinnedSocket
    pin: str

    def __new__(cls, pin: str) -> Self:
        """Make the context; *pin* as `fingerprint_from` gives it, or ""."""
        self = super().__new__(cls, ssl.PROTOCOL_TLS_CLIENT)
        self.check_hostname = False
        self.verify_mode = ssl.CERT_NONE
        self.pin = pin
        return self

    def __init__(self, pin: str) -> None:
        super().__init__()
