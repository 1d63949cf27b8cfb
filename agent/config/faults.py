"""What is wrong with a site's file: where, what, and what to write instead."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum


class Severity(StrEnum):
    """Whether the file is refused for it."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, or will bite in an outage; holds no secret.

    Attributes:
        file: the file as it was named on the command line.
        line: where to look, from 1; None where the line is not known.
        key: dotted, by the names that the file gives: "device.gate recorder.watts".
        code: stable word for machines, in kebab case.
        message: what is wrong.
        fix: what to write instead.
    """

    file: str
    line: int | None
    key: str
    code: str
    message: str
    fix: str
    severity: Severity = Severity.ERROR

    def __str__(self) -> str:
        """Return the line that a person reads."""
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        return f"{place}: {self.severity}: {self.key}: {self.message}; {self.fix}"


def in_order(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Return the faults once each, from the top of a file to its end, a recipe's apart."""
    return tuple(sorted(dict.fromkeys(faults), key=lambda f: (f.file, f.line or 0, f.key, f.code)))


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """Return the nearest of the known words as a suggestion, or all of them."""
    words = sorted(known)
    near = get_close_matches(word, words, n=1, cutoff=0.6) if isinstance(word, str) else []
    if near:
        return f'write "{near[0]}"'
    listed = ", ".join(f'"{known_word}"' for known_word in words[:30])
    return f"write one of {listed}" if words else "remove it"


def as_written(seconds: float) -> str:
    """Return a span as the file would write it: "1h30m", "45s"."""
    left = round(seconds)
    parts = []
    for letter, size in (("d", 86400), ("h", 3600), ("m", 60), ("s", 1)):
        count, left = divmod(left, size)
        if count:
            parts.append(f"{count}{letter}")
    return "".join(parts) or "0s"
