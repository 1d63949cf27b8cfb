"""One receiver: what waits for it, and the loop that sends it.

What a receiver answers to and does not take is tried again, for as long as it is kept, but lets
what was tried less often go before it: one notice that meets a fault of the receiver's own must not
keep back the next mains-lost. While nobody answers at all nothing was judged, and the order stays.
"""

from __future__ import annotations

import asyncio
import math
from collections import deque
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Protocol

import structlog

from agent.notices.channel import Answer, Channel, Sending, Verdict
from agent.notices.letter import Letter, to_json
from agent.notices.rules import Rules, next_of, quiet_left_s
from drivers.base import Clock
from policies.telling import ALWAYS_TOLD

log = structlog.get_logger()

WAITING = 200
"""Notices that wait for each receiver; past that the oldest is dropped, and that is logged."""

KEEP_S = 7 * 86400.0
"""How long a notice is tried; in an outage the way out is often the first to go."""

HURRY_S = 60.0
"""So long nothing waits for more to follow, once the way out is about to be stopped."""

BARRED_S = 3600.0
"""Pause after our login was refused: each more wrong one might lock the account."""

_PAUSES_S = (1.0, 2.0, 5.0, 15.0, 30.0, 60.0, 120.0, 300.0)
_SELDOM_S = (60.0, 300.0, 900.0, 3600.0)
"""Pauses where the receiver refuses all, as it stands; a new notice is tried at once, once."""


class Store(Protocol):
    """Keeps what waits on the disk; neither method waits for it."""

    def keep_undelivered(self, receiver: str, notice: str, body: str) -> None:
        """Have a notice on the disk at once."""
        ...

    def drop_undelivered(self, receiver: str, notices: Collection[str]) -> None:
        """Have notices forgotten on the disk at once."""
        ...


@dataclass(frozen=True, slots=True)
class Delivery:
    """How it goes with one receiver.

    Attributes:
        name: of the receiver, by the file.
        way: "webhook", "mail", "syslog" or "service".
        host: where it is, as far as that may be shown.
        waiting: notices not received yet.
        oldest_s: age of the oldest of these; None = nothing waits.
        why: what went wrong with the last try, or "".
        taken: how many it took since the agent started.
        taken_utc: when it took the last one; None = none yet.
        taken_late_s: how late that was.
        given_up: how many were dropped untaken since the agent started; *given_up_why*, the last.
    """

    name: str
    way: str
    host: str
    waiting: int
    oldest_s: float | None
    why: str
    taken: int
    taken_utc: datetime | None
    taken_late_s: float | None
    given_up: int = 0
    given_up_why: str = ""


