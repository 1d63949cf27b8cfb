"""Who is signed in at the moment; kept in memory, so that a new start signs everybody out.

Source: OWASP's cheat sheet of session management. The browser holds a random name of its session,
and the agent only a sum of that.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Callable
from dataclasses import dataclass

IDLE_S = 30 * 60.0
"""A session that is not used for so long is over; an open page uses it."""

LASTS_S = 12 * 3600.0
"""Longest that a session lasts, used or not."""

CONFIRMED_S = 120.0
"""For so long after the password was given again, changes may be asked for."""

SESSIONS_MOST = 200
SESSIONS_OF_ONE = 10


@dataclass(slots=True)
class Session:
    """One person signed in at one browser.

    Attributes:
        name: the person's.
        password: the hash that was right at the sign-in; another one ends the session.
        csrf: what a change has to carry along, and a foreign page cannot know.
        began_at, used_at, confirmed_at: site time, s.
        address: where it was begun.
    """

    name: str
    password: str
    csrf: str
    began_at: float
    used_at: float
    confirmed_at: float
    address: str

    def ends_in_s(self, now: float) -> float:
        """Return how long it lasts yet, if it is not used; zero or less: it is over."""
        return min(self.used_at + IDLE_S, self.began_at + LASTS_S) - now

    def confirmed_for_s(self, now: float) -> float:
        """Return for how long changes may be asked for yet; zero: the password is due first."""
        return max(0.0, self.confirmed_at + CONFIRMED_S - now)


class Sessions:
    """All of them, by the sum of their secret names."""

    def __init__(self, *, now: Callable[[], float]) -> None:
        """Take the clock, site time in s."""
        self._now = now
        self._held: dict[str, Session] = {}

    def begin(self, name: str, *, password: str, address: str) -> tuple[Session, str]:
        """Return a new session, always of a new name, and that name for the browser.

        A sign-in is a confirmation too. Where there are too many, the longest unused gives way.
        """
        now = self._now()
        self._drop_over()
        own = [key for key, held in self._held.items() if held.name == name]
        while len(own) >= SESSIONS_OF_ONE:
            oldest = min(own, key=lambda key: self._held[key].used_at)
            own.remove(oldest)
            del self._held[oldest]
        while len(self._held) >= SESSIONS_MOST:
            del self._held[min(self._held, key=lambda key: self._held[key].used_at)]
        secret = secrets.token_urlsafe(32)
        session = Session(name, password, secrets.token_urlsafe(32), now, now, now, address)
        self._held[_sum(secret)] = session
        return session, secret

    def find(self, secret: str) -> Session | None:
        """Return the session of that name, if it is not over."""
        key = _sum(secret)
        session = self._held.get(key)
        if session is None:
            return None
        if session.ends_in_s(self._now()) <= 0.0:
            del self._held[key]
            return None
        return session

    def use(self, session: Session) -> None:
        """Have it last on."""
        session.used_at = self._now()

    def confirm(self, session: Session) -> None:
        """Note that its person gave the password again."""
        session.used_at = session.confirmed_at = self._now()

    def end(self, session: Session) -> None:
        """End it, on this side: whoever has its name has nothing any more."""
        self._held = {key: held for key, held in self._held.items() if held is not session}

    def is_held(self, session: Session) -> bool:
        """Whether it goes on."""
        is_known = any(held is session for held in self._held.values())
        return is_known and session.ends_in_s(self._now()) > 0.0

    def __len__(self) -> int:
        return len(self._held)

    def _drop_over(self) -> None:
        now = self._now()
        self._held = {key: s for key, s in self._held.items() if s.ends_in_s(now) > 0.0}


def _sum(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()
