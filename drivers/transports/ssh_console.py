"""The typed, async face of SSH: conversations under hard deadlines, not too many at once.

Each conversation has a daemon thread and a socket of its own. At the deadline the loop shuts the
socket, frees the slot, and leaves the thread to find its own end. One connection a device may be
opened ahead: it waits, logged in, for the next conversation.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from drivers.errors import DeviceSilentError, DriverError
from drivers.transports.console import KEPT_S, Login, Step, Transcript
from drivers.transports.ssh import Key, Talk, key_from
from drivers.transports.threads import in_own_thread

T = TypeVar("T")

CONNECTING_AT_ONCE = 32
"""Log-ins under way at the same time; 64 were no faster to 200 hosts."""

SLOT_LIMIT_S = 1.0
"""How long one of them counts: what takes longer waits for its device, and is no work for us. So a
crowd of dead devices does not hold up the living."""

LOGIN_LIMIT_S = 30.0
"""From the first packet until logged in. Long, since in an outage a device whose name server is
down may first wait for the name of who calls."""

LINGER_S = 2.0
"""How long a connection is left to a device that ends by what was said over it, before we hang up:
in a crowd that is told to stop, hanging up takes from those who are still to be told."""

_slots: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Semaphore] = WeakKeyDictionary()


async def shown_host_key(address: str, port: int, *, within_s: float) -> str:
    """Return the fingerprint of the host key that is shown there; nobody logs in.

    It is what a person compares with the device's own console: by itself it proves nothing.

    Raises:
        DeviceSilentError: nothing answered within *within_s*.
        DeviceRefusedError: what answered speaks no SSH that we do.
    """
    loop = asyncio.get_running_loop()
    talk = Talk(Login(address, port, ""), None, skip=frozenset(), now=loop.time)
    try:
        async with asyncio.timeout(within_s):
            return await in_own_thread(talk.look, name=f"ssh {address}")
    except TimeoutError as error:
        raise talk.timed_out(after_s=within_s) from error
    finally:
        talk.abandon()


class SshConsole:
    """One device's console over SSH; conversations share no connection."""

    def __init__(self, login: Login, *, kept_s: float = KEPT_S, linger_s: float = LINGER_S) -> None:
        self._login = login
        self._kept_s = kept_s
        self._linger_s = linger_s
        self._key: Key | DriverError | None = None
        if login.key is not None:
            self._key = key_from(login.key, login.key_passphrase)
        self._unpinned: frozenset[str] = frozenset()
        self._talks: set[Talk] = set()
        self._kept: _Kept | None = None
        self._ending: Talk | None = None

    async def converse(
        self, script: Sequence[Step], *, within_s: float, sent: list[str], may_end: bool = False
    ) -> Transcript:
        """Log in and walk through *script*, noting each line in *sent* as it goes out.

        A command that fails ends the script; so does the end of *within_s*, to the moment. A
        connection that was opened ahead is used, and kept on unless the device *may_end* by this;
        where it proves dead before anything was asked over it, a new one is made.

        Raises:
            DeviceSilentError: the end came, or the connection went, before anything was asked.
            DeviceDroppedError: the same, after something was asked.
            DeviceRefusedError: host key, log-in, algorithms or command; a note holds the advice.
            DeviceGarbledError: what answers is not an SSH server, or no prompt was as expected.
        """
        started_at = self._begin(within_s)
        end_at = started_at + within_s
        kept, self._kept = self._kept, None
        if kept is not None and kept.talk.is_usable:
            try:
                transcript = await self._go_on(kept, script, sent, end_at=end_at)
            except DriverError:
                if kept.talk.has_asked or asyncio.get_running_loop().time() >= end_at:
                    raise
                sent.clear()
            else:
                self._keep_on(kept, unless=may_end)
                return transcript
        talk = self._new_talk()
        try:
            transcript = await self._held(talk, script, sent, end_at=end_at)
        except TimeoutError:
            after_s = asyncio.get_running_loop().time() - started_at
            raise talk.timed_out(after_s=after_s) from None
        finally:
            self._leave(talk)
        self._unpinned = talk.skip
        return transcript

    async def prepare(self, *, within_s: float, sent: list[str]) -> str:
        """Log in ahead, and return the fingerprint that the device showed; see `Console`."""
        started_at = self._begin(within_s)
        if self._kept is not None and self._kept.talk.is_usable:
            return self._kept.renew(self._kept_s)
        loop = asyncio.get_running_loop()
        talk = self._new_talk()
        kept = None
        try:
            async with asyncio.timeout_at(started_at + within_s), _admitted():
                kept = _Kept(talk, sent, name=f"ssh {self._login.address}")
                async with asyncio.timeout(LOGIN_LIMIT_S):
                    await kept.ready()
            self._unpinned = talk.skip
            self._kept = kept
        except TimeoutError:
            raise talk.timed_out(after_s=loop.time() - started_at) from None
        finally:
            if self._kept is not kept or kept is None:
                self._leave(talk)
        kept.ended.add_done_callback(lambda _: self._leave(talk))
        return kept.renew(self._kept_s)

    async def close(self) -> None:
        """End every conversation under way; each ends as if the device had hung up."""
        self._kept = None
        for talk in tuple(self._talks):
            talk.abandon()

    def _begin(self, within_s: float) -> float:
        """Return the loop's time, unless there is nothing to log in with, or no time to."""
        if isinstance(self._key, DriverError):
            raise self._key.with_traceback(None)
        if within_s <= 0:
            raise DeviceSilentError("no time was left to connect")
        return asyncio.get_running_loop().time()

    def _new_talk(self) -> Talk:
        assert not isinstance(self._key, DriverError)
        if self._ending is not None:  # the device may hold one session only
            self._leave(self._ending)
            self._ending = None
        now = asyncio.get_running_loop().time
        talk = Talk(self._login, self._key, skip=self._unpinned, now=now)
        self._talks.add(talk)
        return talk

    def _leave(self, talk: Talk) -> None:
        talk.abandon()
        self._talks.discard(talk)

    async def _held(
        self, talk: Talk, script: Sequence[Step], sent: list[str], *, end_at: float
    ) -> Transcript:
        loop = asyncio.get_running_loop()
        async with asyncio.timeout_at(end_at) as limit, _admitted() as admission:
            limit.reschedule(min(end_at, loop.time() + LOGIN_LIMIT_S))

            def logged_in(_: str) -> None:
                admission.leave()
                with suppress(RuntimeError):  # already over
                    limit.reschedule(end_at)

            def hold() -> Transcript:
                return talk.hold(script, sent, _on_loop(loop, logged_in))

            return await in_own_thread(hold, name=f"ssh {self._login.address}")

    async def _go_on(
        self, kept: _Kept, script: Sequence[Step], sent: list[str], *, end_at: float
    ) -> Transcript:
        """Walk through *script* over a connection that was kept."""
        loop = asyncio.get_running_loop()
        started_at = loop.time()
        transcript: Transcript | None = None
        kept.take()
        try:
            async with asyncio.timeout_at(end_at):
                transcript = await kept.walk(script, sent)
        except TimeoutError:
            raise kept.talk.timed_out(after_s=loop.time() - started_at) from None
        finally:
            if transcript is None:
                self._leave(kept.talk)
        if transcript is None:  # it was let go of in the same moment
            raise DeviceSilentError(f"{self._login.address}: the kept connection was let go of")
        return transcript

    def _keep_on(self, kept: _Kept, *, unless: bool) -> None:
        """Keep a connection that served for what comes next, if it is worth that."""
        if unless:
            asyncio.get_running_loop().call_later(self._linger_s, self._leave, kept.talk)
            self._ending = kept.talk
        elif self._kept is not None or not kept.talk.is_usable:
            self._leave(kept.talk)
        else:
            self._kept = kept
            kept.renew(self._kept_s)


