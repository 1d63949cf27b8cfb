"""Signing in and out: a form for people, which needs no script, and the same for programs."""

from __future__ import annotations

from typing import Annotated, Any

from jinja2 import Environment
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from agent.page.access import CSRF_HEADER, Access, Visitor
from agent.page.asked import document, form_of, json_of
from agent.page.guard import SESSION, SIGN_IN, local_path, visitor_of
from agent.page.passwords import LONGEST
from agent.page.problem import Problem

_Password = Annotated[str, Field(min_length=1, max_length=LONGEST, repr=False)]


class SignIn(BaseModel):
    """What a sign-in asks with."""

    model_config = ConfigDict(extra="forbid", strict=True, hide_input_in_errors=True)

    name: Annotated[str, Field(min_length=1, max_length=64)]
    password: _Password


class Confirmation(BaseModel):
    """What a confirmation asks with."""

    model_config = ConfigDict(extra="forbid", strict=True, hide_input_in_errors=True)

    password: _Password


def routes(access: Access, templates: Environment, *, site: str) -> list[Route]:
    """Return the addresses at which one signs in and out.

    Args:
        access: knows who is signed in.
        templates: has `sign_in.html`.
        site: its name, which is told only to those who may look.
    """
    entrance = _Entrance(access, templates, site)
    return [
        Route(SIGN_IN, entrance.sign_in_page, methods=["GET", "POST"]),
        Route("/sign-out", entrance.sign_out, methods=["POST"]),
        Route(SESSION, entrance.session, methods=["GET", "POST", "DELETE"]),
        Route(f"{SESSION}/confirmation", entrance.confirm, methods=["POST"]),
    ]


class _Entrance:
    def __init__(self, access: Access, templates: Environment, site: str) -> None:
        self._access = access
        self._templates = templates
        self._site = site

    # For people

    async def sign_in_page(self, request: Request) -> Response:
        return await (self.sign_in if request.method == "POST" else self.form)(request)

    async def form(self, request: Request) -> Response:
        visitor = visitor_of(request)
        towards = local_path(request.query_params.get("next", "/"))
        if visitor.person is not None:
            return RedirectResponse(towards, 303)
        return self._form(visitor, towards, "", 200)

    async def sign_in(self, request: Request) -> Response:
        visitor = visitor_of(request)
        fields = await form_of(request)
        towards = local_path(fields.get("next", "/"))
        name, password = fields.get("name", "").strip(), fields.get("password", "")
        try:
            if not 0 < len(name) <= 64 or not 0 < len(password) <= LONGEST:
                raise Problem(401, "name or password is wrong")
            _, secret = await self._access.sign_in(
                name, password, address=visitor.address, before=visitor.session
            )
        except Problem as problem:
            answer = self._form(visitor, towards, problem.detail, problem.status_code)
            answer.headers.update(problem.headers or {})
            return answer
        return RedirectResponse(
            towards, 303, headers={"set-cookie": self._access.cookie_header(secret)}
        )

    async def sign_out(self, request: Request) -> Response:
        fields = await form_of(request)
        session = self._access.see_own(visitor_of(request), fields.get("csrf", ""))
        self._access.sign_out(session)
        return RedirectResponse("/", 303, headers={"set-cookie": self._access.cookie_header("")})

    def _form(self, visitor: Visitor, towards: str, trouble: str, status: int) -> Response:
        page = self._templates.get_template("sign_in.html").render(
            site=self._site if visitor.may_read else "", towards=towards, trouble=trouble
        )
        return Response(page, status, media_type="text/html")

    # For programs

    async def session(self, request: Request) -> Response:
        serve = {"POST": self.begin, "DELETE": self.end}.get(request.method, self.show)
        return await serve(request)

    async def show(self, request: Request) -> Response:
        return JSONResponse(document(**self._told(visitor_of(request))))

    async def begin(self, request: Request) -> Response:
        visitor = visitor_of(request)
        if visitor.token:
            raise Problem(403, "a token may read, and nothing else")
        asked = await json_of(request, SignIn)
        session, secret = await self._access.sign_in(
            asked.name.strip(), asked.password, address=visitor.address, before=visitor.session
        )
        person = self._access.people().person(session.name)
        told = self._told(Visitor(visitor.address, True, person, session))
        return JSONResponse(
            document(**told), headers={"set-cookie": self._access.cookie_header(secret)}
        )

    async def end(self, request: Request) -> Response:
        session = self._access.see_own(visitor_of(request), request.headers.get(CSRF_HEADER, ""))
        self._access.sign_out(session)
        return JSONResponse(
            document(**self._told(Visitor("", False))),
            headers={"set-cookie": self._access.cookie_header("")},
        )

    async def confirm(self, request: Request) -> Response:
        visitor = visitor_of(request)
        session = self._access.see_own(visitor, request.headers.get(CSRF_HEADER, ""))
        asked = await json_of(request, Confirmation)
        await self._access.confirm(session, asked.password, address=visitor.address)
        return JSONResponse(document(**self._told(visitor)))

    def _told(self, visitor: Visitor) -> dict[str, Any]:
        person, session = visitor.person, visitor.session
        if person is None or session is None:
            return {"name": None, "rights": None, "csrf": None, "confirmed_s": 0.0}
        return {
            "name": person.name,
            "rights": person.rights.value,
            "csrf": session.csrf,
            "confirmed_s": round(self._access.confirmed_for_s(session), 1),
        }
