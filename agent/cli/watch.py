"""`lastwatt watch`: how the site is, live, for whoever sits at a terminal."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.cli.contract import (
    Command,
    CommandError,
    Exit,
    json_option,
    printable,
    show,
    show_document,
    state_option,
)

if TYPE_CHECKING:
    from agent.terminal.draw import Glyphs, Line
    from agent.terminal.glance import Glance

EVERY_S = 1.0
ASK_WITHIN_S = 30.0
"""The first answer may need a plan of an outage, which takes its time on a small box."""

AGAIN_WITHIN_S = 5.0
_ENTRIES = 6
_READ = 200
_QUIET = frozenset(
    {
        "took_reading",
        "began_step",
        "remembered_setting",
        "changed_light",
        "held_belief",
        "held_plan",
    }
)
"""Kinds of journal entries that the picture says better, or nobody asks about while watching."""

_DATE_CHARS = len("2026-11-28 ")


@click.command(
    cls=Command,
    example="lastwatt watch --state /var/lib/lastwatt",
    short_help="How the site is, live, in a terminal.",
)
@state_option
@click.option("--once", is_flag=True, help="Show it once, and end.")
@json_option
def watch(folder: Path, once: bool, as_json: bool) -> int:
    """Show how the site is and what becomes of every device, live; Ctrl-C ends it, with status 0.

    One sentence, then the battery, the load and a bar for each device over time: solid is what has
    happened, faint what is planned. On mains it is the outage that would begin now. It goes on
    over a restart of the agent. Where standard output is no terminal, it is shown once.
    """
    from agent.terminal.glance import as_fields

    watched = _Watched(folder)
    watched.look(within_s=ASK_WITHIN_S)
    if watched.glance is None:
        raise CommandError(watched.trouble, status=watched.status)
    if as_json:
        show_document(True, **as_fields(watched.glance))
        return Exit.YES
    from agent.terminal.screen import keep_showing, show_once

    if once or not sys.stdout.isatty():
        for line in show_once(watched.draw):
            show(line)
        return Exit.YES
    keep_showing(watched.draw, wait=watched.wait)
    return Exit.YES


def _now() -> float:
    from agent.clock import real_monotonic  # not above: --help need not wait for asyncio

    return real_monotonic()


@dataclass(slots=True)
class _Watched:
    """What was last seen of the agent on a state directory.

    Attributes:
        trouble: why there is no newer picture, "" = there is no trouble.
    """

    folder: Path
    glance: Glance | None = None
    journal: tuple[str, ...] = ()
    trouble: str = ""
    status: Exit = Exit.YES
    seen_at: float = field(default_factory=_now)

    def look(self, *, within_s: float) -> None:
        """Ask the agent, and read the end of its journal."""
        from agent.control import AgentUnreachableError, ask
        from agent.terminal.glance import from_fields

        try:
            answer = ask(self.folder, {"ask": "glance"}, timeout_s=within_s)
            if not answer["ok"]:
                raise ValueError(str(answer.get("error")))
            self.glance = from_fields(answer["glance"])
        except AgentUnreachableError as error:
            is_refused = isinstance(error.__cause__, PermissionError)
            self.status = Exit.REFUSED if is_refused else Exit.UNREACHABLE
            self.trouble = str(error)
            return
        except (LookupError, ValueError) as error:
            self.trouble = f"the agent is of another release, or at fault: {error}"
            self.status = Exit.NO
            return
        self.trouble, self.seen_at = "", _now()
        self.journal = _latest(self.folder)

    def wait(self) -> None:
        """Let a second pass, and look again."""
        time.sleep(EVERY_S)
        self.look(within_s=AGAIN_WITHIN_S)

    def draw(self, width: int, height: int, glyphs: Glyphs) -> Sequence[Line]:
        """Return the lines of what was last seen."""
        from agent.terminal.draw import Piece, lines

        assert self.glance is not None
        stale = ""
        if self.trouble:
            ago_s = _now() - self.seen_at
            stale = f"No answer for {ago_s:.0f} s; this is how it was. {self.trouble}"
        drawn = lines(self.glance, width, height, glyphs=glyphs, journal=self.journal, stale=stale)
        return [[Piece(_safe(piece.text), piece.style) for piece in line] for line in drawn]


def _safe(text: str) -> str:
    """Devices wrote part of it: nothing of it may steer the terminal."""
    return text if text.isprintable() else printable(text).ljust(len(text))


def _latest(folder: Path) -> tuple[str, ...]:
    from zoneinfo import ZoneInfo

    from agent.errors import JournalError
    from agent.journal import view

    try:
        zone = ZoneInfo(view.site_facts(folder).get("time_zone", "UTC"))
        told = [row for row in view.rows(folder, newest=_READ) if row.kind not in _QUIET]
        return tuple(line[_DATE_CHARS:] for line in view.lines(told[-_ENTRIES:], zone=zone))
    except (JournalError, OSError, ValueError):
        return ()
