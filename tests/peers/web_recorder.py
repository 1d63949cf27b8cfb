"""A recorder with a web interface on loopback: sessions by JSON or XML login, served by uvicorn."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from xml.etree import ElementTree

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

USER = "watch"
PASSWORD = 'hawser "7" & {token}'
"""With all that a careless substitution would trip over: quotes, an ampersand, a placeholder."""

TOKEN = "T0k3n-of-the-evening"


@dataclass(slots=True)
class WebRecorder:
    """The recorder.

    Attributes:
        state: "recording", then "stopping" when told to stop.
        busy: how many of the next stops are answered with 503, and `wish` with Retry-After.
        arrived: "METHOD path" of each request, and the loop's time at its arrival.
        open_sessions: logins that nobody has logged out of.
    """

    state: str = "recording"
    busy: int = 0
    wish: str = "1"
    arrived: list[tuple[str, float]] = field(default_factory=list)
    stops: list[dict[str, object]] = field(default_factory=list)
    open_sessions: int = 0
    port: int = 0
    news: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def paths(self) -> list[str]:
        """What arrived, without the times."""
        return [what for what, _ in self.arrived]

    async def heard(self, what: str, *, times: int = 1) -> None:
        """Return once "METHOD path" has arrived that many times; at most 10 s."""
        async with asyncio.timeout(10):
            while self.paths.count(what) < times:
                self.news.clear()
                await self.news.wait()

    def application(self) -> Starlette:
        """Return it as an ASGI application."""
        routes = [
            Route("/login", self._login, methods=["POST"]),
            Route("/login.xml", self._login_xml, methods=["POST"]),
            Route("/api/stop", self._stop, methods=["POST"]),
            Route("/api/state", self._tell, methods=["GET"]),
            Route("/api/state.xml", self._tell_xml, methods=["GET"]),
            Route("/logout", self._logout, methods=["POST", "DELETE"]),
        ]
        return Starlette(routes=routes)

    def _note(self, request: Request) -> None:
        self.arrived.append((f"{request.method} {request.url.path}", time.monotonic()))
        self.news.set()

    async def _login(self, request: Request) -> Response:
        self._note(request)
        given = await request.json()
        if given != {"user": USER, "password": PASSWORD}:
            return JSONResponse({"error": f"no login for {given}"}, status_code=401)
        self.open_sessions += 1
        return JSONResponse({"data": {"token": TOKEN}}, headers={"X-Auth-Token": TOKEN})

    async def _login_xml(self, request: Request) -> Response:
        self._note(request)
        given = ElementTree.fromstring(await request.body())
        if (given.findtext("name"), given.findtext("secret")) != (USER, PASSWORD):
            return Response("<reply><status>wrong</status></reply>", media_type="application/xml")
        self.open_sessions += 1
        body = (
            f'<r:reply xmlns:r="urn:yard"><r:status>ok</r:status><r:key>{TOKEN}</r:key></r:reply>'
        )
        return Response(body, media_type="application/xml")

    def _is_known(self, request: Request) -> bool:
        given = (request.headers.get("authorization"), request.headers.get("x-auth-token"))
        return self.open_sessions > 0 and given in ((f"Bearer {TOKEN}", None), (None, TOKEN))

    async def _stop(self, request: Request) -> Response:
        self._note(request)
        if not self._is_known(request):
            return JSONResponse({"error": "log in"}, status_code=403)
        if self.busy > 0:
            self.busy -= 1
            return Response("busy", status_code=503, headers={"Retry-After": self.wish})
        self.stops.append(json.loads(await request.body()))
        self.state = "stopping"
        return JSONResponse({"state": self.state})

    async def _tell(self, request: Request) -> Response:
        self._note(request)
        if not self._is_known(request):
            return JSONResponse({"error": "log in"}, status_code=403)
        return JSONResponse({"state": self.state, "disks": [{"busy": False, "free": 12.5}]})

    async def _tell_xml(self, request: Request) -> Response:
        self._note(request)
        body = f'<s xmlns="urn:yard"><power><state> {self.state} </state></power></s>'
        return Response(body, media_type="text/xml")

    async def _logout(self, request: Request) -> Response:
        self._note(request)
        if not self._is_known(request):
            return Response(status_code=403)
        self.open_sessions -= 1
        return Response(status_code=204)


@asynccontextmanager
async def serving(recorder: WebRecorder) -> AsyncIterator[WebRecorder]:
    """Serve *recorder* on a free port of 127.0.0.1."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        recorder.port = listening.getsockname()[1]
        config = uvicorn.Config(recorder.application(), log_config=None, lifespan="off", ws="none")
        server = uvicorn.Server(config)
        task = asyncio.create_task(server.serve(sockets=[listening]))
        while not server.started:
            assert not task.done(), "the recorder did not come up"
            await asyncio.sleep(0.01)
        try:
            yield recorder
        finally:
            server.should_exit = True
            await task
