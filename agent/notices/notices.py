"""All who are told: what is raised goes to each of them, and waits on the disk until it has."""

from __future__ import annotations

import asyncio
import itertools
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo

import structlog

from agent.notices.channel import Channel
from agent.notices.letter import Letter, from_json, plain
from agent.notices.receiver import KEEP_S, Delivery, Receiver, Store
from agent.notices.rules import Rules
from drivers.base import Clock
from policies.events import NoticeRaised
from policies.telling import topic_of

log = structlog.get_logger()


@dataclass(frozen=True, slots=True)
class Way:
    """One receiver as it was built from the site's file."""

    name: str
    channel: Channel
    rules: Rules


class NoStore:
    """Keeps nothing: what waits is lost when the agent ends."""

    def keep_undelivered(self, receiver: str, notice: str, body: str) -> None:
        """Keep nothing."""

    def drop_undelivered(self, receiver: str, notices: Collection[str]) -> None:
        """Forget nothing."""


class Notices:
    """Delivers notices, one queue a receiver, so that a slow one delays no other."""

    def __init__(
        self,
        ways: Sequence[Way],
        *,
        clock: Clock,
        zone: tzinfo,
        store: Store | None = None,
        synced: Callable[[], bool | None] = lambda: None,
        on_out: Callable[[], None] = lambda: None,
        is_silenced: Callable[[Letter], bool] = lambda letter: False,
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            ways: who is told.
            clock: of pauses, and of when a notice was raised.
            zone: the site's.
            store: keeps what waits over the agent's end; None = nothing does.
            synced: whether the wall clock is synchronised.
            on_out: told whenever something is out, or given up.
            is_silenced: whether nobody wants to hear of it now.
        """
        self._clock = clock
        self._store = store or NoStore()
        self._synced = synced
        self._is_silenced = is_silenced
        self._numbers = itertools.count(1)
        self._receivers = [
            Receiver(
                way.name, way.channel, way.rules,
                clock=clock, zone=zone, store=self._store, on_out=on_out,
            )
            for way in ways
        ]  # fmt: skip

    def raise_notice(self, notice: NoticeRaised, *, report: str = "") -> None:
        """Queue a notice for everybody who wants it; never waits.

        Args:
            notice: what is told.
            report: name of the filed report that it tells of, if it does.
        """
        utc = self._clock.utc()
        letter = Letter(
            id=f"{utc:%Y%m%dT%H%M%S.%fZ}-{next(self._numbers)}",
            severity=notice.severity,
            about=plain(notice.about),
            text=plain(notice.text),
            topic=topic_of(notice.topic, notice.severity),
            at=self._clock.monotonic(),
            utc=utc,
            synced=self._synced(),
            report=report,
        )
        if self._is_silenced(letter):
            return
        for receiver in self._receivers:
            receiver.put(letter)

    def take_up(self, kept: Iterable[tuple[str, str, str]]) -> None:
        """Queue what an earlier run left: receiver, id and body of each, oldest first.

        What is for a receiver that the file no longer has, or is too old, is forgotten.
        """
        known = {receiver.name: receiver for receiver in self._receivers}
        found: dict[str, list[Letter]] = {}
        for name, notice, body in kept:
            letter = _letter(body)
            is_fresh = letter is not None and self._clock.monotonic() - letter.at < KEEP_S
            if letter is not None and is_fresh and name in known:
                found.setdefault(name, []).append(letter)
                continue
            log.warning("dropped_notice", receiver=name, notice=notice, why="nobody is to get it")
            self._store.drop_undelivered(name, (notice,))
        for name, letters in found.items():
            log.info("resumed_notices", receiver=name, waiting=len(letters))
            known[name].take_up(letters)

    def keep_again(self) -> None:
        """Have all that waits on the disk once more: it has another file."""
        for receiver in self._receivers:
            receiver.keep_again()

    def hurry(self) -> None:
        """Send at once what waits for more to follow."""
        for receiver in self._receivers:
            receiver.hurry()

    @property
    def waits(self) -> bool:
        """Whether something is to get out yet."""
        return any(receiver.has_some for receiver in self._receivers)

    def deliveries(self) -> list[Delivery]:
        """Return how it goes, in the order of the file."""
        return [receiver.delivery() for receiver in self._receivers]

    async def run(self) -> None:
        """Deliver for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            for receiver in self._receivers:
                group.create_task(receiver.run())


def _letter(body: str) -> Letter | None:
    try:
        return from_json(body)
    except ValueError:
        return None
