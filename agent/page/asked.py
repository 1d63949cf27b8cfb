"""What a request asks with, JSON or a form; and the document that it is answered by."""

from __future__ import annotations

from typing import Any, TypeVar
from urllib.parse import parse_qsl

from pydantic import BaseModel, ValidationError
from starlette.requests import Request

from agent.page.problem import FORMAT, Problem

M = TypeVar("M", bound=BaseModel)

_FIELDS_MOST = 20


def document(ok: bool = True, **fields: Any) -> dict[str, Any]:
    """Return a document as every command prints one."""
    return {"format": FORMAT, "ok": ok, **fields}


async def json_of(request: Request, model: type[M]) -> M:
    """Return the body of a request as a *model*.

    Raises:
        Problem: 415, it is not said to be JSON; 400, it is none; 422, it is not such a document.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        # A form of another site can send this to no one without the browser asking us first.
        raise Problem(415, "send application/json")
    try:
        return model.model_validate_json(await request.body())
    except ValidationError as error:
        places = error.errors(include_url=False, include_context=False, include_input=False)
        if places[0]["type"] == "json_invalid":
            raise Problem(400, "the body is no JSON") from None
        told = "; ".join(
            f"{'.'.join(map(str, place['loc'])) or 'the body'}: {place['msg'].lower()}"
            for place in places[:5]
        )
        raise Problem(422, told) from None


async def form_of(request: Request) -> dict[str, str]:
    """Return the fields of a form, the last one of a name.

    Raises:
        Problem: 415, it is no form; 400, it cannot be read.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Problem(415, "send application/x-www-form-urlencoded")
    try:
        text = (await request.body()).decode("ascii")
        return dict(parse_qsl(text, keep_blank_values=True, max_num_fields=_FIELDS_MOST))
    except ValueError:
        raise Problem(400, "this form cannot be read") from None
