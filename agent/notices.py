"""Tell people elsewhere: each notice is posted to the webhooks of the site's file.

The body is JSON; where the file gives a secret it is signed: the header `Lastwatt-Signature` holds
"t=<unix seconds>,sha256=<hex>", HMAC-SHA-256 (RFC 2104) over "<t>." and the exact body. A receiver
compares in constant time and refuses old times. What cannot be delivered is tried again with
growing pauses, for a bounded number of notices and tries; the journal keeps every notice anyhow.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import json
from collections.abc import Sequence
from urllib.parse import urlsplit

import structlog
from pydantic import SecretStr

from agent.config import Webhook
from drivers.base import Clock
from drivers.errors import DriverError
from drivers.transports.http import LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpRequest, Trust
from policies.state import NoticeRaised

log = structlog.get_logger()

WAITING = 200
"""Notices that wait for each webhook; past that the oldest is dropped, and that is logged."""

TRIES = 8
_TRY_S = 5.0
_PAUSES_S = (1.0, 2.0, 5.0, 15.0, 60.0, 120.0, 300.0)


def signature(secret: SecretStr, *, unix_s: int, body: bytes) -> str:
    """Return the value of the signing header for *body* at that time."""
    message = str(unix_s).encode() + b"." + body
    digest = hmac.new(secret.get_secret_value().encode(), message, hashlib.sha256).hexdigest()
    return f"t={unix_s},sha256={digest}"


class Notices:
    """Delivers notices, one queue a webhook, so that a slow receiver delays no other."""

    def __init__(self, site: str, webhooks: Sequence[Webhook], *, clock: Clock) -> None:
        self._site = site
        self._clock = clock
        self._hooks = [(hook, asyncio.Queue[NoticeRaised](WAITING)) for hook in webhooks]

    def raise_notice(self, notice: NoticeRaised) -> None:
        """Queue a notice for every webhook; never waits."""
        for hook, queue in self._hooks:
            if queue.full():
                queue.get_nowait()
                log.warning("dropped_notice", url=_host(hook.url))
            queue.put_nowait(notice)

    async def run(self) -> None:
        """Deliver for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            for hook, queue in self._hooks:
                group.create_task(self._serve(hook, queue))

    async def _serve(self, hook: Webhook, queue: asyncio.Queue[NoticeRaised]) -> None:
        parts = urlsplit(hook.url)
        port = parts.port or {"http": 80, "https": 443}[parts.scheme]
        endpoint = Endpoint(parts.scheme, parts.hostname or "", port)
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        transport = LiveHttp(endpoint, Trust(), Credentials())
        try:
            while True:
                await self._deliver(transport, hook, path, await queue.get())
        finally:
            await transport.close()

    async def _deliver(
        self, transport: LiveHttp, hook: Webhook, path: str, notice: NoticeRaised
    ) -> None:
        raised_utc = self._clock.utc()
        raised_at = self._clock.monotonic()
        why = ""
        for number in range(TRIES):
            body = json.dumps(
                {
                    "format": 1,
                    "site": self._site,
                    "severity": notice.severity,
                    "about": notice.about,
                    "text": notice.text,
                    "time": raised_utc.isoformat(),
                    "late_s": round(self._clock.monotonic() - raised_at, 1),
                }
            ).encode()
            headers = {"Content-Type": "application/json"}
            if hook.secret is not None:
                unix_s = int(self._clock.utc().timestamp())
                headers["Lastwatt-Signature"] = signature(hook.secret, unix_s=unix_s, body=body)
            request = HttpRequest("POST", path, path, headers, body=body)
            try:
                reply = await transport.talk().exchange(request, timeout_s=_TRY_S)
            except DriverError as error:
                why = str(error)
            else:
                if 200 <= reply.status < 300:
                    return
                why = f"it answered {reply.status}"
            await self._clock.sleep(_PAUSES_S[min(number, len(_PAUSES_S) - 1)])
        log.warning("failed_notice", url=_host(hook.url), why=why)


def _host(url: str) -> str:
    """The part of an address that is safe to log: its path may be a secret of its own."""
    return urlsplit(url).hostname or ""
