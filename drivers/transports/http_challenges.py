"""The WWW-Authenticate header: several challenges, each in a header of its own or sharing one."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise

_QUOTED = re.compile(r'"(?:[^"\\]|\\.)*"')
_SCHEME = re.compile(r"(?:^|,)\s*([A-Za-z][A-Za-z0-9-]*)(?=\s+[A-Za-z0-9-]+\s*=|\s*(?:,|$))")
_FIELD = re.compile(r'([A-Za-z0-9-]+)\s*=\s*("(?:[^"\\]|\\.)*"|[^\s,"]+)')
_KNOWN_ALGORITHMS = frozenset({"MD5", "MD5-SESS", "SHA-256", "SHA-256-SESS"})


def challenges(headers: Sequence[str]) -> Iterator[str]:
    """Yield each challenge, in the order in which the server prefers them (RFC 7616, 3.7)."""
    for header in headers:
        # A realm may hold commas: quoted text is blanked out while the schemes are looked for.
        blanked = _QUOTED.sub(lambda quoted: "=" * len(quoted[0]), header)
        starts = [found.start(1) for found in _SCHEME.finditer(blanked)]
        for start, end in pairwise([*starts, len(header)]):
            yield header[start:end].rstrip(", ")


def offers(headers: Sequence[str]) -> tuple[str, ...]:
    """Return the names of the schemes that are offered, each once."""
    return tuple(dict.fromkeys(_scheme(challenge) for challenge in challenges(headers)))


def first_known_digest(headers: Sequence[str]) -> str:
    """Return the first Digest challenge that can be answered, or ""."""
    for challenge in challenges(headers):
        if _scheme(challenge).lower() != "digest":
            continue
        fields = {name.lower(): text.strip('"') for name, text in _FIELD.findall(challenge)}
        known = fields.get("algorithm", "MD5").upper() in _KNOWN_ALGORITHMS
        if known and "auth" in re.split(r"[,\s]+", fields.get("qop", "auth")):
            return challenge
    return ""


def _scheme(challenge: str) -> str:
    return challenge.split(maxsplit=1)[0]
