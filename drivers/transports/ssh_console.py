"""The typed, async face of SSH: conversations under hard deadlines, not too many at once.

Each conversation has a daemon thread and a socket of its own. At the deadline the loop shuts the
socket, frees the slot, and leaves the thread to find its own end.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from weakref import WeakKeyDictionary

from drivers.errors import DeviceSilentError, DriverError
from drivers.transports.console import Login, Step, Transcript
from drivers.transports.ssh import Key, Talk, key_from
from drivers.transports.threads import in_own_thread

CONNECTING_AT_ONCE = 32
"""Log-ins under way at the same time; 64 were no faster to 200 hosts."""

SLOT_LIMIT_S = 1.0
"""How long one of them counts: what takes longer waits for its device, and is no work for us. So a
crowd of dead devices does not hold up the living."""

LOGIN_LIMIT_S = 30.0
"""From the first packet until logged in. Long, since in an outage a device whose name server is
down may first wait for the name of who calls."""

_slots: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Semaphore] = WeakKeyDictionary()


class SshConsole:
    """One device's console over SSH; every conversation is a connection of its own."""

    def __init__(self, login: Login) -> None:
        self._login = login
        self._key: Key | DriverError | None = None
        if login.key is not None:
            self._key = key_from(login.key, login.key_passphrase)
        self._unpinned: frozenset[str] = frozenset()
        self._talks: set[Talk] = set()

    async def converse(
        self, script: Sequence[Step], *, within_s: float, sent: list[str]
    ) -> Transcript:
        """Log in and walk through *script*, noting each line in *sent* as it goes out.

        A command that fails ends the script; so does the end of *within_s*, to the moment.

        Raises:
            DeviceSilentError: the end came, or the connection went, before anything was asked.
            DeviceDroppedError: the same, after something was asked.
            DeviceRefusedError: host key, log-in, algorithms or command; a note holds the advice.
            DeviceGarbledError: what answers is not an SSH server, or no prompt was as expected.
        """
        if isinstance(self._key, DriverError):
            raise self._key.with_traceback(None)
        if within_s <= 0:
            raise DeviceSilentError("no time was left to connect")
        now = asyncio.get_running_loop().time
        started_at = now()
        talk = Talk(self._login, self._key, script, sent, skip=self._unpinned, now=now)
        self._talks.add(talk)
        try:
            transcript = await self._held(talk, end_at=started_at + within_s)
        except TimeoutError:
            raise talk.timed_out(after_s=now() - started_at) from None
        finally:
            talk.abandon()
            self._talks.discard(talk)
        self._unpinned = talk.skip
        return transcript

    async def _held(self, talk: Talk, *, end_at: float) -> Transcript:
        loop = asyncio.get_running_loop()
        slot = _slots.setdefault(loop, asyncio.Semaphore(CONNECTING_AT_ONCE))
        async with asyncio.timeout_at(end_at) as limit, _Admission(slot) as admission:
            limit.reschedule(min(end_at, loop.time() + LOGIN_LIMIT_S))
            loop.call_later(SLOT_LIMIT_S, admission.leave)

            def logged_in() -> None:
                admission.leave()
                with suppress(RuntimeError):  # already over
                    limit.reschedule(end_at)

            def hold() -> Transcript:
                return talk.hold(lambda: loop.call_soon_threadsafe(logged_in))

            return await in_own_thread(hold, name=f"ssh {self._login.address}")

    async def close(self) -> None:
        """End every conversation under way; each ends as if the device had hung up."""
        for talk in tuple(self._talks):
            talk.abandon()


class _Admission:
    """One of the slots for connecting, given back on leaving or before, but once."""

    def __init__(self, slot: asyncio.Semaphore) -> None:
        self._slot = slot
        self._is_held = False

    async def __aenter__(self) -> _Admission:
        await self._slot.acquire()
        self._is_held = True
        return self

    async def __aexit__(self, *_: object) -> None:
        self.leave()

    def leave(self) -> None:
        """Give the slot back, unless that was done."""
        if self._is_held:
            self._is_held = False
            self._slot.release()
