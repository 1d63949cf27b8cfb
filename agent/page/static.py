"""Files that never change while the agent runs: scripts, styles, pictures, out of the wheel.

They are read once, and kept both plain and compressed. Under a name that holds a sum of its content
a file may be kept for ever; under its plain name it is asked for anew.
"""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import PurePosixPath

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

PLACE = "/static/"
FOR_EVER = "public, max-age=31536000, immutable"
ASK_AGAIN = "no-cache"

_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".ico": "image/x-icon",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".txt": "text/plain; charset=utf-8",
    ".webmanifest": "application/manifest+json",
    ".woff2": "font/woff2",
    ".yaml": "application/yaml",
}


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    zipped: bytes | None
    media_type: str
    tag: str


class Static:
    """The files of a folder of the wheel, by name."""

    def __init__(self, folder: Traversable | None = None) -> None:
        """Read them all; *folder* is the package's own where none is given."""
        found = files("agent.page") / "static" if folder is None else folder
        self._files = {name: _read(file) for name, file in _walk(found, PurePosixPath())}
        self._hashed = {_hashed_name(name, file.tag): file for name, file in self._files.items()}

    def url(self, name: str) -> str:
        """Return where the file is served under a name that changes with its content.

        Raises:
            KeyError: there is no such file.
        """
        return PLACE + _hashed_name(name, self._files[name].tag)

    @property
    def urls(self) -> Mapping[str, str]:
        """Where each file is served, by its name."""
        return {name: self.url(name) for name in self._files}

    async def serve(self, request: Request) -> Response:
        """Answer a request whose path parameter `name` names one of the files.

        Raises:
            HTTPException: 404, there is none of that name; nothing else on the disk is looked at.
        """
        name = request.path_params["name"]
        file, caching = self._hashed.get(name), FOR_EVER
        if file is None:
            file, caching = self._files.get(name), ASK_AGAIN
        if file is None:
            raise HTTPException(404)
        headers = {"cache-control": caching, "etag": f'"{file.tag}"', "vary": "accept-encoding"}
        if f'"{file.tag}"' in request.headers.get("if-none-match", ""):
            return Response(status_code=304, headers=headers)
        content = file.content
        if file.zipped is not None and "gzip" in request.headers.get("accept-encoding", ""):
            content, headers["content-encoding"] = file.zipped, "gzip"
        return Response(content, media_type=file.media_type, headers=headers)


def _walk(folder: Traversable, under: PurePosixPath) -> Iterator[tuple[str, Traversable]]:
    for entry in sorted(folder.iterdir(), key=lambda entry: entry.name):
        if entry.is_dir():
            yield from _walk(entry, under / entry.name)
        elif PurePosixPath(entry.name).suffix in _TYPES:
            yield str(under / entry.name), entry


def _read(file: Traversable) -> _File:
    content = file.read_bytes()
    zipped = gzip.compress(content, 9, mtime=0)
    return _File(
        content=content,
        zipped=zipped if len(zipped) < 0.9 * len(content) else None,
        media_type=_TYPES[PurePosixPath(file.name).suffix],
        tag=hashlib.sha256(content).hexdigest()[:16],
    )


def _hashed_name(name: str, tag: str) -> str:
    path = PurePosixPath(name)
    return str(path.with_name(f"{path.stem}.{tag}{path.suffix}"))
