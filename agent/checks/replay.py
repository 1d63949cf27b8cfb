"""A recorded device on loopback: answers what a file of exchanges says, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, JsonValue, SecretStr, model_validator
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from agent.config.document import read_document
from agent.config.explain import validated
from agent.errors import ConfigError
from agent.virtual.ssh_server import Logins, Reply, Screen, SshFace
from agent.virtual.web import WebFace
from drivers.settings import SecretSources, Settings

ADDRESS = "127.0.0.1"
_ANY = "***"  # typed out of sight: a secret, which no recording holds
_PASSWORD = "recorded"
_METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
_BODY_LIMIT = 1_000_000


class Exchange(Settings):
    """One thing that is asked, and its answer; one of `request`, `run` and `typed`.

    Attributes:
        request: "POST /api/login", the path with its query; sends: text that its body must hold.
        status, headers, json_body, body: the answer to it.
        run: a command over SSH; its answer is `status` (default 0) and `output`.
        typed: a line at a console, "" for its greeting, "***" for any; shows: what comes then.
    """

    request: str | None = None
    sends: str = ""
    headers: dict[str, str] = Field(default={})
    json_body: JsonValue = Field(default=None, alias="json")
    body: str = ""
    run: str | None = None
    output: str = ""
    status: Annotated[int, Field(ge=0, le=599)] | None = None
    typed: str | None = None
    shows: str = ""

    @model_validator(mode="after")
    def _asks_one_thing(self) -> Self:
        if sum(asked is not None for asked in (self.request, self.run, self.typed)) != 1:
            raise ValueError('give one of request = "GET /…", run = "…" and typed = "…"')
        return self

    @property
    def line(self) -> str:
        """What is asked, on one line."""
        return self.request or self.run or f'typed "{self.typed}"'


class RecordingTable(Settings):
    """A recording's file."""

    format: Literal[1]
    exchange: Annotated[list[Exchange], Field(min_length=1)]


def read_recording(path: Path) -> tuple[Exchange, ...]:
    """Return the exchanges of the file at *path*.

    Raises:
        ConfigError: it cannot be read, or is no recording.
    """
    document = read_document(path)
    sources = SecretSources(path.parent, {}, must_exist=False)
    table, faults = validated(RecordingTable, dict(document.value), document, (), sources)
    if table is None:
        raise ConfigError(str(faults[0]))
    return tuple(table.exchange)


@dataclass(slots=True)
class Replay:
    """The recorded device while it is asked.

    Attributes:
        strays: what was asked that the recording does not have.
    """

    exchanges: tuple[Exchange, ...]
    strays: list[str] = field(default_factory=list)
    used: set[int] = field(default_factory=set)
    _faces: list[WebFace | SshFace] = field(default_factory=list)

    @property
    def unasked(self) -> list[str]:
        """What the recording has that nobody asked for."""
        return [e.line for place, e in enumerate(self.exchanges) if place not in self.used]

    async def instead(self, tables: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
        """Serve, and return the access tables, made of the device's own, that lead there."""
        out: dict[str, dict[str, Any]] = {}
        if any(exchange.request is not None for exchange in self.exchanges):
            every = Route("/{rest:path}", self._web, methods=list(_METHODS))
            web = WebFace(Starlette(routes=[every]), address=ADDRESS)
            web.open()
            self._faces.append(web)
            # A recording has no certificate: it is replayed without TLS.
            kept = {k: v for k, v in tables.get("http", {}).items() if k != "tls"}
            out["http"] = {**kept, "scheme": "http", "port": web.address[1]}
        if any(exchange.request is None for exchange in self.exchanges):
            kept = dict(tables.get("ssh", {}))
            for proof in ("key", "key_passphrase", "known_hosts"):
                kept.pop(proof, None)
            ssh = SshFace(
                Logins(str(kept.get("user", "")), _PASSWORD),
                address=ADDRESS,
                run=self._run,
                console=self._console,
            )
            ssh.open()
            self._faces.append(ssh)
            proofs = {"password": SecretStr(_PASSWORD), "host_keys": [ssh.fingerprint]}
            out["ssh"] = {**kept, **proofs, "port": ssh.address[1]}
        return out

    def close(self) -> None:
        """Stop serving."""
        for face in self._faces:
            face.close()

    def _found(self, line: str, body: str = "") -> Exchange | None:
        """Return the next exchange of that line: the first unused, else the last, once more."""
        fits = [
            place
            for place, exchange in enumerate(self.exchanges)
            if exchange.typed is None and exchange.line == line and exchange.sends in body
        ]
        if not fits:
            self.strays.append(line)
            return None
        place = next((place for place in fits if place not in self.used), fits[-1])
        self.used.add(place)
        return self.exchanges[place]

    async def _web(self, request: Request) -> Response:
        path = request.scope["raw_path"].decode("ascii")
        query = request.scope["query_string"].decode("ascii")
        line = f"{request.method} {path}{'?' if query else ''}{query}"
        body = (await request.body())[:_BODY_LIMIT].decode(errors="replace")
        found = self._found(line, body)
        if found is None:
            return Response("not in the recording", status_code=404)
        headers, text = dict(found.headers), found.body
        if found.json_body is not None:
            headers.setdefault("Content-Type", "application/json")
            text = json.dumps(found.json_body)
        return Response(text, status_code=found.status or 200, headers=headers)

    def _run(self, command: str, _: str) -> Reply:
        found = self._found(command)
        if found is None:
            return Reply(127, "not in the recording\n")
        return Reply(found.status or 0, found.output)

    def _console(self, screen: Screen) -> None:
        """Walk through what is typed; runs in the terminal's own thread."""
        for place, exchange in enumerate(self.exchanges):
            if exchange.typed is None:
                continue
            if exchange.typed:
                try:
                    line = screen.read_line(hidden=exchange.typed == _ANY)
                except EOFError:
                    return
                if exchange.typed not in (line, _ANY):
                    self.strays.append(f'typed "{line}"')
                    return
            self.used.add(place)
            screen.write(exchange.shows)
