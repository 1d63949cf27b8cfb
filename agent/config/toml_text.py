"""Tables as the text of a TOML file."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def toml_lines(tables: Mapping[str, Any]) -> Iterator[str]:
    """Give the lines of a file: plain values first, then each table under its header."""
    for key, value in tables.items():
        if not isinstance(value, Mapping):
            yield f"{_key(key)} = {toml_value(value)}"
    for key, value in tables.items():
        if isinstance(value, Mapping):
            yield ""
            yield f"[{_key(key)}]"
            yield from (f"{_key(inner)} = {toml_value(found)}" for inner, found in value.items())


def toml_value(value: Any) -> str:
    """Return a value as it is written after its key, on one line."""
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key(key)} = {toml_value(found)}" for key, found in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, str):
        # Basic strings of TOML escape as JSON does, but for DEL.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return str(value).lower()
    return str(value)


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else toml_value(key)
