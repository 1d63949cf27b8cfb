"""What people may change at the page, as forms that need no script.

Each shows first what would come of it; then it wants the password, unless that was given a short
time ago. It goes the way of every order by hand, under the name of whoever is signed in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import quote

import structlog
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from agent.by_hand.hands import SignedIn
from agent.page.access import Access, Visitor
from agent.page.actions import answered
from agent.page.asked import form_of
from agent.page.door import Door
from agent.page.guard import SIGN_IN, visitor_of
from agent.page.passwords import LONGEST
from agent.page.problem import Problem
from agent.page.sessions import Session
from agent.page.view_frame import Frame
from agent.page.view_silences import silenced_at
from policies.graph import may_be_stopped
from policies.reasons import duration_text
from policies.telling import ALWAYS_TOLD, Topic

log = structlog.get_logger()

PLACE = "/do/"
PACE = 60.0
_PAUSES_S = (900.0, 1800.0, 3600.0, 7200.0, 14400.0)
_SILENCES_S = (3600.0, 14400.0, 86400.0, 7 * 86400.0)


@dataclass(frozen=True, slots=True)
class Act:
    """One thing that may be done.

    Attributes:
        ask: of the control socket; always: what that always carries.
        does: what it means, for who is about to do it.
        towards: where one is led after it.
    """

    title: str
    button: str
    ask: str
    does: str
    towards: str = "/"
    always: Mapping[str, Any] = field(default_factory=dict)
    has_device: bool = False


ACTS: Mapping[str, Act] = {
    "pause": Act(
        "Pause automatic orders",
        "Pause",
        "pause",
        "While it is paused no automatic order is given: should mains fail meanwhile, nothing is "
        "brought to rest by itself.",
    ),
    "end-pause": Act(
        "End the pause",
        "End the pause",
        "pause",
        "From then on automatic orders are given again, if need be at once.",
        always={"end": True},
    ),
    "silence": Act(
        "Silence notices",
        "Silence",
        "silence",
        "For that long nobody is told of it; it stands in the journal all the same. That mains is "
        "lost, and what needs somebody at once, is always told.",
    ),
    "end-silence": Act(
        "End a silence",
        "End the silence",
        "silence",
        "From then on people are told of it again; what was not told meanwhile is not told later.",
        towards="/do/silence",
        always={"end": True},
    ),
    "stop": Act(
        "Stop a device",
        "Stop",
        "stop",
        "It is brought to rest in order, and stays so until somebody starts it.",
        has_device=True,
    ),
    "start": Act(
        "Start a device", "Start", "start", "It is started, and seen to run.", has_device=True
    ),
    "rehearse": Act(
        "Rehearse an outage",
        "Rehearse",
        "rehearse",
        "The site's own file is run through an outage in which nothing is sent. It can be watched "
        "as it goes, at sixty times the pace, and ends at once should mains fail in truth.",
        towards="/rehearsal",
        always={"pace": PACE},
    ),
    "end-rehearsal": Act(
        "End the rehearsal",
        "End the rehearsal",
        "rehearse",
        "What it has shown so far is not kept.",
        towards="/rehearsal",
        always={"end": True},
    ),
}


class Acts:
    """Serves the forms."""

    def __init__(self, door: Door, access: Access, frame: Frame) -> None:
        self._door, self._access, self._frame = door, access, frame

    @property
    def routes(self) -> list[Route]:
        """The addresses it answers at."""
        return [Route(PLACE + "{act}", self._serve, methods=["GET", "POST"])]

    async def _serve(self, request: Request) -> Response:
        name = request.path_params["act"]
        act = ACTS.get(name)
        if act is None or act.ask not in self._door.asks:
            raise Problem(404, "this agent does not do that")
        visitor = visitor_of(request)
        if visitor.session is None:
            if request.method == "POST":
                raise Problem(401, "sign in for that")
            query = f"?{request.url.query}" if request.url.query else ""
            return RedirectResponse(f"{SIGN_IN}?next={quote(PLACE + name + query, safe='/')}", 303)
        if request.method != "POST":
            given = {key: str(value) for key, value in request.query_params.items()}
            return await self._form(name, act, visitor, visitor.session, given)
        return await self._do(name, act, visitor, await form_of(request))

    async def _form(
        self,
        name: str,
        act: Act,
        visitor: Visitor,
        session: Session,
        given: Mapping[str, str],
        trouble: str = "",
        status: int = 200,
    ) -> Response:
        preview: Mapping[str, Any] | None = None
        if act.has_device and given.get("device"):
            try:
                preview = await self._answer(act, {**_wanted(act, given), "preview": True}, session)
            except Problem as problem:
                trouble, status = trouble or problem.detail, problem.status_code
        return self._frame.page(
            "act.html",
            status,
            site=self._door.engine.site.name,
            name=name,
            act=act,
            given=given,
            trouble=trouble,
            preview=preview,
            devices=self._devices(),
            spans=[(f"{span_s:.0f}", duration_text(span_s)) for span_s in _spans_s(act)],
            topics=sorted({topic.value for topic in Topic} - {one.value for one in ALWAYS_TOLD}),
            silences=silenced_at(self._door) if act.ask == "silence" else [],
            abouts=[*self._door.engine.site.units, *self._door.engine.site.devices],
            person=session.name,
            csrf=session.csrf,
            may_act=visitor.may_act,
            needs_password=self._access.confirmed_for_s(session) <= 0.0,
        )

    async def _do(
        self, name: str, act: Act, visitor: Visitor, fields: Mapping[str, str]
    ) -> Response:
        session = self._access.see_own(visitor, fields.get("csrf", ""))
        try:
            self._access.see_right(visitor)
            wanted = _wanted(act, fields)
            password = fields.get("password", "")
            if password:
                if len(password) > LONGEST:
                    raise Problem(401, "name or password is wrong")
                await self._access.confirm(session, password, address=visitor.address)
            self._access.see_confirmed(session)
            log.info("took_action", action=name, who=session.name, address=visitor.address)
            await self._answer(act, wanted, session)
        except Problem as problem:
            kept = {key: value for key, value in fields.items() if key not in ("csrf", "password")}
            return await self._form(
                name, act, visitor, session, kept, problem.detail, problem.status_code
            )
        return RedirectResponse(act.towards, 303)

    async def _answer(
        self, act: Act, wanted: Mapping[str, Any], session: Session
    ) -> Mapping[str, Any]:
        """Ask the agent, in the name of who is signed in."""
        asked = {**wanted, **act.always, "ask": act.ask, "who": SignedIn(session.name)}
        return await answered(self._door.asks, act.ask, asked)

    def _devices(self) -> list[str]:
        site = self._door.engine.site
        return [name for name in site.devices if may_be_stopped(site, name)]


def _spans_s(act: Act) -> tuple[float, ...]:
    """Return for how long it can be asked for, in s; nothing where it does not last."""
    if act.always:
        return ()
    return {"pause": _PAUSES_S, "silence": _SILENCES_S}.get(act.ask, ())


def _wanted(act: Act, given: Mapping[str, str]) -> dict[str, Any]:
    """Return what a form asks for.

    Raises:
        Problem: it makes no sense.
    """
    wanted: dict[str, Any] = {}
    if act.has_device:
        wanted["device"] = given.get("device", "")
        wanted["with_users"] = given.get("with_users") == "yes"
    if act.ask == "silence":
        wanted["topic"], wanted["about"] = given.get("topic") or None, given.get("about") or None
    if _spans_s(act):
        try:
            wanted["for_s"] = float(given.get("for_s", ""))
        except ValueError:
            raise Problem(422, "say for how long") from None
    if act.ask == "rehearse" and "pace" in act.always:
        wanted["at"] = given.get("at", "").strip() or "now"
        wanted["strength"] = "weak" if given.get("strength") == "weak" else "likely"
    return wanted
