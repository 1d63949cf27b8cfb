"""What a probe tells of a device beyond its answer: certificate, clock, and what to mend."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import NamedTuple

from cryptography import x509

from drivers.http_judge import http_date
from drivers.http_settings import HttpAccess
from drivers.transports.http_messages import HttpReply
from drivers.transports.pinning import fingerprint_of, for_people

CLOCK_OFF = timedelta(seconds=30)
"""A device's clock that is further off is worth a word: its footage bears the wrong time."""

EXPIRES_SOON = timedelta(days=30)


class Remark(NamedTuple):
    """Something seen, and what to do about it; either may be ""."""

    fact: str
    advice: str = ""


def remarks(
    access: HttpAccess, reply: HttpReply, sent: tuple[str, ...], now_utc: datetime
) -> Iterator[Remark]:
    """Yield what *reply*, and what was *sent* for it, give to remark on."""
    if reply.certificate is not None:
        yield _certificate(reply.certificate, now_utc, is_pinned=bool(access.tls.fingerprint))
    yield _clock(reply, now_utc)
    if access.scheme == "http" and access.password and access.auth != "digest":
        advice = 'use scheme = "https" if the device has it'
        yield Remark("its password goes over the wire in clear text", advice)
    if access.auth == "digest" and not any("Authorization: Digest" in line for line in sent):
        advice = "name a page that needs it: probe = { path = … } in [device.http]"
        yield Remark("the page is open to everybody, so the login was not tried", advice)


def _certificate(certificate: bytes, now_utc: datetime, *, is_pinned: bool) -> Remark:
    shown = f"its certificate is {for_people(fingerprint_of(certificate))}"
    try:
        until = x509.load_der_x509_certificate(certificate).not_valid_after_utc
    except ValueError:
        return Remark(f"{shown}, until when it is valid cannot be read")
    if is_pinned:
        return Remark(f"{shown}, as pinned")
    fact = f"{shown}, valid until {until:%Y-%m-%d}"
    return Remark(fact, "renew it in time" if until - now_utc < EXPIRES_SOON else "")


def _clock(reply: HttpReply, now_utc: datetime) -> Remark:
    theirs = http_date(reply.headers.get("date", ""))
    if theirs is None:
        return Remark("it does not tell its time")
    skew = theirs - now_utc
    if abs(skew) <= CLOCK_OFF:
        return Remark("its clock is right")
    span = timedelta(seconds=round(abs(skew).total_seconds()))
    fact = f"its clock is {span} {'ahead' if skew > timedelta() else 'behind'}"
    return Remark(fact, "set its clock, best by a time server on the site")