class _Kept:
    """A connection that waits, logged in, in a thread of its own.

    Attributes:
        talk: it.
        ended: done once it is; raises what ended it.
    """

    def __init__(self, talk: Talk, sent: list[str], *, name: str) -> None:
        """Begin to connect; to be called on the loop."""
        loop = asyncio.get_running_loop()
        self.talk = talk
        self._logged_in: asyncio.Future[str] = loop.create_future()
        self._expiry: asyncio.TimerHandle | None = None
        tell = _on_loop(loop, self._hear)
        self.ended = asyncio.create_task(in_own_thread(lambda: talk.keep(sent, tell), name=name))
        # Nobody may ever ask what became of it.
        self.ended.add_done_callback(lambda task: task.cancelled() or task.exception())

    async def ready(self) -> None:
        """Return when it is logged in; raise what prevents that."""
        either: set[asyncio.Future[Any]] = {self._logged_in, self.ended}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        if not self._logged_in.done():
            await asyncio.shield(self.ended)

    async def walk(self, script: Sequence[Step], sent: list[str]) -> Transcript | None:
        """Walk through *script*; None: it was let go of before that."""
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[Transcript] = loop.create_future()

        def hear(transcript: Transcript) -> None:
            if not answer.done():
                answer.set_result(transcript)

        self.talk.say(script, sent, _on_loop(loop, hear))
        either: set[asyncio.Future[Any]] = {answer, self.ended}
        await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
        if not answer.done():
            return await asyncio.shield(self.ended)
        return answer.result()

    def renew(self, kept_s: float) -> str:
        """Keep it for so many seconds from now; return the fingerprint of the device."""
        self.take()
        self._expiry = asyncio.get_running_loop().call_later(kept_s, self.talk.abandon)
        return self._logged_in.result()

    def take(self) -> None:
        """Keep it for as long as it is used."""
        if self._expiry is not None:
            self._expiry.cancel()

    def _hear(self, fingerprint: str) -> None:
        if not self._logged_in.done():
            self._logged_in.set_result(fingerprint)


def _on_loop(loop: asyncio.AbstractEventLoop, tell: Callable[[T], object]) -> Callable[[T], object]:
    """Return what calls *tell* on the loop, from a thread."""
    return lambda value: loop.call_soon_threadsafe(tell, value)


def _admitted() -> _Admission:
    loop = asyncio.get_running_loop()
    return _Admission(loop, _slots.setdefault(loop, asyncio.Semaphore(CONNECTING_AT_ONCE)))


class _Admission:
    """One of the slots for connecting, given back on leaving or before, but once."""

    def __init__(self, loop: asyncio.AbstractEventLoop, slot: asyncio.Semaphore) -> None:
        self._loop = loop
        self._slot = slot
        self._is_held = False

    async def __aenter__(self) -> _Admission:
        await self._slot.acquire()
        self._is_held = True
        self._loop.call_later(SLOT_LIMIT_S, self.leave)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.leave()

    def leave(self) -> None:
        """Give the slot back, unless that was done."""
        if self._is_held:
            self._is_held = False
            self._slot.release()
