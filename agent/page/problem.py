"""What is answered where something is wrong: RFC 9457 to programs, a sentence to people."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from types import MappingProxyType

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

FORMAT = 1
API = "/api/"
_FOR_PROGRAMS = (API, "/metrics", "/health")

DETAIL = {
    400: "this request cannot be understood",
    404: "nothing is served at this address",
    405: "this address does not take this method",
}


class Problem(HTTPException):
    """An answer that is a refusal; its text says what to do.

    Attributes:
        fields: more members of the document.
    """

    def __init__(
        self,
        status: int,
        detail: str,
        *,
        headers: Mapping[str, str] | None = None,
        fields: Mapping[str, object] = MappingProxyType({}),
    ) -> None:
        super().__init__(status, detail, None if headers is None else dict(headers))
        self.fields = fields


def problem_response(
    status: int,
    detail: str,
    *,
    headers: Mapping[str, str] | None = None,
    fields: Mapping[str, object] = MappingProxyType({}),
) -> Response:
    """Return the document of a problem: RFC 9457, with the members that all documents here have."""
    document = {
        "format": FORMAT,
        "ok": False,
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        **fields,
    }
    return JSONResponse(
        document,
        status_code=status,
        headers=None if headers is None else dict(headers),
        media_type="application/problem+json",
    )


def is_for_programs(path: str) -> bool:
    """Whether whoever asks for *path* is a program, and wants no page."""
    return path.startswith(_FOR_PROGRAMS)


async def on_problem(request: Request, error: Exception) -> Response:
    """Answer a request that ended in a problem; Starlette's handler of those."""
    assert isinstance(error, HTTPException)
    status = error.status_code
    detail = error.detail
    if not isinstance(error, Problem):
        detail = DETAIL.get(status, HTTPStatus(status).phrase.lower())
    if is_for_programs(request.url.path):
        fields = error.fields if isinstance(error, Problem) else {}
        return problem_response(status, detail, headers=error.headers, fields=fields)
    return Response(
        f"{HTTPStatus(status).phrase}: {detail}\n",
        status,
        dict(error.headers) if error.headers else None,
        "text/plain",
    )
