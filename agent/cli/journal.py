"""`lastwatt journal`: what happened, for people and for programs."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

import click

from agent.cli.contract import (
    FILE,
    FORMAT,
    Command,
    CommandError,
    Exit,
    complain,
    json_line,
    json_option,
    progress,
    show,
    show_document,
    show_json,
    state_option,
)

if TYPE_CHECKING:
    from datetime import tzinfo

    from agent.journal.file import Row

_TELL_EVERY = 1000


@click.command(
    cls=Command,
    example="lastwatt journal --state /var/lib/lastwatt --last 50 --follow\n"
    "lastwatt journal --state /var/lib/lastwatt --export journal.jsonl",
    short_help="Show what happened.",
)
@state_option
@json_option
@click.option("--follow", is_flag=True, help="Go on showing what comes; with --json, JSON lines.")
@click.option("--last", type=click.IntRange(1), help="Only so many of the latest entries.")
@click.option("--sent", is_flag=True, help="Also what went over the wire, secrets masked.")
@click.option("--export", type=FILE, help="Write the whole journal to a file, as JSON lines.")
def journal(
    folder: Path, as_json: bool, follow: bool, last: int | None, sent: bool, export: Path | None
) -> int:
    """Show what happened, also while the agent runs, or on a copy of its state directory.

    Ctrl-C ends --follow. An export appears only when it is whole.
    """
    from agent.errors import JournalError
    from agent.journal import view as view

    if export is not None and (follow or last is not None or sent):
        raise click.UsageError(
            "--export writes the whole journal, and goes with --state and --json only"
        )
    try:
        zone = _zone(view.site_facts(folder).get("time_zone"))
        if export is not None:
            count = _export(export, view.rows(folder))
            if as_json:
                show_document(True, file=str(export), entries=count)
            else:
                show(f"{count} entries written to {export}")
        elif follow:
            _show_rows(_followed(folder, last), zone, as_json=as_json, with_sent=sent)
        elif as_json:
            return _show_document(view.rows(folder, newest=last))
        else:
            _show_rows(view.rows(folder, newest=last), zone, as_json=False, with_sent=sent)
    except JournalError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    return Exit.YES


def _followed(folder: Path, last: int | None) -> Iterator[Row]:
    """Yield what is there, then what comes, each as soon as it is there."""
    from agent.journal import view as view

    after_id = 0
    for row in view.rows(folder, newest=last):
        after_id = row.id
        yield row
    sys.stdout.flush()
    for row in view.follow(folder, after_id=after_id):
        yield row
        sys.stdout.flush()


def _show_rows(rows: Iterable[Row], zone: tzinfo, *, as_json: bool, with_sent: bool) -> None:
    from agent.journal import view as view

    if as_json:
        for row in rows:
            show_json(view.as_json(row))
    else:
        for line in view.lines(rows, zone=zone, with_sent=with_sent):
            show(line)


def _show_document(rows: Iterable[Row]) -> int:
    """Write the one document an entry at a time: a journal of years need not fit into memory.

    Whether it went well is known at its end, so `ok` comes last.
    """
    from agent.errors import JournalError
    from agent.journal import view as view

    status, ending = Exit.YES, json_line({"ok": True})
    sys.stdout.write(f'{{"format": {FORMAT}, "events": [')
    comma = ""
    try:
        for row in rows:
            sys.stdout.write(comma + json_line(view.as_json(row)))
            comma = ", "
    except JournalError as error:
        status, ending = Exit.UNREADABLE, json_line({"ok": False, "error": str(error)})
        complain(str(error))
    sys.stdout.write(f"], {ending[1:]}\n")
    return status


def _export(path: Path, rows: Iterable[Row]) -> int:
    """Write every entry to a file that appears only when it is whole; return how many.

    A device or a pipe is written to as it stands, and never replaced.
    """
    try:
        if path.exists() and not path.is_file():
            with path.open("w", encoding="utf-8") as file:
                return _write(file, rows)
        path = path.resolve()  # or a link would be replaced, and not what it points to
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            with part.open("x", encoding="utf-8") as file:
                count = _write(file, rows)
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
    except BrokenPipeError:
        raise
    except OSError as error:
        raise CommandError(
            f"cannot write {path}: {(error.strerror or 'no reason given').lower()}; name another "
            "file, or make room for it",
            status=Exit.UNREADABLE,
        ) from error
    return count


def _write(file: TextIO, rows: Iterable[Row]) -> int:
    from agent.journal import view as view

    tell, count = progress("exporting", unit=" entries"), 0
    for count, row in enumerate(rows, start=1):
        # Escaped throughout: a device may have written what no encoding takes.
        file.write(json.dumps(view.as_json(row)) + "\n")
        if count % _TELL_EVERY == 0:
            tell(count, None)
    tell(count, count)
    return count


def _zone(name: str | None) -> tzinfo:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: it names a folder
        return ZoneInfo("UTC")
