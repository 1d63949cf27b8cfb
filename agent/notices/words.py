"""Notices as people read them: a subject, plain text, and the same as simple HTML."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from html import escape
from pathlib import Path

from agent.notices.channel import Sending
from agent.notices.letter import LATE_S, Letter
from policies.reasons import duration_text
from policies.telling import Topic

SUBJECT_MOST = 150


@dataclass(frozen=True, slots=True)
class Sender:
    """On whose behalf is told.

    Attributes:
        site: its name.
        zone: its time zone; every time that people read is in it.
        dry_run: nothing is sent to any device, and every message says so.
        reports: where the reports of outages lie; None = none is sent along.
    """

    site: str
    zone: tzinfo
    dry_run: bool = False
    reports: Path | None = None


@dataclass(frozen=True, slots=True)
class Words:
    """One message for people."""

    subject: str
    text: str
    html: str


@dataclass(frozen=True, slots=True)
class _Line:
    """One sentence, however often it was raised."""

    letter: Letter
    times: int
    last: Letter


def words_of(sending: Sending, sender: Sender, *, more: Sequence[str] = ()) -> Words:
    """Return a message of several notices, in the order in which they were raised.

    Args:
        sending: the notices.
        sender: on whose behalf.
        more: sentences on the message itself, such as of what is attached.
    """
    lines = _collapsed(sending.letters)
    late_s = max(sending.late_s(letter) for letter in sending.letters)
    notes = [*more, *_notes(sending, sender, late_s)]
    told = [(_when(line, sending.utc, sender.zone), _said(line, sender.site)) for line in lines]
    text = "\n".join([sender.site, "", *(f"{when}  {said}" for when, said in told), "", *notes])
    return Words(_subject(lines, sender, late_s), f"{text}\n", _html(sender.site, told, notes))


def _collapsed(letters: Sequence[Letter]) -> list[_Line]:
    """The same said again is said once, with how often and when at last."""
    found: dict[tuple[str, str, str], _Line] = {}
    for letter in letters:
        key = (letter.severity, letter.about, letter.text)
        before = found.get(key)
        if before is None:
            found[key] = _Line(letter, 1, letter)
        else:
            found[key] = _Line(before.letter, before.times + 1, letter)
    return list(found.values())


def _subject(lines: Sequence[_Line], sender: Sender, late_s: float) -> str:
    gravest = max(lines, key=lambda line: (line.letter.topic is Topic.MAINS_LOST, line.letter.rank))
    needs = "needs you: " if gravest.letter.topic is Topic.NEEDS_YOU else ""
    dry = "dry run: " if sender.dry_run else ""
    late = f"late by {duration_text(late_s)}: " if late_s >= LATE_S else ""
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    said = sentence(gravest.letter, sender.site)
    room = SUBJECT_MOST - len(sender.site) - len(needs + dry + late + more)
    if len(said) > room:
        said = f"{said[: max(20, room) - 1]}…"
    return f"{sender.site}: {dry}{late}{needs}{said}{more}"


def sentence(letter: Letter, site: str) -> str:
    """Return what a notice says, with what it is about unless that is clear without."""
    if letter.about == site or letter.about in letter.text:
        return letter.text
    return f"{letter.about}: {letter.text}"


def _said(line: _Line, site: str) -> str:
    needs = "needs you: " if line.letter.topic is Topic.NEEDS_YOU else ""
    times = f" ({line.times} times)" if line.times > 1 else ""
    return f"{needs}{sentence(line.letter, site)}{times}"


def _when(line: _Line, now: datetime, zone: tzinfo) -> str:
    first, last = (_clock(each.utc, now, zone) for each in (line.letter, line.last))
    return first if first == last else f"{first} to {last}"


def _clock(utc: datetime, now: datetime, zone: tzinfo) -> str:
    local = utc.astimezone(zone)
    is_today = local.date() == now.astimezone(zone).date()
    return f"{local:%H:%M:%S}" if is_today else f"{local:%Y-%m-%d %H:%M:%S}"


def _notes(sending: Sending, sender: Sender, late_s: float) -> list[str]:
    """What is to be known of the message itself."""
    notes = []
    if sender.dry_run:
        notes.append("This is a dry run: nothing is sent to any device.")
    if late_s >= LATE_S:
        notes.append(f"This is late: it was raised {duration_text(late_s)} before it was sent.")
    if any(letter.synced is False for letter in sending.letters):
        notes.append("The clock of the box was not synchronised: its times may be wrong.")
    local = sending.utc.astimezone(sender.zone)
    notes.append(f"Sent at {local:%Y-%m-%d %H:%M:%S %Z} by lastwatt; times are the site's own.")
    return notes


def _html(site: str, told: Sequence[tuple[str, str]], notes: Sequence[str]) -> str:
    rows = "".join(
        f'<tr><td style="padding:2px 12px 2px 0;white-space:nowrap;vertical-align:top">'
        f'{escape(when)}</td><td style="padding:2px 0">{escape(said)}</td></tr>'
        for when, said in told
    )
    below = "".join(f"<p>{escape(note)}</p>" for note in notes)
    return (
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{escape(site)}</title>'
        f'</head><body style="font-family:sans-serif"><h1 style="font-size:1.1em">{escape(site)}'
        f"</h1><table>{rows}</table>{below}</body></html>"
    )
