"""One act's exchanges with a Redfish service (DMTF DSP0266), and what its replies hold."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from drivers.base import Clock
from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.redfish_settings import RedfishAccess
from drivers.transports.http_messages import HttpReply, HttpRequest, HttpTalk

SYSTEMS = "/redfish/v1/Systems"
SESSIONS = "/redfish/v1/SessionService/Sessions"
_ROOT = "/redfish/"
_SYSTEM, _TARGET = "/<the only system>", "/<target of ComputerSystem.Reset>"
_SESSION, _MONITOR = "/<location of the session>", "/<location of the task>"
_ACTION_INFO = "/<its ActionInfo>"
"""What stands, in what is shown, for paths that only a reply supplies."""

_LOGOUT_S = 2.0
_POLL_S, _MOST_POLL_S = 1.0, 10.0
_SAID = 160  # characters of what a service says, in evidence
_FAILED_TASKS = frozenset({"Killed", "Exception", "Cancelled"})
_FINAL_TASKS = _FAILED_TASKS | {"Completed"}
"""TaskState, DMTF Task v1.7.4."""

Body = Mapping[str, Any]


class RedfishTalk:
    """The exchanges of one act.

    Attributes:
        last: the last reply, None before.
        left_open: why the session could not be closed, or "".
        has_ordered: a reset may have been taken up.
    """

    def __init__(
        self, access: RedfishAccess, talk: HttpTalk, clock: Clock, *, deadline_at: float
    ) -> None:
        self._access = access
        self._talk = talk
        self._clock = clock
        self._deadline_at = deadline_at
        left_s = max(0.0, deadline_at - clock.monotonic())
        has_session = access.login == "session"
        self._until_at = deadline_at - (min(_LOGOUT_S, left_s / 8) if has_session else 0.0)
        self._token = ""
        self._session_path = ""
        self.last: HttpReply | None = None
        self.left_open = ""
        self.has_ordered = False

    @property
    def sent(self) -> tuple[str, ...]:
        """Return what went out, a line each."""
        return self._talk.sent

    @property
    def is_dry(self) -> bool:
        """Whether the last reply was only assumed."""
        return self.last is not None and self.last.is_assumed

    def left_s(self) -> float:
        """Return the seconds that are left for asking."""
        return self._until_at - self._clock.monotonic()

    async def within(self, work: Callable[[], Awaitable[None]]) -> None:
        """Log in, do *work*, log out whatever came of it."""
        try:
            await self._log_in()
            await work()
        finally:
            await self._log_out()

    async def system(self) -> tuple[str, Body]:
        """Return the path and the resource of the machine.

        Raises:
            DriverError: it cannot be had, or there are several and the file names none.
        """
        if self._access.system is not None:
            path = f"{SYSTEMS}/{self._access.system}"
            return path, await self.get(path)
        members = (await self.get(SYSTEMS)).get("Members", ())
        paths = [path_of(text_at(member, "@odata.id")) for member in dicts(members)]
        if not self.is_dry and len(paths) != 1:
            names = ", ".join(path.rpartition("/")[2] for path in paths) or "none"
            error = DeviceRefusedError(f"the service manages {len(paths)} systems: {names}")
            error.add_note("name the one that is meant: system = … in [device.redfish]")
            raise error
        path = paths[0] if paths else ""
        return path, await self.get(path, shown=_SYSTEM)

    async def allowed_resets(self, system: Body) -> tuple[str, frozenset[str]]:
        """Return where a reset is posted to, and the ResetTypes that the service allows.

        They are asked, in the resource or in the ActionInfo that it names, and never guessed.
        """
        reset = _dict(_dict(system.get("Actions")).get("#ComputerSystem.Reset"))
        if self.is_dry:
            return "", frozenset()
        target = path_of(text_at(reset, "target"))
        listed = reset.get("ResetType@Redfish.AllowableValues")
        if listed is None and "@Redfish.ActionInfo" in reset:
            info = await self.get(
                path_of(text_at(reset, "@Redfish.ActionInfo")), shown=_ACTION_INFO
            )
            listed = next(
                (
                    parameter.get("AllowableValues")
                    for parameter in dicts(info.get("Parameters", ()))
                    if parameter.get("Name") == "ResetType"
                ),
                None,
            )
        return target, frozenset(v for v in listed or () if isinstance(v, str))

    async def reset(self, target: str, how: str) -> str:
        """Post a reset, see its task through where it becomes one, and return what was said.

        Raises:
            DeviceRefusedError: the service, or its task, said no.
            DeviceDroppedError: nobody knows whether it was taken up.
        """
        self.has_ordered = True
        said = await self._exchange("POST", target, shown=_TARGET, body={"ResetType": how})
        if said.is_assumed:
            return "nothing was sent: dry run"
        self._judge(said, f"ResetType {how}")
        if said.status != 202 or "location" not in said.headers:
            return f"ResetType {how} was accepted ({said.status})"
        return await self._task(said, how)

    async def roles(self) -> frozenset[str]:
        """Return the roles that our session has, as far as the service says; () without a session.

        Session v1.7.0, Roles; what a service leaves out, or refuses, is not known.
        """
        if not self._session_path:
            return frozenset()
        try:
            session = await self.get(self._session_path, shown=_SESSION)
        except DeviceRefusedError:
            return frozenset()
        roles = session.get("Roles")
        return frozenset(map(str, roles)) if isinstance(roles, list) else frozenset()

    async def get(self, path: str, *, shown: str = "") -> Body:
        """Return a resource."""
        reply = await self._exchange("GET", path, shown=shown)
        if reply.is_assumed:
            return {}
        self._judge(reply, f"GET {shown or path}")
        return json_of(reply)

    # The session

    async def _log_in(self) -> None:
        if self._access.login != "session":
            return
        body = {"UserName": self._access.user, "Password": self._access.password.get_secret_value()}
        reply = await self._exchange("POST", SESSIONS, body=body)
        if reply.is_assumed:
            self._session_path = SESSIONS
            return
        if reply.status in (404, 405, 501):
            error = DeviceRefusedError(f"it opens no sessions ({reply.status})")
            error.add_note('write login = "basic" in [device.redfish]')
            raise error
        self._judge(reply, f"logging in as {self._access.user}")
        self._token = reply.headers.get("x-auth-token", "")
        if not self._token:
            raise DeviceGarbledError("it opened a session without an X-Auth-Token")
        self._session_path = path_of(reply.headers.get("location", "")) or path_of(
            str(json_of(reply).get("@odata.id", ""))
        )

    async def _log_out(self) -> None:
        if not self._session_path:
            return
        path, self._session_path = self._session_path, ""
        # Just told to stop, its controller may be past answering: that keeps no outcome from us.
        self._until_at = min(self._deadline_at, self._clock.monotonic() + _LOGOUT_S)
        try:
            reply = await self._exchange("DELETE", path, shown=_SESSION)
            self._judge(reply, "logging out")
        except DriverError as error:
            self.left_open = str(error)

    # Exchanges

    async def _task(self, said: HttpReply, how: str) -> str:
        """Ask a task monitor until its task has ended; its Retry-After is kept to."""
        path = path_of(said.headers["location"])
        reply = said
        while True:
            pause_s = min(seconds(reply.headers.get("retry-after", "")), _MOST_POLL_S)
            if self.left_s() <= pause_s:
                raise DeviceDroppedError(f"ResetType {how} became a task that had no end in time")
            await self._clock.sleep(pause_s)
            reply = await self._exchange("GET", path, shown=_MONITOR)
            self._judge(reply, f"the task of ResetType {how}")
            state = str(json_of(reply).get("TaskState", "")) if reply.body else ""
            if state in _FAILED_TASKS:
                raise DeviceRefusedError(f"the task of ResetType {how} ended as {state}")
            if reply.status != 202 and (not state or state in _FINAL_TASKS):
                return f"ResetType {how} was accepted, and its task is completed"

    async def _exchange(
        self, method: str, path: str, *, shown: str = "", body: Mapping[str, str] | None = None
    ) -> HttpReply:
        left_s = self.left_s()
        if left_s <= 0:
            raise DeviceSilentError("no time was left to ask the service")
        headers = {"Accept": "application/json", "OData-Version": "4.0"}
        shown_headers: tuple[str, ...] = ()
        if self._token or (self.is_dry and self._access.login == "session"):
            headers["X-Auth-Token"] = self._token
            shown_headers = ("X-Auth-Token: ***",)
        content = json.dumps(body).encode() if body is not None else None
        if content is not None:
            headers["Content-Type"] = "application/json"
        masked = {k: "***" if k == "Password" else v for k, v in (body or {}).items()}
        request = HttpRequest(
            method, path or "/", shown or path, headers, shown_headers, content,
            json.dumps(masked) if body is not None else "",
        )  # fmt: skip
        self.last = await self._talk.exchange(request, timeout_s=left_s)
        return self.last

    def _judge(self, reply: HttpReply, what: str) -> None:
        """Raise what a status beyond 2xx means."""
        if reply.is_assumed or 200 <= reply.status <= 299:
            return
        said = f"{what} was answered {reply.status}{self._extended(reply)}"
        error = DeviceRefusedError(said)
        if reply.status == 401:
            error.add_note(f"mend user or password of {self._access.user} in [device.redfish]")
        elif reply.status == 403:
            error.add_note(f"give {self._access.user} a role with ConfigureComponents (Operator)")
        elif reply.status == 404:
            error.add_note("see system in [device.redfish], and what the service lists")
        elif reply.status in (429, 503):
            raise DeviceSilentError(said)  # busy: it took nothing up, and may do so later
        elif reply.status >= 500:
            raise DeviceDroppedError(said)  # ill, in the midst of it
        raise error

    def _extended(self, reply: HttpReply) -> str:
        """Return the first message of an error reply (DSP0266, "Error responses"), in short."""
        try:
            body = json_of(reply)
        except DeviceGarbledError:
            return ""
        told = _dict(body.get("error"))
        first = next(iter(dicts(told.get("@Message.ExtendedInfo", ()))), {})
        message = " ".join(str(first.get("Message") or told.get("message") or "").split())
        message = message.replace(self._access.password.get_secret_value(), "***")
        if self._token:
            message = message.replace(self._token, "***")
        shown = "".join(c for c in message if c.isprintable())[:_SAID]
        return f': "{shown}"' if shown else ""


def path_of(place: str) -> str:
    """Return the path of a URI that a service gave, or "" where it gave none.

    Raises:
        DeviceGarbledError: it leads away from the service.
    """
    if not place:
        return ""
    path = place
    if "://" in place:
        path = "/" + place.partition("://")[2].partition("/")[2]
    if not path.startswith(_ROOT) or any(c.isspace() for c in path):
        raise DeviceGarbledError("it names a resource outside /redfish/")
    return path


def seconds(text: str) -> float:
    """Return what a Retry-After asks for, in s; a second where it asks for nothing."""
    return float(text) if text.isascii() and text.isdigit() and float(text) > 0.0 else _POLL_S


def json_of(reply: HttpReply) -> Body:
    """Return the resource that a reply holds.

    Raises:
        DeviceGarbledError: it holds none.
    """
    try:
        found = json.loads(reply.body or b"{}")
    except (ValueError, RecursionError) as error:
        raise DeviceGarbledError("what it answers is no JSON") from error
    if not isinstance(found, dict):
        raise DeviceGarbledError("what it answers is JSON, but no resource")
    return found


def _dict(value: object) -> Body:
    return value if isinstance(value, dict) else {}


def dicts(values: object) -> Sequence[Body]:
    """Return the resources of an array, without whatever else is in it."""
    return [v for v in values if isinstance(v, dict)] if isinstance(values, list | tuple) else []


def text_at(body: Body, key: str) -> str:
    """Return a text of a resource.

    Raises:
        DeviceGarbledError: there is none, or an empty one.
    """
    value = body.get(key)
    if not isinstance(value, str) or not value:
        raise DeviceGarbledError(f"a resource lacks {key}")
    return value
