"""Tell people elsewhere: each notice is posted to the webhooks of the site's file.

A notice is an HTTP POST of one JSON object (`Content-Type: application/json`):

    format    1
    id        the same in every try of one notice; a receiver that has it already ignores it
    site      the site's name
    severity  "info", "warning" or "error"
    about     the unit, device or part that it is about
    text      a sentence; in a dry run it begins with "dry run: "
    time      when it was raised, RFC 3339, UTC
    late_s    seconds from then to this try
    dry_run   true where nothing is sent to any device

Where the file gives a secret the request is signed: the header `Lastwatt-Signature` holds
"t=<unix seconds>,sha256=<hex>", the HMAC-SHA-256 (RFC 2104) of "<t>." and the exact body, under the
secret's UTF-8. A receiver compares in constant time and refuses old times.

Any 2xx is taken as received. 408, 425, 429, 5xx, silence and TLS trouble are tried again with
growing pauses, and sooner when the next notice comes, for a day; any other answer is final. So a
notice can arrive twice, and is lost where the agent itself ends first: the journal keeps them all.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import itertools
import json
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

import structlog
from pydantic import SecretStr

from agent.config import Webhook
from drivers.base import Clock
from drivers.errors import DriverError
from drivers.transports.http import LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpRequest, Trust
from policies.events import NoticeRaised

log = structlog.get_logger()

FORMAT = 1
WAITING = 200
"""Notices that wait for each webhook; past that the oldest is dropped, and that is logged."""

KEEP_S = 86400.0
"""How long a notice is tried; in an outage the way out is often the first to go."""

TRY_S = 5.0
_PAUSES_S = (1.0, 2.0, 5.0, 15.0, 30.0, 60.0)
_ASKS_AGAIN = frozenset({408, 425, 429})  # RFC 9110 section 15.5.9, RFC 8470, RFC 6585
_PORTS = {"http": 80, "https": 443}


def signature(secret: SecretStr, *, unix_s: int, body: bytes) -> str:
    """Return the value of the signing header for *body* at that time."""
    return f"t={unix_s},sha256={digest(secret, str(unix_s).encode() + b'.' + body)}"


def digest(secret: SecretStr, message: bytes) -> str:
    """Return the HMAC-SHA-256 (RFC 2104) of *message*, in hex."""
    return hmac.new(secret.get_secret_value().encode(), message, hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class Delivery:
    """How it goes with one webhook.

    Attributes:
        host: where it is; the rest of its address may be a secret.
        waiting: notices not received yet.
        why: what went wrong with the last try, or "".
    """

    host: str
    waiting: int
    why: str


@dataclass(frozen=True, slots=True)
class _Letter:
    number: int
    notice: NoticeRaised
    raised_utc: datetime
    raised_at: float


class Notices:
    """Delivers notices, one queue a webhook, so that a slow receiver delays no other."""

    def __init__(
        self, site: str, webhooks: Sequence[Webhook], *, clock: Clock, dry_run: bool
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            site: its name.
            webhooks: who is told.
            clock: of pauses, and of when a notice was raised.
            dry_run: every notice says so.
        """
        self._clock = clock
        self._numbers = itertools.count(1)
        self._receivers: list[_Receiver] = []
        for number, hook in enumerate(webhooks, start=1):
            try:
                self._receivers.append(_Receiver(site, hook, clock, dry_run=dry_run))
            except ValueError:  # a port past 65535, say; its text may hold the address
                log.error("refused_webhook", number=number, why="its url is no web address")

    def raise_notice(self, notice: NoticeRaised) -> None:
        """Queue a notice for every webhook; never waits."""
        letter = _Letter(next(self._numbers), notice, self._clock.utc(), self._clock.monotonic())
        for receiver in self._receivers:
            receiver.put(letter)

    def deliveries(self) -> list[Delivery]:
        """Return how it goes, in the order of the file."""
        return [receiver.delivery() for receiver in self._receivers]

    async def run(self) -> None:
        """Deliver for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            for receiver in self._receivers:
                group.create_task(receiver.run())


class _Receiver:
    """One webhook, and what waits for it."""

    def __init__(self, site: str, hook: Webhook, clock: Clock, *, dry_run: bool) -> None:
        self._site = site
        self._secret = hook.secret
        self._clock = clock
        self._dry_run = dry_run
        self._waiting: deque[_Letter] = deque()
        self._came = asyncio.Event()
        self._why = ""
        parts = urlsplit(hook.url)
        self._host = parts.hostname or ""
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        endpoint = Endpoint(parts.scheme, self._host, parts.port or _PORTS[parts.scheme])
        self._transport = LiveHttp(endpoint, Trust(), Credentials())

    def put(self, letter: _Letter) -> None:
        if len(self._waiting) >= WAITING:
            dropped = self._waiting.popleft()
            log.warning("dropped_notice", host=self._host, about=dropped.notice.about)
        self._waiting.append(letter)
        self._came.set()

    def delivery(self) -> Delivery:
        return Delivery(self._host, len(self._waiting), self._why)

    async def run(self) -> None:
        failures = 0
        while True:
            self._came.clear()
            if not self._waiting:
                await self._came.wait()
                continue
            letter = self._waiting[0]
            is_over = await self._try(letter)
            if is_over and self._waiting and self._waiting[0] is letter:
                self._waiting.popleft()
            failures = 0 if is_over else failures + 1
            if not is_over:
                await self._pause(_PAUSES_S[min(failures, len(_PAUSES_S)) - 1])

    async def _try(self, letter: _Letter) -> bool:
        """Post it once; return whether it is done with, received or not."""
        status, why = await self._post(letter)
        if 200 <= status < 300:
            if self._why:
                log.info("regained_webhook", host=self._host)
            self._why = ""
            return True
        if not self._why:
            log.warning("lost_webhook", host=self._host, why=why)
        self._why = why
        age_s = self._clock.monotonic() - letter.raised_at
        is_final = 0 < status < 500 and status not in _ASKS_AGAIN
        if is_final or age_s >= KEEP_S:
            log.warning("dropped_notice", host=self._host, about=letter.notice.about, why=why)
            return True
        return False

    async def _post(self, letter: _Letter) -> tuple[int, str]:
        """Return the status of the answer, 0 for none, and what is wrong with it."""
        talk = self._transport.talk()
        try:
            reply = await talk.exchange(self._request(letter), timeout_s=TRY_S)
        except DriverError as error:
            return 0, str(error)
        except Exception as error:  # telling must never end the agent
            # Its text may hold the address, and that a key.
            log.error("failed_delivery", host=self._host, kind=type(error).__name__)
            return 0, "by a fault of the agent's own it could not be posted"
        finally:
            await talk.close()
        return reply.status, f"it answered {reply.status} {reply.reason}".rstrip()

    def _request(self, letter: _Letter) -> HttpRequest:
        body = self._body(letter)
        headers = {"Content-Type": "application/json"}
        if self._secret is not None:
            unix_s = int(self._clock.utc().timestamp())
            headers["Lastwatt-Signature"] = signature(self._secret, unix_s=unix_s, body=body)
        return HttpRequest("POST", self._path, "/***", headers, body=body)

    def _body(self, letter: _Letter) -> bytes:
        notice = letter.notice
        fields = {
            "format": FORMAT,
            "id": f"{letter.raised_utc:%Y%m%dT%H%M%S.%fZ}-{letter.number}",
            "site": self._site,
            "severity": notice.severity,
            "about": notice.about,
            "text": f"dry run: {notice.text}" if self._dry_run else notice.text,
            "time": letter.raised_utc.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "late_s": round(self._clock.monotonic() - letter.raised_at, 1),
            "dry_run": self._dry_run,
        }
        return json.dumps(fields).encode()

    async def _pause(self, seconds: float) -> None:
        """Wait so long, or, once a second has passed, until another notice comes."""
        await self._clock.sleep(min(_PAUSES_S[0], seconds))
        sleeping = asyncio.ensure_future(self._clock.sleep(seconds - _PAUSES_S[0]))
        coming = asyncio.ensure_future(self._came.wait())
        try:
            await asyncio.wait({sleeping, coming}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            coming.cancel()