class Receiver:
    """One receiver, whose slowness delays no other."""

    def __init__(
        self,
        name: str,
        channel: Channel,
        rules: Rules,
        *,
        clock: Clock,
        zone: tzinfo,
        store: Store,
        on_out: Callable[[], None],
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            name: by the file.
            channel: the way to it.
            rules: what it wants.
            clock: of pauses, and of how late a notice is.
            zone: the site's, for quiet hours.
            store: keeps what waits.
            on_out: told whenever something is out, or given up.
        """
        self.name = name
        self._channel = channel
        self._rules = rules
        self._clock = clock
        self._zone = zone
        self._store = store
        self._on_out = on_out
        self._waiting: deque[Letter] = deque()
        self._came = asyncio.Event()
        self._hurry_until_at = -math.inf
        self._is_lost = False
        self._is_barred = False
        self._barred_broken_at = -math.inf
        self._tries: dict[str, int] = {}
        self._refused: set[str] = set()
        self._why = ""
        self._given_up = 0
        self._given_up_why = ""
        self._taken = 0
        self._taken_utc: datetime | None = None
        self._taken_late_s: float | None = None

    def put(self, letter: Letter) -> None:
        """Queue a notice, if the receiver wants it; never waits."""
        if not self._rules.wants(letter):
            return
        if len(self._waiting) >= WAITING:
            self._drop_one()
        self._waiting.append(letter)
        self._store.keep_undelivered(self.name, letter.id, to_json(letter))
        self._came.set()

    def take_up(self, letters: Iterable[Letter]) -> None:
        """Queue what an earlier run of the agent left, oldest first."""
        self._waiting.extend(letters)
        self._came.set()

    def keep_again(self) -> None:
        """Have all that waits on the disk once more: it has another file."""
        for letter in self._waiting:
            self._store.keep_undelivered(self.name, letter.id, to_json(letter))

    def hurry(self) -> None:
        """Send at once what waits for more to follow: the way out is about to be stopped."""
        now = self._clock.monotonic()
        if self._hurry_until_at < now:
            self._came.set()
        self._hurry_until_at = now + HURRY_S

    @property
    def has_some(self) -> bool:
        """Whether something waits that may get out soon: not in quiet hours, nor refused."""
        hoped = [letter for letter in self._waiting if letter.id not in self._refused]
        if not hoped or self._is_barred:
            return False
        is_quiet = quiet_left_s(self._rules, self._local()) > 0.0
        return not is_quiet or any(letter.topic in ALWAYS_TOLD for letter in hoped)

    def delivery(self) -> Delivery:
        """Return how it goes."""
        oldest_s = None
        if self._waiting:
            oldest_s = round(self._clock.monotonic() - self._waiting[0].at, 1)
        return Delivery(
            self.name,
            self._channel.way,
            self._channel.host,
            len(self._waiting),
            oldest_s,
            self._why,
            self._taken,
            self._taken_utc,
            self._taken_late_s,
            self._given_up,
            self._given_up_why,
        )

    async def run(self) -> None:
        """Deliver for ever; cancel to end."""
        failures = refusals = 0
        while True:
            self._came.clear()
            now = self._clock.monotonic()
            found = next_of(
                tuple(self._waiting),
                self._rules,
                now=now,
                local=self._local(),
                hurry=now < self._hurry_until_at,
                tries=self._tries,
            )
            if not found.letters:
                await self._wait(found.wait_s)
                continue
            answer = await self._try(found.letters)
            if answer.verdict in (Verdict.TAKEN, Verdict.NEVER):
                failures = refusals = 0
                continue
            if answer.verdict is Verdict.BARRED:
                await self._sit_out()
                continue
            if answer.verdict is Verdict.REFUSED:
                refusals += 1
                pause_s = _SELDOM_S[min(refusals, len(_SELDOM_S)) - 1]
            else:
                failures += 1
                pause_s = _PAUSES_S[min(failures, len(_PAUSES_S)) - 1]
            await self._pause(max(_PAUSES_S[0], min(pause_s, found.new_in_s)))

    async def _try(self, letters: tuple[Letter, ...]) -> Answer:
        """Send once, and see to what became of it."""
        sending = Sending(letters, self._clock.monotonic(), self._clock.utc())
        answer = await self._channel.send(sending)
        if answer.verdict is Verdict.TAKEN:
            if self._is_lost:
                log.info("regained_receiver", receiver=self.name)
            self._is_lost, self._is_barred, self._why = False, False, ""
            self._taken += len(letters)
            self._taken_utc = sending.utc
            self._taken_late_s = round(sending.late_s(letters[-1]), 1)
            self._forget(letters)
            return answer
        if not self._is_lost:
            log.warning("lost_receiver", receiver=self.name, way=self._channel.way, why=answer.said)
        self._is_lost, self._why = True, answer.said
        self._judge(letters, answer)
        old = [x for x in letters if sending.late_s(x) >= KEEP_S]
        gone = list(letters) if answer.verdict is Verdict.NEVER else old
        for letter in gone:
            self._give_up(letter, answer.said)
        self._forget(gone)
        return answer

    def _judge(self, letters: Collection[Letter], answer: Answer) -> None:
        """Note what the receiver thinks of what it did not take, if it said anything."""
        ids = {letter.id for letter in letters}
        self._is_barred = answer.verdict is Verdict.BARRED
        if answer.verdict is Verdict.REFUSED:
            self._refused |= ids
        else:
            self._refused -= ids
        if self._is_barred or answer.verdict is Verdict.REFUSED:
            self._on_out()  # nothing need wait for what will not get out soon
        if answer.is_heard:
            for each in ids:
                self._tries[each] = self._tries.get(each, 0) + 1

    def _give_up(self, letter: Letter, why: str) -> None:
        self._given_up += 1
        self._given_up_why = why
        log.warning("dropped_notice", receiver=self.name, about=letter.about, why=why)

    def _forget(self, letters: Collection[Letter]) -> None:
        if not letters:
            return
        ids = {letter.id for letter in letters}
        self._waiting = deque(letter for letter in self._waiting if letter.id not in ids)
        self._unmark(ids)
        self._store.drop_undelivered(self.name, sorted(ids))
        self._on_out()

    def _drop_one(self) -> None:
        """Drop the oldest that may be missed, or, where all are grave, the oldest."""
        found = next((x for x in self._waiting if x.topic not in ALWAYS_TOLD), self._waiting[0])
        self._waiting.remove(found)
        self._unmark({found.id})
        self._store.drop_undelivered(self.name, (found.id,))
        self._give_up(found, "too many wait")

    def _unmark(self, ids: Collection[str]) -> None:
        self._refused -= set(ids)
        for each in ids:
            self._tries.pop(each, None)

    def _local(self) -> datetime:
        return self._clock.utc().astimezone(self._zone)

    async def _sit_out(self) -> None:
        """Wait until our login may be tried again; for what cannot wait one more is risked."""
        until_at = self._clock.monotonic() + BARRED_S
        while (left_s := until_at - self._clock.monotonic()) > 0.0:
            self._came.clear()
            now = self._clock.monotonic()
            is_grave = any(
                x.topic in ALWAYS_TOLD and x.id not in self._tries for x in self._waiting
            )
            if is_grave and now - self._barred_broken_at >= BARRED_S:
                self._barred_broken_at = now
                return
            await self._wait(left_s)

    async def _pause(self, seconds: float) -> None:
        """Wait so long, or, once a second has passed, until another notice comes."""
        await self._clock.sleep(min(_PAUSES_S[0], seconds))
        await self._wait(seconds - _PAUSES_S[0])

    async def _wait(self, seconds: float) -> None:
        """Wait until something comes, at most so long."""
        if math.isinf(seconds):
            await self._came.wait()
            return
        sleeping = asyncio.ensure_future(self._clock.sleep(seconds))
        coming = asyncio.ensure_future(self._came.wait())
        try:
            await asyncio.wait({sleeping, coming}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
            coming.cancel()
