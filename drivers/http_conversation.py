"""One act's exchanges with a device: log in, ask or order, wait where it is busy, log out."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Awaitable, Callable
from dataclasses import replace

from drivers.base import Clock, Repeat, Verdict
from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.http_judge import Finding, judge, token_in
from drivers.http_render import TOKEN_MASK, Renderer, Session
from drivers.http_settings import Call, HttpAccess, Look, Order
from drivers.transports.http import CertificateError
from drivers.transports.http_messages import HttpReply, HttpTalk

LOGOUT_S = 2.0
"""Most that logging out may take; so much of an act's time is kept for it, at most an eighth."""

LOGOUT_WHEN_CANCELLED_S = 0.2  # a try: whoever cancels does not wait for devices
LOOK_S = 10.0  # one look of a series; a look that hangs must not cost the others
SHORTEST_PAUSE_S = 0.2
FIRST_PAUSE_S = 0.5
LONGEST_PAUSE_S = 5.0
LAST_TRY_S = 5.0  # what is left for the last try of a busy device
LAST_TRY_LEAST_S = 0.5

_GOOD = frozenset({Verdict.DONE, Verdict.ASSUMED})
_FINAL = _GOOD | {Verdict.REFUSED}


class Conversation:
    """The exchanges of one act.

    Attributes:
        reply: the last reply that came, None before.
        left_open: why the session could not be closed, or "".
    """

    def __init__(
        self,
        access: HttpAccess,
        talk: HttpTalk,
        renderer: Renderer,
        clock: Clock,
        *,
        deadline_at: float,
    ) -> None:
        self._login = access.login
        self._spacing_s = access.spacing
        self._answered_at = -math.inf
        self._talk = talk
        self._renderer = renderer
        self._clock = clock
        self._deadline_at = deadline_at
        owes_logout = access.login is not None and access.login.logout is not None
        left_s = max(0.0, deadline_at - clock.monotonic())
        self._logout_s = LOGOUT_S + access.spacing
        self._until_at = deadline_at - (min(self._logout_s, left_s / 8) if owes_logout else 0.0)
        self._session = Session()
        self.reply: HttpReply | None = None
        self.left_open = ""

    @property
    def sent(self) -> tuple[str, ...]:
        """Return what went out, a line each."""
        return self._talk.sent

    def scrub(self, text: str) -> str:
        """Return *text* without any secret of this conversation."""
        return self._renderer.scrub(text, self._session)

    async def within(self, work: Callable[[], Awaitable[Finding]]) -> Finding:
        """Return what *work* found, and log out whatever came of it."""
        try:
            return await work()
        except DriverError as error:
            return _found(error, was_ordered=False)
        except asyncio.CancelledError:
            self._deadline_at = self._clock.monotonic() + LOGOUT_WHEN_CANCELLED_S
            self._spacing_s = 0.0  # who cancels does not wait
            raise
        finally:
            await self._log_out()

    async def order(self, order: Order) -> Finding:
        """Send every request of *order*, one after the other, until one is not taken."""
        repeat = Repeat(order.repeat)
        finding = await self._log_in()
        texts: list[str] = []
        for call in order.requests():
            if finding.verdict not in _GOOD:
                break
            finding = await self._order_one(call, repeat)
            texts.append(finding.text)
        verdict = _halfway(finding.verdict, taken=len(texts) > 1, repeat=repeat)
        return replace(finding, verdict=verdict, text="; ".join(texts or [finding.text]))

    async def look(self, look: Look) -> Finding:
        """Ask once."""
        opened = await self._log_in()
        if opened.verdict not in _GOOD:
            return opened
        return _harmless(await self._exchange(look, if_not=Verdict.NOT_YET, most_s=LOOK_S))

    async def watch(self, look: Look, every_s: float) -> Finding:
        """Ask again and again until the answer is the one that is due, or time is up."""
        while True:
            try:
                finding = await self.look(look)
            except DriverError as error:
                finding = _found(error, was_ordered=False)
                self._session = Session()  # a device that went away has forgotten it
            pause_s = max(every_s, finding.again_after_s or 0.0, SHORTEST_PAUSE_S)
            if finding.verdict in _FINAL or self.left_s() <= pause_s:
                return finding
            await self._clock.sleep(pause_s)

    async def _order_one(self, call: Call, repeat: Repeat) -> Finding:
        try:
            return await self._patiently(
                lambda: self._exchange(call, if_not=Verdict.REFUSED),
                may_repeat=repeat is Repeat.SAFE,
            )
        except DriverError as error:
            return _found(error, was_ordered=True)

    async def _patiently(
        self, ask: Callable[[], Awaitable[Finding]], *, may_repeat: bool
    ) -> Finding:
        """Ask until the device is no longer busy: as it wishes, and once more before the end.

        The last try comes sooner than a device wishes that asks for more time than there is:
        nothing is lost by it, and the recorder might be.
        """
        pause_s = FIRST_PAUSE_S
        while True:
            finding = await ask()
            if finding.again_after_s is None or not (finding.is_untouched or may_repeat):
                return finding
            left_s = self.left_s()
            wish_s = max(finding.again_after_s, pause_s)
            is_last = wish_s >= left_s - LAST_TRY_LEAST_S
            if is_last:
                wish_s = left_s - min(LAST_TRY_S, left_s / 2)
            if left_s < LAST_TRY_LEAST_S:
                return finding
            await self._clock.sleep(wish_s)
            if is_last:
                return await ask()
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)

    async def _log_in(self) -> Finding:
        login, session = self._login, self._session
        if login is None or session.is_open:
            return Finding(Verdict.DONE, "")
        finding = await self._patiently(
            lambda: self._exchange(login, if_not=Verdict.REFUSED), may_repeat=True
        )
        finding = _harmless(finding)
        session.is_open = finding.verdict in _GOOD
        if not session.is_open or login.token is None:
            return finding
        session.token_cookie = login.token.cookie
        if finding.verdict is Verdict.ASSUMED:
            session.token = TOKEN_MASK
            if login.token.cookie:
                session.cookies[login.token.cookie] = TOKEN_MASK
            return finding
        assert self.reply is not None
        session.token = token_in(self.reply, login.token, session.cookies)
        if session.token is None:
            raise DeviceGarbledError(f"{finding.text}, but its reply holds no token")
        return finding

    async def _log_out(self) -> None:
        logout = self._login.logout if self._login else None
        if logout is None or not self._session.is_open:
            return
        self._session.is_open = False
        # Just told to stop, the device may be past answering: that must not keep its outcome.
        self._until_at = min(self._deadline_at, self._clock.monotonic() + self._logout_s)
        try:
            finding = await self._exchange(logout, if_not=Verdict.REFUSED)
        except DriverError as error:
            self.left_open = str(error)
        else:
            self.left_open = "" if finding.verdict in _GOOD else finding.text

    async def _exchange(self, call: Call, *, if_not: Verdict, most_s: float = math.inf) -> Finding:
        await self._keep_apart()
        request = self._renderer.request(call, self._session)
        left_s = self.left_s()
        if left_s <= 0:
            raise DeviceSilentError("no time was left to ask the device")
        try:
            self.reply = await self._talk.exchange(request, timeout_s=min(left_s, most_s))
        finally:
            self._answered_at = self._clock.monotonic()
        self._session.keep(self.reply.cookies)
        return judge(
            self.reply,
            call.expect,
            what=f"{call.method} {request.shown_path}",
            if_not=if_not,
            scrub=self.scrub,
            now_utc=self._clock.utc(),
        )

    async def _keep_apart(self) -> None:
        """Leave a slow device its pause since the last answer; never past the deadline."""
        wait_s = self._answered_at + self._spacing_s - self._clock.monotonic()
        if wait_s > 0.0:
            await self._clock.sleep(min(wait_s, max(0.0, self.left_s())))

    def left_s(self) -> float:
        """Return the seconds that are left for asking."""
        return self._until_at - self._clock.monotonic()


