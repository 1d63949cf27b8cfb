"""Every address that the page answers at, and what stands before all of them."""

from __future__ import annotations

import structlog
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from agent.page.door import Door
from agent.page.headers import Headers
from agent.page.static import PLACE
from agent.page.view import Front

log = structlog.get_logger()

ZIP_FROM_BYTES = 600


def app_of(door: Door, front: Front) -> ASGIApp:
    """Return the application that serves the agent behind *door*, with *front* for people."""
    app = Starlette(
        routes=[
            *front.routes,
            Route(PLACE + "{name:path}", front.static.serve),
        ],
        middleware=[Middleware(GZipMiddleware, minimum_size=ZIP_FROM_BYTES, compresslevel=5)],
    )
    return _Last(Headers(app, utc=door.clock.utc))


class _Last:
    """The outermost: a fault of the page's own is logged once, and stays there."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await self._app(scope, receive, send)
        except Exception:  # one of the outermost loops; whoever asked was told 500 already
            log.exception("failed_page", path=scope.get("path"))
