"""What monitoring asks for: whether the agent is well, and the numbers."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from agent.grades.standings import standings
from agent.page.asked import document
from agent.page.door import Door
from agent.page.guard import visitor_of
from agent.page.metrics import Counts, Snapshot, text_of
from drivers.transports.threads import in_own_thread


def routes(door: Door, counts: Counts) -> list[Route]:
    """Return the addresses that monitoring asks at."""

    async def health(request: Request) -> Response:
        found = door.health()
        told = document(found.is_well)
        if visitor_of(request).may_read:  # to everybody else whether, not why
            told["stuck"] = list(found.stuck)
            told["failing"] = list(found.failing)
            told["noted"] = list(found.noted)
        return JSONResponse(told, 200 if found.is_well else 503)

    async def metrics(request: Request) -> Response:
        taken = snapshot(door, counts)
        accept = request.headers.get("accept", "")
        # In a thread: of a site with a thousand devices it is ten thousand lines.
        text, media_type = await in_own_thread(lambda: text_of(taken, accept), name="numbers")
        return Response(text, headers={"content-type": media_type})

    return [Route("/health", health), Route("/metrics", metrics)]


def snapshot(door: Door, counts: Counts) -> Snapshot:
    """Return the agent as it is at this moment."""
    engine = door.engine
    return Snapshot(
        site=engine.site,
        state=engine.state,
        decision=engine.decision,
        standings=standings(door.loaded, engine.state, door.today()),
        health=door.health(),
        journal_healthy=door.is_journal_healthy(),
        dry_run=door.dry_run,
        version=door.version,
        now=door.clock.monotonic(),
        utc=door.clock.utc(),
        polls=dict(counts.polls),
        endings=dict(counts.endings),
        events=dict(counts.events),
    )
