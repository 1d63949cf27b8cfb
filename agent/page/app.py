"""Every address that the page answers at, and what stands before all of them."""

from __future__ import annotations

import asyncio

import structlog
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from agent.page import api, entrance, numbers
from agent.page.access import Access
from agent.page.bounds import Bounds
from agent.page.door import Door
from agent.page.filed import Filed
from agent.page.guard import Guard
from agent.page.headers import Headers
from agent.page.metrics import Counts
from agent.page.problem import on_problem
from agent.page.rendering import environment
from agent.page.static import PLACE
from agent.page.view import Front
from agent.page.view_acts import Acts

log = structlog.get_logger()

ZIP_FROM_BYTES = 600


def app_of(door: Door, front: Front, access: Access, counts: Counts) -> ASGIApp:
    """Return the application that serves the agent behind *door*.

    Args:
        door: the agent.
        front: the page for people.
        access: knows who may come in.
        counts: what happened in this run, for monitoring.
    """
    templates = environment(front.static)
    site = door.engine.site.name
    filed = Filed(door.folder, front.frame, site=site, zone=door.loaded.time_zone)
    app = Starlette(
        routes=[
            *front.routes,
            *filed.routes,
            *Acts(door, access, front.frame).routes,
            *entrance.routes(access, templates, site=site),
            *numbers.routes(door, counts),
            *api.routes(door, access),
            Route(PLACE + "{name:path}", front.static.serve),
        ],
        middleware=[Middleware(GZipMiddleware, minimum_size=ZIP_FROM_BYTES, compresslevel=5)],
        exception_handlers={HTTPException: on_problem},
    )
    settings = door.loaded.page
    guarded = Guard(app, access, names=() if settings is None else settings.names)
    return _Last(Headers(Bounds(guarded), utc=door.clock.utc))


class _Last:
    """The outermost: a fault of the page's own is logged once, and stays there."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            await self._app(scope, receive, send)
        except asyncio.CancelledError:  # by the server, which ends; its connections are gone
            return
        except Exception:  # one of the outermost loops; whoever asked was told 500 already
            log.exception("failed_page", path=scope.get("path"))
