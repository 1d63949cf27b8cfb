"""What stands before every address: by which name it was called, from where, and by whom."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Iterable
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from agent.page.access import Access, Visitor
from agent.page.problem import Problem, is_for_programs
from agent.page.static import PLACE

SIGN_IN = "/sign-in"
SESSION = "/api/v1/session"
_SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
_OPEN = frozenset({SIGN_IN, SESSION, "/health"})
"""Answered to anybody; each sees to itself that it tells nothing of the site."""

_HOST = re.compile(r"(?P<name>\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(:[0-9]{1,5})?")
_LOCAL_PATH = re.compile(r"/(?![/\\])[\x21-\x5b\x5d-\x7e]*")

_ONCE_MORE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="0">
<title>One moment</title></head><body><p>One moment.</p></body></html>
"""


class Guard:
    """Turns away what must not come in, and says of the rest who it is."""

    def __init__(self, app: ASGIApp, access: Access, *, names: Iterable[str]) -> None:
        """Take the application.

        Args:
            app: what is guarded; it finds a `Visitor` in its request's state.
            access: knows who is signed in.
            names: what the page may be called besides an IP address, in lower case.
        """
        self._app = app
        self._access = access
        own = socket.gethostname().lower().rstrip(".")
        self._names = {"localhost", own, f"{own}.local", *names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request.

        Raises:
            Problem: it must not come in.
        """
        connection = HTTPConnection(scope)
        method, path = scope["method"], scope["path"]
        self._see_host(connection.headers)
        see_own_browser(connection.headers, is_safe=method in _SAFE)
        visitor = self._access.visitor(connection)
        if visitor.token and method not in _SAFE:
            raise Problem(403, "a token may read, and nothing else; sign in for that")
        if not visitor.may_read and path not in _OPEN and not path.startswith(PLACE):
            response = self._turned_away(connection, path)
            await response(scope, receive, send)
            return
        scope.setdefault("state", {})["visitor"] = visitor
        await self._app(
            scope, receive, _While(self._access, visitor, send) if visitor.may_read else send
        )

    def _see_host(self, headers: Headers) -> None:
        """See that the page was called by a name of its own.

        A web site elsewhere can have its name lead here, and its script then read the page: but the
        browser still says by which name it calls. An address proves that no name was used.
        """
        match = _HOST.fullmatch(headers.get("host", ""))
        name = "" if match is None else match["name"].lower().rstrip(".")
        if name in self._names or _is_address(name.strip("[]")):
            return
        raise Problem(
            421,
            "the page is not called so; use its address, or add the name to names under [page] of "
            "the site's file",
        )

    def _turned_away(self, connection: HTTPConnection, path: str) -> Response:
        if is_for_programs(path) or connection.scope["method"] not in _SAFE:
            detail = "sign in, or show a token"
            raise Problem(401, detail, headers={"www-authenticate": "Bearer"})
        if connection.headers.get("sec-fetch-site") == "cross-site":
            # A link elsewhere led here, so the browser kept the cookie back: have it ask again.
            return HTMLResponse(_ONCE_MORE)
        return RedirectResponse(f"{SIGN_IN}?next={quote(local_path(path), safe='/')}", 303)


def visitor_of(connection: HTTPConnection) -> Visitor:
    """Return who made a request that came through the guard."""
    visitor = connection.state.visitor
    assert isinstance(visitor, Visitor)
    return visitor


def local_path(path: str) -> str:
    """Return *path* if it is one of this page, else the front: nobody is sent elsewhere by us."""
    return path if _LOCAL_PATH.fullmatch(path) else "/"


def see_own_browser(headers: Headers, *, is_safe: bool) -> None:
    """See that no other web site has a browser make this request.

    Sources: Fetch Metadata Request Headers (W3C); RFC 6454 and Fetch for Origin. Programs send
    neither, and carry no cookie that anybody else could use.

    Raises:
        Problem: another site does.
    """
    where = headers.get("sec-fetch-site")
    if is_safe:
        is_foreign = where == "cross-site" and headers.get("sec-fetch-mode") != "navigate"
    else:
        origin = headers.get("origin")
        is_foreign = where not in (None, "same-origin", "none")
        if origin is not None:
            is_foreign = is_foreign or not _is_same_host(origin, headers.get("host", ""))
    if is_foreign:
        raise Problem(403, "another web site may not ask for that")


def _is_same_host(origin: str, host: str) -> bool:
    """Whether an origin is of this host; a proxy may have taken TLS away before us."""
    try:
        found = urlsplit(origin)
    except ValueError:
        return False
    return found.scheme in ("http", "https") and found.netloc.lower() == host.lower() != ""


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class _While:
    """Sends on for as long as its visitor may read: a stream ends with its session."""

    def __init__(self, access: Access, visitor: Visitor, send: Send) -> None:
        self._access = access
        self._visitor = visitor
        self._send = send
        self._has_ended = False

    async def __call__(self, message: Message) -> None:
        if self._has_ended:
            return
        if message.get("more_body", False) and not self._access.may_go_on(self._visitor):
            self._has_ended = True
            message = {"type": "http.response.body", "body": b"", "more_body": False}
        await self._send(message)