def _harmless(finding: Finding) -> Finding:
    """Return the finding of a request that changes nothing: there is nothing to be in doubt of."""
    is_doubt = finding.verdict is Verdict.UNCERTAIN
    return replace(finding, verdict=Verdict.NOT_YET) if is_doubt else finding


def _halfway(verdict: Verdict, *, taken: bool, repeat: Repeat) -> Verdict:
    """Return the verdict of an order, some of whose requests may have been taken before."""
    if verdict in _GOOD:
        return verdict
    if taken and (verdict is Verdict.NO_ANSWER or repeat is Repeat.NEVER):
        return Verdict.UNCERTAIN
    if verdict is Verdict.GARBLED and repeat is Repeat.NEVER:
        return Verdict.UNCERTAIN  # an answer that nobody can read may well be a yes
    return verdict


def _found(error: DriverError, *, was_ordered: bool) -> Finding:
    match error:
        case CertificateError():
            return Finding(
                Verdict.REFUSED,
                str(error),
                "compare the fingerprint at the device itself; if it is right, write it into "
                "[device.http]: tls = { fingerprint = … }",
            )
        case DeviceRefusedError():
            advice = "; ".join(getattr(error, "__notes__", ()))
            advice = advice or "check [device.http] of this device"
            return Finding(Verdict.REFUSED, str(error), advice)
        case DeviceGarbledError():
            advice = "check scheme, port and path in [device.http]"
            return Finding(Verdict.GARBLED, str(error), advice)
        case DeviceDroppedError() if was_ordered:
            return Finding(Verdict.UNCERTAIN, str(error))
    advice = "check that it is on, and scheme and port in [device.http]"
    return Finding(Verdict.NO_ANSWER, str(error), advice)
