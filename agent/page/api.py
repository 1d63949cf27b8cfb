"""The HTTP interface: the documents of the commands, for programs; described in `openapi.yaml`."""

from __future__ import annotations

import math
from importlib.resources import files
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from agent.journal.view import as_json, leaf, sentence_of
from agent.page import actions
from agent.page.access import Access
from agent.page.actions import answered
from agent.page.asked import document
from agent.page.door import Door
from agent.page.problem import Problem
from agent.page.stream import Stream
from drivers.errors import LastwattError
from drivers.transports.threads import in_own_thread
from policies.plan import Plan

PREFIX = "/api/v1"
ENTRIES = 100
ENTRIES_MOST = 500
_ID_MOST = 2**53


def routes(door: Door, access: Access) -> list[Route]:
    """Return the addresses of the HTTP interface."""
    api = _Api(door)
    read = {
        "/status": api.status,
        "/units": api.units,
        "/units/{name:path}": api.unit,
        "/devices": api.devices,
        "/devices/{name:path}": api.device,
        "/plan": api.plan,
        "/journal": api.journal,
        "/events": api.events,
        "/jobs/{job}": api.job,
        "/drills/{job}": api.drill,
        "/rehearsals/latest": api.rehearsal,
        "/openapi.yaml": api.description,
    }
    return [
        *(Route(PREFIX + path, serve) for path, serve in read.items()),
        *actions.routes(access, door.asks, under=PREFIX),
    ]


class _Api:
    def __init__(self, door: Door) -> None:
        self._door = door
        self._stream = Stream(door.feed)
        self._description = (files("agent.page") / "openapi.yaml").read_bytes()

    async def status(self, request: Request) -> Response:
        return JSONResponse(document(**self._door.status()))

    async def units(self, request: Request) -> Response:
        return JSONResponse(document(units=self._door.status()["units"]))

    async def unit(self, request: Request) -> Response:
        return JSONResponse(document(unit=self._one("units", request)))

    async def devices(self, request: Request) -> Response:
        return JSONResponse(document(devices=self._door.status()["devices"]))

    async def device(self, request: Request) -> Response:
        return JSONResponse(document(device=self._one("devices", request)))

    def _one(self, kind: str, request: Request) -> dict[str, Any]:
        name = request.path_params["name"]
        for one in self._door.status()[kind]:
            if one["name"] == name:
                found: dict[str, Any] = one
                return found
        raise Problem(404, f"the site's file lists none of that name under {kind}")

    async def plan(self, request: Request) -> Response:
        plan, now = self._door.plan(), self._door.clock.monotonic()
        return JSONResponse(document(plan=None if plan is None else plan_fields(plan, now)))

    async def journal(self, request: Request) -> Response:
        wanted = request.query_params
        before, after = _whole(wanted.get("before"), "before"), _whole(wanted.get("after"), "after")
        count = _whole(wanted.get("limit"), "limit", most=ENTRIES_MOST)
        if not set(wanted) <= {"before", "after", "limit"}:
            raise Problem(422, "before, after and limit are known here")
        folder, zone = self._door.folder, self._door.zone

        def read() -> list[dict[str, Any]]:
            rows = leaf(folder, before_id=before, after_id=after, count=count or ENTRIES)
            return [{**as_json(row), "sentence": sentence_of(row, zone)} for row in rows]

        try:
            events = await in_own_thread(read, name="journal leaf")
        except LastwattError as error:
            raise Problem(503, str(error)) from error
        return JSONResponse(document(events=events))

    async def events(self, request: Request) -> Response:
        return self._stream.answer(request)

    async def job(self, request: Request) -> Response:
        return await self._progress("job", {"job": request.path_params["job"]})

    async def drill(self, request: Request) -> Response:
        return await self._progress("drilled", {"job": request.path_params["job"]})

    async def rehearsal(self, request: Request) -> Response:
        return await self._progress("rehearsed", {})

    async def _progress(self, ask: str, wanted: dict[str, Any]) -> Response:
        try:
            found = await answered(self._door.asks, ask, {"ask": ask, **wanted})
        except Problem as problem:
            # Of an earlier run, or of none: there is nothing at this address.
            code = 404 if problem.status_code == 409 else problem.status_code
            raise Problem(code, problem.detail) from problem
        return JSONResponse(document(**found))

    async def description(self, request: Request) -> Response:
        return Response(self._description, media_type="application/yaml")


def plan_fields(plan: Plan, now: float) -> dict[str, Any]:
    """Return a plan as JSON has it: spans in s from now on, None = not at all."""
    return {
        "age_s": round(now - plan.made_at, 1),
        "horizon_s": plan.horizon_s,
        "units": [
            {
                "name": course.unit,
                "lower_s": _span(course.lower_s),
                "median_s": _span(course.median_s),
                "dark_s": _span(course.dark_s),
                "stops_end_s": _span(course.stops_end_s),
            }
            for course in plan.units.values()
        ],
        "devices": [
            {
                "name": stop.device,
                "why": stop.why.value,
                "sake": stop.sake,
                "on_for_s": _span(stop.on_until_at - now),
                "at_rest_s": _span(stop.at_rest_at - now),
                "latest_s": _span(stop.latest_at - now),
                "is_held": stop.is_held,
                "is_in_time": stop.is_in_time,
            }
            for stop in plan.stops.values()
        ],
    }


def _span(seconds: float) -> float | None:
    return round(seconds, 1) if math.isfinite(seconds) else None


def _whole(text: str | None, name: str, *, most: int = _ID_MOST) -> int | None:
    """Return a whole number of the query, at least 1.

    Raises:
        Problem: it is none.
    """
    if text is None:
        return None
    if not (text.isascii() and text.isdecimal() and len(text) <= 16 and 1 <= int(text) <= most):
        raise Problem(422, f"{name} is a whole number from 1 to {most}")
    return int(text)
