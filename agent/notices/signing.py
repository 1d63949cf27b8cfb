"""The signature of what is posted: HMAC-SHA-256 (RFC 2104) over time and body."""

from __future__ import annotations

import hashlib
import hmac

from pydantic import SecretStr

HEADER = "Lastwatt-Signature"


def signature(secret: SecretStr, *, unix_s: int, body: bytes) -> str:
    """Return the value of the signing header for *body* at that time."""
    return f"t={unix_s},sha256={digest(secret, str(unix_s).encode() + b'.' + body)}"


def digest(secret: SecretStr, message: bytes) -> str:
    """Return the HMAC-SHA-256 (RFC 2104) of *message*, in hex."""
    return hmac.new(secret.get_secret_value().encode(), message, hashlib.sha256).hexdigest()
