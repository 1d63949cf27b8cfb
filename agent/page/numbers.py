"""What monitoring asks for: whether the agent is well."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from agent.page.asked import document
from agent.page.door import Door
from agent.page.guard import visitor_of


def routes(door: Door) -> list[Route]:
    """Return the addresses that monitoring asks at."""

    async def health(request: Request) -> Response:
        found = door.health()
        told = document(found.is_well)
        if visitor_of(request).may_read:  # to everybody else whether, not why
            told["stuck"] = list(found.stuck)
            told["failing"] = list(found.failing)
            told["noted"] = list(found.noted)
        return JSONResponse(told, 200 if found.is_well else 503)

    return [Route("/health", health)]
