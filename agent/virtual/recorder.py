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

from agent.virtual.machine import Files, Nature, Phase, RecordingMachine
from agent.virtual.web import Identity, WebFace

TOKEN_HEADER = "X-Session"
_TWO_FILES = Files()

_Answer = Callable[[Request], Awaitable[Response]]


@dataclass(frozen=True, slots=True)
class Account:
    """Who may log in."""

    user: str
    password: str = field(repr=False)


class VirtualRecorder(RecordingMachine):
    """A recorder that runs and records from the beginning."""

    def __init__(
        self,
        nature: Nature,
        account: Account,
        *,
        address: str,
        on_change: Callable[[], None],
        files: Files = _TWO_FILES,
    ) -> None:
        """Build it recording; `open` makes it listen at *address*, numeric, on any free port."""
        self.identity = Identity(name=nature.name, address=address)
        self._web = WebFace(self._application(), address=address, identity=self.identity)
        super().__init__(nature, self._web, files, on_change=on_change)
        self._account = account
        self._tokens: set[str] = set()

    @property
    def address(self) -> tuple[str, int]:
        """Where its interface is, over TLS, once open."""
        return self._web.address

    def _damage(self) -> str:
        """Nothing but open recordings can break: its system's own disk is never written."""
        return super()._damage() if self.open_files else ""

    def _hide(self) -> None:
        super()._hide()
        self._tokens.clear()

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
