"""The checks for every driver, for the http driver's other ways of working: sessions and TLS."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest

from drivers.base import Act, Driver
from drivers.conformance import (
    CHECKS,
    PEER_CHECKS,
    Case,
    Check,
    Peer,
    Target,
    check_garbage_is_an_outcome,
)
from tests.drivers.http_site import STOP, http_driver
from tests.peers.apache import Apache
from tests.peers.web_recorder import PASSWORD, USER, WebRecorder, serving

LOGIN: dict[str, Any] = {
    "path": "/login",
    "json": {"user": "{user}", "password": "{password}"},
    "token": {"json": "data.token"},
    "logout": {"path": "/logout"},
}
LOOK: dict[str, Any] = {"path": "/api/state", "expect": {"json": {"state": "stopping"}}}

# To TLS, noise may be the beginning of a record that is still to come: it is waited for.
TLS_CHECKS = tuple(check for check in CHECKS if check is not check_garbage_is_an_outcome)


def with_session(target: Target) -> Driver:
    return http_driver(
        target.port,
        address=target.address,
        access={"auth": "session", "user": USER, "password": target.secret, "login": LOGIN},
        clock=target.clock,
        dry_run=target.dry_run,
        quiesce={**STOP, "confirm": LOOK, "every": "0.1s"},
        stop=STOP,
    )


@asynccontextmanager
async def recorder() -> AsyncIterator[Peer]:
    async with serving(WebRecorder()) as peer:
        yield Peer("127.0.0.1", peer.port, lambda t: with_session(replace(t, secret=PASSWORD)))


def with_tls(target: Target, *, fingerprint: str = "0" * 64) -> Driver:
    return http_driver(
        target.port,
        address=target.address,
        access={
            "scheme": "https",
            "auth": "basic",
            "user": USER,
            "password": target.secret,
            "tls": {"fingerprint": fingerprint},
        },
        clock=target.clock,
        dry_run=target.dry_run,
        stop={**STOP, "path": "/open/api/stop"},
    )


@asynccontextmanager
async def apache() -> AsyncIterator[Peer]:
    with Apache() as server:
        assert server.issued is not None
        pin = server.issued.fingerprint()
        yield Peer("127.0.0.1", server.tls_port, lambda t: with_tls(t, fingerprint=pin))


SESSION = Case(with_session, act=Act.STOP, greeting=b"HTTP/1.1 200 OK\r\nConte", peer=recorder)
TLS = Case(with_tls, act=Act.STOP, greeting=b"\x16\x03\x03\x00\x7a\x02\x00", peer=apache)


@pytest.mark.parametrize("check", (*CHECKS, *PEER_CHECKS), ids=lambda check: check.__name__)
async def test_a_session_conforms(check: Check) -> None:
    """Logging in and out must not stretch a deadline, hold up a cancellation, or tell a secret."""
    await check(SESSION)


@pytest.mark.parametrize("check", TLS_CHECKS, ids=lambda check: check.__name__)
async def test_tls_conforms(check: Check) -> None:
    """A device that hangs while it agrees on TLS leaves no connection behind."""
    await check(TLS)


@pytest.mark.peer
@pytest.mark.parametrize("check", PEER_CHECKS, ids=lambda check: check.__name__)
async def test_tls_is_understood(check: Check) -> None:
    """With OpenSSL's server side, also where a handshake comes byte by byte."""
    await check(TLS)
