"""Reading the lines of a known_hosts file that concern one host, and no others.

Format: sshd(8) of OpenSSH, section "SSH_KNOWN_HOSTS FILE FORMAT".
"""

from __future__ import annotations

import binascii
import hashlib
import hmac
from base64 import b64decode, b64encode
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from drivers.errors import DeviceRefusedError

DEFAULT_PORT = 22


@dataclass(frozen=True, slots=True)
class KnownKey:
    """A host key that a line vouches for: its type ("ssh-ed25519") and fingerprint "SHA256:…"."""

    type: str
    fingerprint: str


def fingerprint_of(blob: bytes) -> str:
    """Return the fingerprint of a public key in its wire form, as ssh-keygen -l prints it."""
    return "SHA256:" + b64encode(hashlib.sha256(blob).digest()).decode().rstrip("=")


def how_to_pin(address: str, port: int | str, *, into: str) -> str:
    """Return how a person gets at a device's host key, and where to put it."""
    return (
        f"run: ssh-keyscan -p {port} {address} | ssh-keygen -lf - ; compare what it prints with "
        f"the device's own console, then {into}"
    )


def known_keys(path: Path, *, host: str, port: int) -> frozenset[KnownKey]:
    """Return the keys that *path* holds for *host*; empty where it does not know it.

    A host on another port than 22 is known under "[host]:port" and under that name alone. Lines of
    certificate authorities are passed over; a key that a line revokes is never returned.

    Raises:
        DeviceRefusedError: the file cannot be read.
    """
    try:
        text = path.read_text(errors="replace")
    except OSError as error:
        raise DeviceRefusedError(f"cannot read {path}: {error.strerror}") from error
    name = host.lower() if port == DEFAULT_PORT else f"[{host.lower()}]:{port}"
    vouched, revoked = set(), set()
    for marker, patterns, key in _lines(text):
        if _matches(patterns, name):
            if marker == "@revoked":
                revoked.add(key)
            elif not marker:
                vouched.add(key)
    return frozenset(vouched - revoked)


def _lines(text: str) -> Iterator[tuple[str, str, KnownKey]]:
    for line in text.splitlines():
        fields = line.split()
        marker = fields.pop(0) if fields and fields[0].startswith("@") else ""
        if len(fields) < 3 or fields[0].startswith("#"):
            continue
        patterns, kind, blob = fields[:3]
        try:
            key = KnownKey(kind, fingerprint_of(b64decode(blob, validate=True)))
        except binascii.Error:
            continue
        yield marker, patterns, key


def _matches(patterns: str, name: str) -> bool:
    if patterns.startswith("|1|"):
        return _matches_hashed(patterns, name)
    found = False
    for pattern in patterns.lower().split(","):
        # fnmatch gives "[" a meaning that this format does not know.
        if fnmatchcase(name, pattern.removeprefix("!").replace("[", "[[]")):
            if pattern.startswith("!"):
                return False
            found = True
    return found


def _matches_hashed(pattern: str, name: str) -> bool:
    try:
        salt, digest = (b64decode(part, validate=True) for part in pattern.split("|")[2:4])
    except (binascii.Error, ValueError):
        return False
    return hmac.compare_digest(hmac.new(salt, name.encode(), hashlib.sha1).digest(), digest)
