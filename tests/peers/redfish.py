"""Redfish services on loopback: sushy-tools' emulator, and one of our own with sessions and tasks.

The emulator knows Basic only, and no tasks: what DSP0266 says of those is played by Controller.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from tests.peers.apache import binary, free_port
from tests.peers.threaded_http import Answering, serving_http

USER = "watch"
PASSWORD = "sheet-bend-31"
SYSTEM = "da69abcc-dae0-4913-9a7b-d344043097c0"
_PATH = f"/redfish/v1/Systems/{SYSTEM}"
_RESET = f"{_PATH}/Actions/ComputerSystem.Reset"
_SESSIONS = "/redfish/v1/SessionService/Sessions"

_CONFIGURATION = """
SUSHY_EMULATOR_LISTEN_IP = "127.0.0.1"
SUSHY_EMULATOR_LISTEN_PORT = {port}
SUSHY_EMULATOR_FAKE_DRIVER = True
SUSHY_EMULATOR_STATE_DIR = "{folder}"
SUSHY_EMULATOR_AUTH_FILE = "{folder}/users"
SUSHY_EMULATOR_FAKE_SYSTEMS = {systems}
"""


@dataclass(slots=True)
class Emulator:
    """sushy-tools' emulator with systems of its own that are on; a context manager."""

    systems: tuple[str, ...] = (SYSTEM,)
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="redfish-")))
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        htpasswd = binary("htpasswd", "apache2-utils")
        users = [htpasswd, "-ciB", str(self.folder / "users"), USER]
        subprocess.run(users, input=PASSWORD.encode(), check=True, capture_output=True)
        systems = [
            {"uuid": uuid, "name": f"host {n}", "power_state": "On", "nics": []}
            for n, uuid in enumerate(self.systems)
        ]
        config = self.folder / "config"
        config.write_text(
            _CONFIGURATION.format(port=self.port, folder=self.folder, systems=repr(systems))
        )
        command = [sys.executable, "-m", "sushy_tools.emulator.main", "--config", str(config)]
        with (self.folder / "log").open("wb") as log:
            self._process = subprocess.Popen(
                [*command, "--fake"], stdin=subprocess.DEVNULL, stdout=log, stderr=log
            )
        self._wait()
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.wait(10)
        shutil.rmtree(self.folder)

    @property
    def log(self) -> str:
        """What it served so far."""
        return (self.folder / "log").read_text()

    def _wait(self) -> None:
        assert self._process is not None
        until = time.monotonic() + 20
        while time.monotonic() < until and self._process.poll() is None:
            try:
                urllib.request.urlopen(f"http://127.0.0.1:{self.port}/redfish/v1/", timeout=1)
            except urllib.error.HTTPError:
                return  # it asks who we are
            except OSError:
                time.sleep(0.05)
            else:
                return
        raise AssertionError(f"the emulator did not come up: {self.log}")


@dataclass
class Controller:
    """A service with sessions (DSP0266) whose resets may become tasks, and fail as it is told.

    Attributes:
        power: PowerState.
        allowed: AllowableValues of ResetType; None = they stand in an ActionInfo.
        task_states: what the task monitor says, one a look; () = no task.
        status: what a reset is answered, where it is no task.
        roles: of the session; None = it does not say.
        calls: "METHOD PATH BODY", in order.
        open: sessions that were opened and not closed.
    """

    power: str | None = "On"
    allowed: tuple[str, ...] | None = ("On", "ForceOff", "GracefulShutdown")
    task_states: tuple[str, ...] = ()
    status: int = 204
    policy: str | None = "AlwaysOn"
    knows_sessions: bool = True
    roles: list[str] | None = None
    target: str = _RESET
    calls: list[str] = field(default_factory=list)
    open: set[str] = field(default_factory=set)
    address: str = "127.0.0.1"
    port: int = 0

    def answer(
        self, method: str, path: str, body: dict[str, Any], token: str
    ) -> tuple[int, dict[str, str], Any]:
        """Return status, headers and body."""
        if method == "POST" and path == _SESSIONS and self.knows_sessions:
            if body != {"UserName": USER, "Password": PASSWORD}:
                text = f"user and password {body.get('Password')} do not match"
                return 401, {}, {"error": {"@Message.ExtendedInfo": [{"Message": text}]}}
            number = str(len(self.calls))
            self.open.add(f"token-{number}")
            where = f"http://{self.address}:{self.port}{_SESSIONS}/{number}"
            return 201, {"X-Auth-Token": f"token-{number}", "Location": where}, {}
        if token not in self.open:
            return (401 if self.knows_sessions else 404), {}, {}
        if method == "DELETE":
            self.open.discard(f"token-{path.rpartition('/')[2]}")
            return 204, {}, None
        if path.startswith(f"{_SESSIONS}/"):
            return 200, {}, {} if self.roles is None else {"Roles": self.roles}
        if path == "/redfish/v1/Systems":
            return 200, {}, {"Members": [{"@odata.id": _PATH}]}
        if path == _PATH:
            return 200, {}, self._system()
        if path == f"{_PATH}/ResetActionInfo":
            kinds = ["On", "GracefulShutdown"]
            return 200, {}, {"Parameters": [{"Name": "ResetType", "AllowableValues": kinds}]}
        if method == "POST" and path == _RESET:
            if not self.task_states:
                return self.status, {}, {} if self.status >= 300 else None
            return 202, {"Location": "/redfish/v1/TaskService/TaskMonitors/7"}, {}
        if path == "/redfish/v1/TaskService/TaskMonitors/7":
            state, self.task_states = self.task_states[0], self.task_states[1:] or self.task_states
            is_over = state in ("Completed", "Exception")
            return (200 if is_over else 202), {"Retry-After": "1"}, {"TaskState": state}
        return 404, {}, {}

    def _system(self) -> dict[str, Any]:
        reset: dict[str, Any] = {"target": self.target}
        if self.allowed is None:
            reset["@Redfish.ActionInfo"] = f"{_PATH}/ResetActionInfo"
        else:
            reset["ResetType@Redfish.AllowableValues"] = list(self.allowed)
        actions = {"#ComputerSystem.Reset": reset}
        system: dict[str, Any] = {"PowerState": self.power, "Actions": actions}
        if self.policy is not None:
            system["PowerRestorePolicy"] = self.policy
        return system


@contextmanager
def serving(controller: Controller) -> Iterator[Controller]:
    """Serve *controller* on a free port, in threads."""

    class Handler(Answering):
        """Has each request answered by the controller."""

        def do_GET(self) -> None:
            content = self.content()
            controller.calls.append(f"{self.command} {self.path} {content.decode()}".rstrip())
            token = self.headers.get("X-Auth-Token", "")
            status, headers, body = controller.answer(
                self.command, self.path, json.loads(content or b"{}"), token
            )
            self.answer(status, b"" if body is None else json.dumps(body).encode(), headers)

        do_POST = do_DELETE = do_GET  # noqa: N815  # the names that http.server looks for

    with serving_http(controller.address, Handler) as controller.port:
        yield controller
