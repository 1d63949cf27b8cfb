"""What people may change at the page: the asks of the control socket, in their name.

Each needs a person with the right to act, the session's token, and the password given a short time
ago, or along with it. What comes of it goes the way of every order, and stands in the journal with
who asked.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Annotated, Any, Literal

import structlog
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from agent.by_hand.hands import SignedIn
from agent.control import Ask
from agent.notices.telling import SILENCE_MOST_S, SILENCE_S
from agent.page.access import CSRF_HEADER, Access
from agent.page.asked import document, json_of
from agent.page.guard import visitor_of
from agent.page.passwords import LONGEST
from agent.page.problem import Problem
from drivers.errors import LastwattError
from policies.by_hand import PAUSE_MOST_S, PAUSE_S

log = structlog.get_logger()

ANSWER_WITHIN_S = 30.0

_Name = Annotated[str, Field(min_length=1, max_length=64)]


class Asked(BaseModel):
    """What every change may carry: the password, which confirms it on the spot."""

    model_config = ConfigDict(extra="forbid", strict=True, hide_input_in_errors=True)

    password: Annotated[
        Annotated[str, Field(min_length=1, max_length=LONGEST)] | None, Field(repr=False)
    ] = None

    @property
    def is_preview(self) -> bool:
        """Whether it only asks what would come of it."""
        return False


class Pause(Asked):
    """No automatic orders for a while."""

    for_s: Annotated[float, Field(gt=0, le=PAUSE_MOST_S, allow_inf_nan=False)] = PAUSE_S


class Silence(Asked):
    """Notices of a topic, a device or a unit are not wanted for a while."""

    topic: Annotated[str, Field(max_length=40)] | None = None
    about: _Name | None = None


class SilenceFor(Silence):
    """The same, and for how long."""

    for_s: Annotated[float, Field(gt=0, le=SILENCE_MOST_S, allow_inf_nan=False)] = SILENCE_S


class Nothing(Asked):
    """What needs no more than its name."""


class ByHand(Asked):
    """A device is stopped, or started."""

    device: _Name
    with_users: bool = False
    preview: bool = False

    @property
    def is_preview(self) -> bool:
        """Whether it only asks whom it would take along."""
        return self.preview


class Drill(Asked):
    """A device is stopped and started for real."""

    device: _Name
    on_site: bool = False
    preview: bool = False

    @property
    def is_preview(self) -> bool:
        """Whether it only asks for the cautions."""
        return self.preview


class Rehearse(Asked):
    """An outage in which nothing is sent."""

    at: Annotated[str, Field(max_length=40)] = "now"
    mains_after_s: Annotated[float, Field(ge=1, le=86400, allow_inf_nan=False)] | None = None
    pace: Annotated[float, Field(ge=1, le=3600, allow_inf_nan=False)] | None = None
    strength: Literal["likely", "weak"] = "likely"


class BatteryFitted(Asked):
    """Another battery is in a unit."""

    unit: _Name
    date: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")] | None = None
    preview: bool = False

    @property
    def is_preview(self) -> bool:
        """Whether it only asks what is to be known first."""
        return self.preview


_ACTIONS: Mapping[str, tuple[type[Asked], str, Mapping[str, Any]]] = {
    "pause": (Pause, "pause", {}),
    "end-pause": (Nothing, "pause", {"end": True}),
    "stop": (ByHand, "stop", {}),
    "start": (ByHand, "start", {}),
    "drill": (Drill, "drill", {}),
    "rehearse": (Rehearse, "rehearse", {}),
    "end-rehearsal": (Nothing, "rehearse", {"end": True}),
    "silence": (SilenceFor, "silence", {}),
    "end-silence": (Silence, "silence", {"end": True}),
    "battery-fitted": (BatteryFitted, "fitted", {}),
}
"""Its name here: what it asks with, the ask of the control socket, and what that always carries."""


def routes(access: Access, asks: Mapping[str, Ask], *, under: str) -> list[Route]:
    """Return the addresses at which something is changed.

    Args:
        access: knows who may.
        asks: what the control socket answers, by name.
        under: the address that all of them are beneath.
    """
    actions = _Actions(access, asks)
    return [
        Route(f"{under}/actions/{name}", actions.of(name), methods=["POST"]) for name in _ACTIONS
    ]


class _Actions:
    def __init__(self, access: Access, asks: Mapping[str, Ask]) -> None:
        self._access = access
        self._asks = asks

    def of(self, name: str) -> Any:
        model, ask, always = _ACTIONS[name]

        async def act(request: Request) -> Response:
            visitor = visitor_of(request)
            session = self._access.see_own(visitor, request.headers.get(CSRF_HEADER, ""))
            self._access.see_right(visitor)
            asked = await json_of(request, model)
            if asked.password is not None:
                await self._access.confirm(session, asked.password, address=visitor.address)
            if not asked.is_preview:
                self._access.see_confirmed(session)
                log.info("took_action", action=name, who=session.name, address=visitor.address)
            fields = asked.model_dump(exclude={"password"})
            wanted = {**fields, **always, "ask": ask, "who": SignedIn(session.name)}
            return JSONResponse(document(**await answered(self._asks, ask, wanted)))

        return act


async def answered(asks: Mapping[str, Ask], ask: str, wanted: dict[str, Any]) -> dict[str, Any]:
    """Return the fields of what an ask answers.

    Raises:
        Problem: it is refused (409), of a name that there is not (404), or takes too long (504).
    """
    if ask not in asks:
        raise Problem(404, "this agent does not do that")
    try:
        async with asyncio.timeout(ANSWER_WITHIN_S):
            answer = await asks[ask](wanted)
    except TimeoutError:
        raise Problem(504, f"it did not end within {ANSWER_WITHIN_S:g} s") from None
    except LastwattError as error:
        raise Problem(409, str(error)) from error
    if answer.get("ok") is False:
        raise Problem(404 if answer.get("unknown") else 409, str(answer.get("error", "")))
    return {name: value for name, value in answer.items() if name not in ("ok", "format")}
