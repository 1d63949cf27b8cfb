"""One notice on its way, as it is kept on the disk; and its text, made harmless."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass
from datetime import datetime

from policies.telling import Topic, topic_of

TEXT_MOST = 2000
"""Longest text of a notice, in characters; what a device says is a part of many."""

LATE_S = 120.0
"""From this age on a notice says that it is late."""

_BLANK = frozenset({"Cc", "Zl", "Zp", "Zs"})
_ODD = frozenset({"Cf", "Cn", "Co", "Cs"})


@dataclass(frozen=True, slots=True)
class Letter:
    """One notice that somebody is to get.

    Attributes:
        id: the same in every try, so that a receiver knows it again.
        severity: "info", "warning" or "error".
        about: the unit, device or part that it is about.
        text: a sentence on one line, without control characters.
        at: site time of raising, s; utc is the wall time of that.
        synced: whether the wall clock was synchronised then; None = unknown.
        report: name of the filed report that it tells of, "" = of none; a mail brings it along.
    """

    id: str
    severity: str
    about: str
    text: str
    topic: Topic
    at: float
    utc: datetime
    synced: bool | None = None
    report: str = ""

    @property
    def rank(self) -> int:
        """How grave it is: 0 info, 1 warning, 2 error."""
        return rank_of(self.severity)


def rank_of(severity: str) -> int:
    """Return how grave a severity is, from 0 to 2; what is none counts as the gravest."""
    return {"info": 0, "warning": 1}.get(severity, 2)


def plain(text: str, *, most: int = TEXT_MOST) -> str:
    """Return *text* on one line, with nothing in it that could steer a header or a terminal.

    Line ends, tabs and other control characters become blanks, what is invisible or turns the
    direction of writing is left out; longer text is cut, with a sign of that.
    """
    kept = []
    for char in text[: most + 1]:
        category = unicodedata.category(char)
        if category in _BLANK:
            kept.append(" ")
        elif category not in _ODD:
            kept.append(char)
    line = " ".join("".join(kept).split())
    return line if len(text) <= most else f"{line[: most - 1]}…"


def to_json(letter: Letter) -> str:
    """Return the letter as the disk keeps it."""
    return json.dumps(
        {
            "id": letter.id,
            "severity": letter.severity,
            "about": letter.about,
            "text": letter.text,
            "topic": letter.topic.value,
            "at": letter.at,
            "utc": letter.utc.isoformat(),
            "synced": letter.synced,
            "report": letter.report,
        }
    )


def from_json(body: str) -> Letter:
    """Return the letter that the disk kept.

    Raises:
        ValueError: it is none.
    """
    try:
        held = json.loads(body)
        return Letter(
            id=str(held["id"]),
            severity=str(held["severity"]),
            about=plain(str(held["about"])),
            text=plain(str(held["text"])),
            topic=topic_of(str(held["topic"]), str(held["severity"])),
            at=float(held["at"]),
            utc=datetime.fromisoformat(held["utc"]),
            synced=held.get("synced"),
            report=str(held.get("report", "")),
        )
    except (LookupError, TypeError, AttributeError) as error:
        raise ValueError("no notice") from error
