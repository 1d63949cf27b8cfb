"""What a person, or a file for scripts, has answered: nested like a site's file, and kept."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

from agent.config.document import Route, read_document
from agent.config.toml_text import toml_lines
from agent.errors import ConfigError
from agent.journal.whole_file import write_whole

_KEYS = frozenset({"site", "unit", "box", "device", "scan"})


def key_of(route: Route) -> str:
    """Return a route as people read it: "unit[1].address"."""
    text = ""
    for step in route:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return text


class Answers:
    """Answers by route; each is kept as it is given, so that an interview can be taken up again.

    A secret is never among them, only the place that it lies in.
    """

    def __init__(self, given: Mapping[str, Any], *, keep: Path | None = None) -> None:
        """Begin with what is known; *keep* is the file that more goes to, None = nowhere."""
        self._given: dict[str, Any] = _copied(given)
        self._keep = keep

    @classmethod
    def read(cls, path: Path, *, keep: Path | None = None) -> Answers:
        """Return the answers of a TOML file.

        Raises:
            ConfigError: it cannot be read, is not TOML, or has a table that nothing asks for.
        """
        given = read_document(path).value
        for key in given:
            if key not in _KEYS:
                known = ", ".join(sorted(_KEYS))
                raise ConfigError(f"{path}: nothing asks for {key}; the answers are: {known}")
        return cls(given, keep=keep)

    def get(self, route: Route) -> Any:
        """Return the answer at *route*, or None."""
        found: Any = self._given
        for step in route:
            try:
                found = found[step]
            except (KeyError, IndexError, TypeError):
                return None
        return found

    def put(self, route: Route, value: Any) -> None:
        """Enter an answer, and keep it."""
        here: Any = self._given
        for step, after in zip(route, (*route[1:], None), strict=True):
            if after is None:
                here[step] = value
            elif isinstance(here, list):
                assert isinstance(step, int)
                while len(here) <= step:
                    here.append({})
                here = here[step]
            else:
                here = here.setdefault(step, [] if isinstance(after, int) else {})
        self._save()

    def drop(self, route: Route) -> None:
        """Take an answer back, so that it is asked anew."""
        around = self.get(route[:-1])
        with suppress(KeyError, IndexError, TypeError):
            del around[route[-1]]
        self._save()

    def done(self) -> None:
        """Remove the file of what was kept."""
        if self._keep is not None:
            self._keep.unlink(missing_ok=True)

    def _save(self) -> None:
        if self._keep is not None:
            text = "\n".join(("# Answers so far; `lastwatt new` goes on from here.", ""))
            write_whole(self._keep, text + "\n".join(toml_lines(self._given)) + "\n")


def _copied(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _copied(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_copied(inner) for inner in value]
    return value


class SecretFiles:
    """Secrets that were typed, each in a file that its owner alone may read.

    They lie in `secrets` beside the site's file, and none is ever overwritten. Where the service
    manager hands that folder's files to the agent, they are named as its credentials.
    """

    FOLDER = "secrets"

    def __init__(self, site_file: Path, *, env: Mapping[str, str]) -> None:
        self._folder = site_file.parent / self.FOLDER
        held = env.get("CREDENTIALS_DIRECTORY")
        self._are_credentials = bool(held) and Path(held or "").resolve() == self._folder.resolve()

    def keep(self, name: str, secret: bytes) -> dict[str, str]:
        """Write a secret, and return its place as the site's file has it."""
        self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        plain = "".join(char if char.isalnum() else "-" for char in name.lower()).strip("-")
        for number in range(1, 1000):
            path = self._folder / (plain if number == 1 else f"{plain}-{number}")
            try:
                descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            except FileExistsError:
                continue
            with os.fdopen(descriptor, "wb") as file:
                file.write(secret)
            if self._are_credentials:
                return {"credential": path.name}
            return {"file": f"{self.FOLDER}/{path.name}"}
        raise ConfigError(f"{self._folder}: has a thousand secrets called {plain}; clear it up")
