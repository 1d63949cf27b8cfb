"""Tells whether a login is still the one that was refused: by a salted, slow hash alone."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Mapping
from hmac import compare_digest

from pydantic import BaseModel, SecretStr

from agent.config import LoadedSite

_ROUNDS = 200_000  # a tenth of a second: the journal is copied about, and passwords are short


def login_of(loaded: LoadedSite, name: str) -> bytes:
    """Return all that a device is logged in with, as bytes that are only ever hashed."""
    said = [
        _plain(model)
        for _, fitted in sorted(loaded.fittings[name].items())
        for model in (fitted.access, *(fitted.stages[stage] for stage in sorted(fitted.stages)))
    ]
    return json.dumps(said, sort_keys=True, default=str).encode()


def _plain(value: object) -> object:
    match value:
        case SecretStr():
            return value.get_secret_value()
        case BaseModel():
            return {name: _plain(getattr(value, name)) for name in type(value).model_fields}
        case Mapping():
            return {str(key): _plain(held) for key, held in value.items()}
        case tuple() | list():
            return [_plain(held) for held in value]
    return value


def hashed(login: bytes, *, salt: str = "") -> str:
    """Return the salt, "$" and the hash; by a salt of its own unless one is given."""
    salt = salt or secrets.token_hex(16)
    found = hashlib.pbkdf2_hmac("sha256", login, bytes.fromhex(salt), _ROUNDS)
    return f"{salt}${found.hex()}"


def is_same(login: bytes, kept: str) -> bool:
    """Return whether *kept* was made of that login; what cannot be read is not."""
    salt, _, _ = kept.partition("$")
    try:
        return compare_digest(hashed(login, salt=salt), kept) if salt else False
    except ValueError:
        return False
