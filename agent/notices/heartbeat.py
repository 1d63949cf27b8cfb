"""A call to an address elsewhere, every few minutes, while all is well here.

Who listens there raises the alarm when it stays away: what is dead tells nobody. So it stops when
the agent no longer does its work, a poll loop that hangs above all. A GET says no more than that; a
POST carries one JSON object:

    format      1
    site        the site's name
    time        RFC 3339, UTC
    outage_s    for how long mains has been away; null while it is there
    supply      unit -> "mains", "battery", "unprotected" or "unknown"
    paused      whether no automatic orders are given
    waiting     how many notices wait to be delivered
    dry_run     true where nothing is sent to any device

It is signed as webhooks are. Any 2xx is taken as heard. Nothing of it waits: the next says more.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC

import structlog

from agent.config.notice_tables import HeartbeatTable
from agent.notices.channel import Answer, Verdict
from agent.notices.letter import plain
from agent.notices.posting import WebAddress
from agent.notices.words import Sender
from drivers.base import Clock
from policies.state import SiteState

log = structlog.get_logger()

AGAIN_S = 30.0
"""Pause after one that was not heard, at most."""


class Heartbeat:
    """Calls one address while the agent is well."""

    def __init__(
        self,
        table: HeartbeatTable,
        sender: Sender,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        is_well: Callable[[], bool],
        waiting: Callable[[], int] = lambda: 0,
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            table: where to, and how often.
            sender: on whose behalf.
            clock: of pauses.
            state: of the site.
            is_well: whether the agent does its work; while it does not, nothing is sent.
            waiting: how many notices wait.

        Raises:
            ValueError: its url is no web address.
        """
        self._table = table
        self._sender = sender
        self._clock = clock
        self._state = state
        self._is_well = is_well
        self._waiting = waiting
        self._address = WebAddress(table.url, table.secret, clock=clock, trust=table.tls.trust())
        self._is_lost = False

    @property
    def host(self) -> str:
        """Where it goes, as far as that may be shown."""
        return self._address.host

    async def run(self) -> None:
        """Call for ever; cancel to end."""
        is_silent = False
        while True:
            if not self._is_well():
                if not is_silent:
                    log.error("stopped_heartbeat", why="the agent does not do its work")
                is_silent = True
                await self._clock.sleep(min(AGAIN_S, self._table.every))
                continue
            is_silent = False
            answer = await self.beat()
            is_heard = answer.verdict is Verdict.TAKEN
            await self._clock.sleep(
                self._table.every if is_heard else min(AGAIN_S, self._table.every)
            )

    async def beat(self) -> Answer:
        """Call once, and return what was said."""
        body = self._body() if self._table.method == "POST" else b""
        status, said = await self._address.send(self._table.method, body)
        said = plain(said, most=300)
        if 200 <= status < 300:
            if self._is_lost:
                log.info("regained_heartbeat", host=self.host)
            self._is_lost = False
            return Answer(Verdict.TAKEN, said)
        if not self._is_lost:
            log.warning("lost_heartbeat", host=self.host, why=said)
        self._is_lost = True
        is_final = 400 <= status < 500
        return Answer(Verdict.NEVER if is_final else Verdict.LATER, said, is_heard=status != 0)

    def _body(self) -> bytes:
        state, now = self._state(), self._clock.monotonic()
        paused_at = state.paused_until_at
        utc = self._clock.utc().astimezone(UTC).isoformat(timespec="milliseconds")
        fields = {
            "format": 1,
            "site": self._sender.site,
            "time": utc.replace("+00:00", "Z"),
            "outage_s": None if state.outage_at is None else round(now - state.outage_at, 1),
            "supply": {name: unit.supply.value for name, unit in state.units.items()},
            "paused": paused_at is not None and paused_at > now,
            "waiting": self._waiting(),
            "dry_run": self._sender.dry_run,
        }
        return json.dumps(fields).encode()
