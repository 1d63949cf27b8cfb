"""A stand-alone recorder with an HTTP interface of its own invention, and files that can break.

While it records, its files are open; closing them takes its time. Power that goes before they are
closed leaves them damaged, and no interface will say so until somebody looks.

| request                              | does                                                     |
| ------------------------------------ | -------------------------------------------------------- |
| POST /session {user, password}       | opens a session: {token}, which goes into X-Session      |
| DELETE /session                      | closes it                                                |
| GET /state                           | {state, recording, open_files, damaged}                  |
| POST /recording {recording}          | ends or begins recording; closing goes on after the reply |
| POST /power {power: "off"}           | closes the files, then powers off                        |
"""

from __future__ import annotations

import asyncio
import hmac
import json
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from agent.virtual.machine import Machine, Nature, Phase
from agent.virtual.web import Identity, WebFace

TOKEN_HEADER = "X-Session"

_Answer = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Account:
    """Who may log in."""

    user: str
    password: str = field(repr=False)


class VirtualRecorder(Machine):
    """A recorder that runs and records from the beginning."""

    def __init__(
        self,
        nature: Nature,
        account: Account,
        *,
        address: str,
        on_change: Callable[[], None],
        closing_s: float = 8.0,
        streams: int = 2,
    ) -> None:
        """Build it recording; `open` makes it listen.

        Args:
            nature: what it is.
            account: the one login that it has.
            address: numeric; the port is any free one.
            on_change: see Machine.
            closing_s: how long closing its files takes.
            streams: how many cameras it records, each into a file of its own.
        """
        self.identity = Identity(name=nature.name, address=address)
        self._web = WebFace(self._application(), address=address, identity=self.identity)
        super().__init__(nature, self._web, on_change=on_change)
        self._account = account
        self._closing_takes_s = closing_s
        self._streams = streams
        self._tokens: set[str] = set()
        self._closed: asyncio.TimerHandle | None = None
        self.recording = True
        self.open_files = streams
        self.damaged = False

    @property
    def address(self) -> tuple[str, int]:
        """Where its interface is, over TLS, once open."""
        return self._web.address

    def stop_recording(self) -> None:
        """Close the files, from now on, and record no more."""
        if not self.recording:
            return
        self.recording = False
        self._closed = self._loop.call_later(self._closing_takes_s, self._files_closed)

    def start_recording(self) -> None:
        """Open new files and record; what was still being closed is closed at once."""
        self._forget_closing()
        self.recording, self.open_files = True, self._streams

    def power_off(self) -> None:
        """Close the files, then power off."""
        if self.phase is Phase.RUNNING:
            self.stop_recording()
        super().power_off()

    def close(self) -> None:
        """Let go of every timer and socket; safe to call twice."""
        self._forget_closing()
        super().close()

    def power_goes(self) -> None:
        """Lose power; files that are open are damaged."""
        if self.powered and self.open_files:
            self.damaged = True
        super().power_goes()
        self._forget_closing()
        self.recording, self.open_files = False, 0

    def _closing_s(self) -> float:
        return 0.0 if self._closed is None else max(0.0, self._closed.when() - self._loop.time())

    def _damage(self) -> str:
        if not self.open_files:
            return ""
        return f"its power went with {self.open_files} recordings open"

    def _files_closed(self) -> None:
        self._closed, self.open_files = None, 0
        if self.fate.quiesced_at is None:
            self.fate.quiesced_at = self._loop.time()

    def _forget_closing(self) -> None:
        if self._closed is not None:
            self._closed.cancel()
            self._closed = None

    def _hide(self) -> None:
        super()._hide()
        self._tokens.clear()

    def _is_on(self) -> None:
        super()._is_on()
        self.start_recording()

    # Its interface.

    def _application(self) -> Starlette:
        return Starlette(
            routes=[
                Route("/", self._welcome),
                Route("/session", self._log_in, methods=["POST"]),
                Route("/session", self._guarded(self._log_out), methods=["DELETE"]),
                Route("/state", self._guarded(self._tell_state)),
                Route("/recording", self._guarded(self._set_recording), methods=["POST"]),
                Route("/power", self._guarded(self._set_power), methods=["POST"]),
            ]
        )

    def _guarded(self, answer: _Answer) -> _Answer:
        async def guarded(request: Request) -> Response:
            if request.headers.get(TOKEN_HEADER) not in self._tokens:
                return _refusal("no such session; log in first", status=401)
            return await answer(request)

        return guarded

    async def _welcome(self, _: Request) -> Response:
        return HTMLResponse(f"<!doctype html><title>{self.nature.name}</title><h1>Recorder</h1>")

    async def _log_in(self, request: Request) -> Response:
        asked = await _json(request)
        user, password = str(asked.get("user")), str(asked.get("password"))
        is_user = hmac.compare_digest(user.encode(), self._account.user.encode())
        is_password = hmac.compare_digest(password.encode(), self._account.password.encode())
        if not (is_user and is_password):
            return _refusal("user or password is wrong", status=401)
        token = secrets.token_urlsafe(18)
        self._tokens.add(token)
        return JSONResponse({"token": token})

    async def _log_out(self, request: Request) -> Response:
        self._tokens.discard(request.headers[TOKEN_HEADER])
        return Response(status_code=204)

    async def _tell_state(self, _: Request) -> Response:
        return JSONResponse(
            {
                "state": self.phase.value,
                "recording": self.recording,
                "open_files": self.open_files,
                "damaged": self.damaged,
            }
        )

    async def _set_recording(self, request: Request) -> Response:
        match (await _json(request)).get("recording"):
            case False:
                self.stop_recording()
            case True if self.phase is Phase.RUNNING:
                self.start_recording()
            case True:
                return _refusal("it is powering off", status=409)
            case _:
                return _refusal("recording is true or false", status=422)
        return JSONResponse({"recording": self.recording}, status_code=202)

    async def _set_power(self, request: Request) -> Response:
        if (await _json(request)).get("power") != "off":
            return _refusal('power can only be set to "off"', status=422)
        self.power_off()
        return JSONResponse({"state": self.phase.value}, status_code=202)


async def _json(request: Request) -> dict[str, Any]:
    """Return the body's object, or an empty one: whatever is missing is refused in its place."""
    try:
        found = await request.json()
    except (json.JSONDecodeError, UnicodeDecodeError):
        return {}
    return found if isinstance(found, dict) else {}


def _refusal(why: str, *, status: int) -> Response:
    return JSONResponse({"error": why}, status_code=status)
