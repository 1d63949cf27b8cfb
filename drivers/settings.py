"""Field types that the site's file shares with every driver's settings: durations and secrets."""

from __future__ import annotations

import os
import re
import stat
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, SecretStr, ValidationInfo

_DURATION = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m)?(?:(\d+(?:\.\d+)?)s)?")
_UNIT_S = (86400.0, 3600.0, 60.0, 1.0)


class Settings(BaseModel):
    """Base of every model of the file: strict, frozen, no unknown key, and a `repr` kept short."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, hide_input_in_errors=True)


def seconds_from(text: object) -> float:
    """Return the seconds of a duration as people write it: "90s", "12m", "2h", "1h30m", "2d".

    Raises:
        ValueError: *text* is anything else, a bare number included.
    """
    match = _DURATION.fullmatch(text) if isinstance(text, str) and text else None
    if match is None:
        raise ValueError('write a duration with its unit, like "90s", "12m", "2h" or "1h30m"')
    return sum(float(n or 0) * unit for n, unit in zip(match.groups(), _UNIT_S, strict=True))


Duration = Annotated[float, BeforeValidator(seconds_from)]
"""Seconds, >= 0, written in the file as text with a unit."""


@dataclass(frozen=True, slots=True)
class SecretSources:
    """Where `{ file | env | credential = … }` is looked up.

    Attributes:
        base: folder that a relative `file` is counted from (the site file's own).
        env: the environment.
        must_exist: False while a file is only checked, far from the box: a missing environment
            variable or credential is then replaced by a placeholder and named in `absent`.
        files_must_exist: False where not even the secrets' files are there, as in a repository of
            many sites: a missing file is then treated in the same way.
        absent: filled while reading: the sources that were not there.
    """

    base: Path
    env: Mapping[str, str]
    must_exist: bool = True
    files_must_exist: bool = True
    absent: list[str] = field(default_factory=list)

    def read(self, source: Mapping[str, Any]) -> SecretStr:
        """Return the secret that *source* points at, without its last line end.

        Raises:
            ValueError: it is not one of the three forms, cannot be read, is empty, or lies in a
                file that others can read.
        """
        match dict(source):
            case {"file": str(name), **rest} if not rest:
                path = self.base / name
                if not self.files_must_exist and not path.exists():
                    return self._placeholder(f"secret file {path}")
                return SecretStr(_read_private(path))
            case {"env": str(name), **rest} if not rest:
                return self._named(f"environment variable {name}", self.env.get(name))
            case {"credential": str(name), **rest} if not rest:
                folder = self.env.get("CREDENTIALS_DIRECTORY")
                text = _credential(Path(folder), name) if folder else None
                return self._named(f"systemd credential {name}", text)
        raise ValueError(
            'name where the secret lies: { file = "…" }, { env = "…" } or { credential = "…" }'
        )

    def _named(self, what: str, text: str | None) -> SecretStr:
        if text:
            return SecretStr(text)
        if self.must_exist:
            raise ValueError(f"{what} is not set; set it for the agent, or use {{ file = … }}")
        return self._placeholder(what)

    def _placeholder(self, what: str) -> SecretStr:
        self.absent.append(what)
        return SecretStr("placeholder-for-checking-only")


def _credential(folder: Path, name: str) -> str | None:
    """Return what systemd handed over by that name, or None.

    `LoadCredential=secret:FOLDER` hands over each file of a folder as "secret_" and its name.
    """
    for path in (folder / name, folder / f"secret_{name}"):
        if path.is_file():
            return path.read_text().rstrip("\r\n")
    return None


def _read_private(path: Path) -> str:
    try:
        mode = path.stat().st_mode
        text = path.read_text().rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "not text"
        raise ValueError(f"cannot read secret file {path}: {reason}") from error
    if mode & (stat.S_IRGRP | stat.S_IROTH | stat.S_IWGRP | stat.S_IWOTH):
        raise ValueError(f"secret file {path} is open to others; run: chmod 600 {path}")
    if not text:
        raise ValueError(f"secret file {path} is empty; write the secret into it")
    return text


def _secret(value: object, info: ValidationInfo) -> SecretStr:
    if isinstance(value, SecretStr):
        return value
    if not isinstance(value, Mapping):
        raise ValueError(
            'a secret never stands in the file; write { file = "…" }, { env = "…" } or '
            '{ credential = "…" }'
        )
    sources = (info.context or {}).get("secrets")
    if sources is None:
        sources = SecretSources(base=Path(), env=os.environ)
    assert isinstance(sources, SecretSources)
    return sources.read(value)


Secret = Annotated[SecretStr, BeforeValidator(_secret)]
"""A secret: a table in the file that says where it lies; never the secret itself."""
