"""The checks for every driver, for the http driver's other way of working: a session."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import Any

import pytest

from drivers.base import Act, Driver
from drivers.conformance import CHECKS, PEER_CHECKS, Case, Check, Peer, Target
from tests.drivers.http_site import STOP, http_driver
from tests.peers.web_recorder import PASSWORD, USER, WebRecorder, serving

LOGIN: dict[str, Any] = {
    "path": "/login",
    "json": {"user": "{user}", "password": "{password}"},
    "token": {"json": "data.token"},
    "logout": {"path": "/logout"},
}
LOOK: dict[str, Any] = {"path": "/api/state", "expect": {"json": {"state": "stopping"}}}


def make(target: Target) -> Driver:
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
async def peer() -> AsyncIterator[Peer]:
    async with serving(WebRecorder()) as recorder:
        yield Peer("127.0.0.1", recorder.port, lambda t: make(replace(t, secret=PASSWORD)))


CASE = Case(make, act=Act.STOP, greeting=b"HTTP/1.1 200 OK\r\nContent-Le", peer=peer)


@pytest.mark.parametrize("check", (*CHECKS, *PEER_CHECKS), ids=lambda check: check.__name__)
async def test_a_session_conforms(check: Check) -> None:
    """Logging in and out must not stretch a deadline, hold up a cancellation, or tell a secret."""
    await check(CASE)
