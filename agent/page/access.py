"""Who is asking, and what that one may do: sign-in, sessions, tokens, confirmation.

Whoever reaches a page on loopback may look; elsewhere one signs in first. Whatever changes anything
needs a person with the right to act, who gave the password again a short time ago.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable
from dataclasses import dataclass

import structlog
from starlette.requests import HTTPConnection

from agent.config import PageSettings
from agent.page.attempts import Attempts
from agent.page.passwords import BusyError, Verifier
from agent.page.people import People, PeopleError, PeopleFile, Person, Rights
from agent.page.problem import Problem
from agent.page.sessions import Session, Sessions

log = structlog.get_logger()

PLAIN_COOKIE = "lastwatt"
SEALED_COOKIE = "__Host-lastwatt"
"""The prefix has a browser take it only over TLS, and from this very host (RFC 6265bis)."""

CSRF_HEADER = "x-csrf-token"
MANY_WRONG = 20
"""So many wrong passwords within an hour are worth a notice."""

_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Visitor:
    """Whoever made a request.

    Attributes:
        address: IP address.
        may_read: may look at the site.
        person: who is signed in, or None.
        session: of that person.
        token: name of the token that a program showed, or ""; token_sum: what is kept of it.
    """

    address: str
    may_read: bool
    person: Person | None = None
    session: Session | None = None
    token: str = ""
    token_sum: str = ""

    @property
    def may_act(self) -> bool:
        """Whether the right to change anything is there; the confirmation comes on top."""
        return self.person is not None and self.person.rights is Rights.ACT


class Access:
    """Knows who is signed in."""

    def __init__(
        self,
        settings: PageSettings,
        people: PeopleFile,
        *,
        now: Callable[[], float],
        say: Callable[[str, str, str], None],
    ) -> None:
        """Prepare.

        Args:
            settings: of the page.
            people: who may sign in.
            now: real monotonic time, in s: people do not hurry when a site's time does.
            say: has a notice told: severity, about, text.
        """
        self._settings = settings
        self._people = people
        self._now = now
        self._say = say
        self._verifier = Verifier()
        self._attempts = Attempts(now=now)
        self._wrong_since = now()
        self._wrong = 0
        self.sessions = Sessions(now=now)

    @property
    def cookie(self) -> str:
        """The name of the session's cookie."""
        return SEALED_COOKIE if self._settings.has_tls else PLAIN_COOKIE

    def cookie_header(self, secret: str) -> str:
        """Return the Set-Cookie that holds a session; of "", one that takes it away."""
        parts = [f"{self.cookie}={secret}", "Path=/", "HttpOnly", "SameSite=Strict"]
        if not secret:
            parts.append("Max-Age=0")
        if self._settings.has_tls:
            parts.append("Secure")
        return "; ".join(parts)

    def people(self) -> People:
        """Return who may sign in; nobody where the file cannot be read, which is logged."""
        try:
            return self._people.now()
        except PeopleError as error:
            log.error("failed_people", why=str(error))
            return People()

    # Recognising

    def visitor(self, connection: HTTPConnection) -> Visitor:
        """Return who made this request.

        A token counts alone: whatever cookie comes with it is not looked at.

        Raises:
            Problem: it shows a token that is none.
        """
        address = connection.client.host if connection.client else ""
        shown = connection.headers.get("authorization")
        if shown is not None:
            return self._program(address, shown)
        session = self._session(connection)
        person = None if session is None else self.people().person(session.name)
        may_read = self._settings.open_reading or person is not None
        return Visitor(address, may_read, person, session if person is not None else None)

    def _program(self, address: str, shown: str) -> Visitor:
        scheme, _, secret = shown.partition(" ")
        token = None
        if scheme.lower() == "bearer":
            token = self.people().token_of(secret.strip())
        if token is None:
            raise Problem(
                401,
                "this token is not known here; `lastwatt people token NAME` makes one",
                headers={"www-authenticate": 'Bearer error="invalid_token"'},
            )
        return Visitor(address, may_read=True, token=token.name, token_sum=token.sha256)

    def _session(self, connection: HTTPConnection) -> Session | None:
        secret = connection.cookies.get(self.cookie)
        session = None if secret is None else self.sessions.find(secret)
        if session is None or not self.is_current(session):
            return None
        self.sessions.use(session)
        return session

    def is_current(self, session: Session) -> bool:
        """Whether a session goes on: not over, not ended, its person still there as before."""
        if not self.sessions.is_held(session):
            return False
        person = self.people().person(session.name)
        if person is None or not hmac.compare_digest(person.password, session.password):
            self.sessions.end(session)
            return False
        return True

    def may_go_on(self, visitor: Visitor) -> bool:
        """Whether a visitor whose answer takes long may still have it; it counts as use."""
        if visitor.token:
            return any(token.sha256 == visitor.token_sum for token in self.people().tokens)
        if visitor.session is None:
            return visitor.may_read
        if not self.is_current(visitor.session):
            return False
        self.sessions.use(visitor.session)
        return True

    # Signing in

    async def sign_in(
        self, name: str, password: str, *, address: str, before: Session | None
    ) -> tuple[Session, str]:
        """Return a new session of this person, and its secret name; the one before it ends.

        Raises:
            Problem: name or password is wrong (which of them is not said), or it is too soon.
        """
        person = await self._checked(name, password, address)
        if before is not None:
            self.sessions.end(before)
        log.info("signed_in", who=person.name, address=address)
        return self.sessions.begin(person.name, password=person.password, address=address)

    async def confirm(self, session: Session, password: str, *, address: str) -> None:
        """Note that the person of a session gave the password again.

        Raises:
            Problem: it is wrong, or it is too soon.
        """
        await self._checked(session.name, password, address)
        if not self.is_current(session):
            raise Problem(401, "you are signed out; sign in again")
        self.sessions.confirm(session)

    def sign_out(self, session: Session) -> None:
        """End a session."""
        self.sessions.end(session)
        log.info("signed_out", who=session.name)

    async def _checked(self, name: str, password: str, address: str) -> Person:
        pause_s = self._attempts.pause_s(address=address, name=name)
        if pause_s > 0.0:
            whole_s = int(pause_s) + 1
            raise Problem(
                429,
                f"too many wrong passwords; try again in {whole_s} s",
                headers={"retry-after": str(whole_s)},
            )
        try:
            self._verifier.see_room()  # what is not looked at is no wrong try
        except BusyError as error:
            raise Problem(503, str(error), headers={"retry-after": "3"}) from error
        self._attempts.begin(address=address, name=name)
        person = self.people().person(name)
        is_right = await self._verifier.is_right(
            None if person is None else person.password, password
        )
        if person is None or not is_right:
            self._tell_wrong(address)
            raise Problem(401, "name or password is wrong")
        self._attempts.succeed(address=address, name=name)
        return person

    def _tell_wrong(self, address: str) -> None:
        # Not the name: people type their password there.
        log.warning("refused_sign_in", address=address)
        now = self._now()
        if now - self._wrong_since > _HOUR_S:
            self._wrong_since, self._wrong = now, 0
        self._wrong += 1
        if self._wrong == MANY_WRONG:
            text = (
                f"{MANY_WRONG} wrong passwords were tried at the page within an hour, the last one "
                f"from {address}: see who does that"
            )
            self._say("warning", "page", text)

    # Changing

    def see_own(self, visitor: Visitor, csrf: str) -> Session:
        """Return the session of a request that changes something, which its own page made.

        Raises:
            Problem: nobody is signed in, or it does not carry the session's token.
        """
        if visitor.token:
            raise Problem(403, "a token may read, and nothing else; sign in for that")
        if visitor.session is None:
            raise Problem(401, "sign in for that")
        if not hmac.compare_digest(visitor.session.csrf.encode(), csrf.encode()):
            raise Problem(403, f"the header {CSRF_HEADER} does not carry what this session has")
        return visitor.session

    def confirmed_for_s(self, session: Session) -> float:
        """Return for how long a session may change things yet, without the password, in s."""
        return session.confirmed_for_s(self._now())

    def see_right(self, visitor: Visitor) -> None:
        """See that somebody may act.

        Raises:
            Problem: not so.
        """
        if not visitor.may_act:
            raise Problem(403, "you may look, and not change anything; ask for the right to act")

    def see_confirmed(self, session: Session) -> None:
        """See that the password was given a short time ago.

        Raises:
            Problem: 403 with `confirm` true, it is due again.
        """
        if self.confirmed_for_s(session) <= 0.0:
            raise Problem(403, "give your password again for that", fields={"confirm": True})
