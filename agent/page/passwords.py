"""Passwords: argon2id, in a thread, one at a time, so that a flood of guesses starves nothing.

Parameters: OWASP's cheat sheet of password storage has m=19456 (19 MiB), t=2, p=1 for argon2id
(RFC 9106); more would be felt on a board with 1 GB.
"""

from __future__ import annotations

import asyncio
import ctypes
import unicodedata
from contextlib import suppress

from argon2 import PasswordHasher, Type, extract_parameters
from argon2.exceptions import InvalidHashError, VerificationError

from drivers.errors import LastwattError
from drivers.transports.threads import in_own_thread

MEMORY_KIB = 19456
TIME_COST = 2
PARALLELISM = 1

SHORTEST = 10
"""Characters; NIST SP 800-63B asks for 8 at least, and stopping a recorder for some more."""

LONGEST = 200
WAITING_MOST = 8
"""So many may wait for their password to be looked at; whoever comes then is told to come again."""

MEMORY_MOST_KIB = 4 * MEMORY_KIB
TIME_COST_MOST = 10

_M_MMAP_THRESHOLD = -3  # malloc.h

_HASHER = PasswordHasher(TIME_COST, MEMORY_KIB, PARALLELISM, type=Type.ID)

NOBODYS = _HASHER.hash("nobody's, so that an unknown name takes as long as a known one")


class PasswordError(LastwattError):
    """A password, or the hash of one, that cannot be used; another one helps."""


class BusyError(LastwattError):
    """Too many sign in at once; trying again helps."""


def hash_of(password: str) -> str:
    """Return what is kept of a password, as a PHC string; takes a core some 50 ms and 19 MiB.

    Raises:
        PasswordError: it is too short, or too long.
    """
    password = _normal(password)
    if not SHORTEST <= len(password) <= LONGEST:
        raise PasswordError(f"a password has {SHORTEST} to {LONGEST} characters")
    return _HASHER.hash(password)


def checked_hash(text: str) -> str:
    """Return the hash, made elsewhere, if it can be kept as it is.

    Raises:
        PasswordError: it is none of argon2id, or one that would cost this box too much.
    """
    try:
        found = extract_parameters(text)
    except InvalidHashError as error:
        raise PasswordError("this is no hash of argon2id, like $argon2id$v=19$m=…") from error
    if found.type is not Type.ID:
        raise PasswordError("this hash is not of argon2id")
    if found.memory_cost > MEMORY_MOST_KIB or found.time_cost > TIME_COST_MOST:
        raise PasswordError(
            f"this hash costs too much here: at most m={MEMORY_MOST_KIB}, t={TIME_COST_MOST}"
        )
    if found.memory_cost < MEMORY_KIB or found.time_cost < TIME_COST:
        raise PasswordError(
            f"this hash is made too cheaply: at least m={MEMORY_KIB}, t={TIME_COST}"
        )
    return text


class Verifier:
    """Holds passwords against their hashes, one at a time."""

    def __init__(self) -> None:
        _give_memory_back()
        self._turn = asyncio.Semaphore(1)
        self._waiting = 0

    def see_room(self) -> None:
        """See that another one may wait.

        Raises:
            BusyError: too many wait already.
        """
        if self._waiting >= WAITING_MOST:
            raise BusyError("too many sign in at this moment; try again in a few seconds")

    async def is_right(self, hashed: str | None, password: str) -> bool:
        """Whether *password* is the one of *hashed*; None takes as long, and is never.

        Raises:
            BusyError: too many wait already.
        """
        self.see_room()
        self._waiting += 1
        try:
            async with self._turn:
                # Shielded: whoever goes away meanwhile must not let the next one's work begin.
                work = asyncio.ensure_future(
                    in_own_thread(lambda: _is_right(hashed, password), name="password")
                )
                try:
                    return await asyncio.shield(work)
                except asyncio.CancelledError:
                    await asyncio.wait({work})
                    raise
        finally:
            self._waiting -= 1


def _is_right(hashed: str | None, password: str) -> bool:
    try:
        is_same = _HASHER.verify(NOBODYS if hashed is None else hashed, _normal(password)[:LONGEST])
    except (VerificationError, InvalidHashError):
        return False
    return is_same and hashed is not None


def _give_memory_back() -> None:
    """Have the memory of each hash go back to the system when it is done.

    glibc takes freed blocks of that size as a sign that more such will be wanted, and then keeps
    them, one lot for each thread that ever hashed; a fixed threshold ends that. See mallopt(3).
    """
    with suppress(AttributeError, OSError):  # another C library, which keeps nothing
        ctypes.CDLL(None).mallopt(_M_MMAP_THRESHOLD, 4 * 2**20)


def _normal(password: str) -> str:
    """Return it as RFC 8265 has it (OpaqueString): one form of what looks the same."""
    return unicodedata.normalize("NFC", password)
