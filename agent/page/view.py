"""The page that people open: how the site is, in words."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from agent import status
from agent.page.door import Door
from agent.page.static import Static


def routes(door: Door, static: Static) -> list[Route]:
    """Return the addresses that this module answers at."""
    templates = Environment(
        loader=PackageLoader("agent.page"), autoescape=True, undefined=StrictUndefined
    )
    templates.globals["static"] = static.url

    async def front(request: Request) -> Response:
        lines = list(status.lines(door.status()))
        page = templates.get_template("front.html").render(site=door.engine.site.name, lines=lines)
        return HTMLResponse(page)

    return [Route("/", front)]
