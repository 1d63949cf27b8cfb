"""`lastwatt battery`: how old a unit's battery is and how it ages; and that another was fitted."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from agent.cli.contract import (
    Command,
    CommandError,
    Exit,
    is_confirmed,
    json_option,
    show,
    show_document,
    state_option,
)
from agent.cli.hands import asked, who_option, yes_option

FITTED, SHOW = "fitted", "show"


@click.command(
    cls=Command,
    example="lastwatt battery --state /var/lib/lastwatt\n"
    "lastwatt battery fitted cabinet --date 2026-03-01 --state /var/lib/lastwatt",
    short_help="How batteries age; tell of a new one.",
)
@click.argument("words", nargs=-1, metavar="[fitted] [UNIT]")
@state_option
@click.option(
    "--date", "day", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY",
    help="The day it was put in, like 2026-03-01; default today.",
)  # fmt: skip
@who_option
@yes_option
@json_option
def battery(
    words: tuple[str, ...], folder: Path, day: datetime | None, who: str | None, yes: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Show how old the battery of each unit is, or of UNIT, what it holds now, and how long yet.

    What discharges showed makes a trend; four of them, over four months, make a forecast of when
    it falls to 80 % of a new one, where the trade replaces it. "fitted UNIT" tells the agent of
    another battery: what is missing from it, what was learnt of the old one and the trend start
    anew. Batteries are heavy, and can give a fatal current: have them fitted by somebody trained
    for it.
    """
    if words[:1] == (FITTED,):
        if len(words) != 2:
            raise click.UsageError("name one unit: lastwatt battery fitted UNIT")
        on = None if day is None else day.date().isoformat()
        return _fitted(folder, words[1], on, who, yes=yes, as_json=as_json)
    if day is not None or who is not None or yes:
        raise click.UsageError("--date, --who and --yes go with: lastwatt battery fitted UNIT")
    names = words[1:] if words[:1] == (SHOW,) else words
    if len(names) > 1:
        raise click.UsageError("name one unit, or none for all of them")
    return _show(folder, names[0] if names else None, as_json=as_json)


def _fitted(
    folder: Path, unit: str, on: str | None, who: str | None, *, yes: bool, as_json: bool
) -> int:
    request = {"ask": "fitted", "unit": unit, "date": on, "who": who}
    preview = asked(folder, {**request, "preview": True}, "unit", "date", "notes")
    lines = (f"{preview['unit']}: battery fitted on {preview['date']}", *preview["notes"])
    if not yes and not is_confirmed("is that so?", lines):
        why = "not confirmed: nothing was changed; --yes confirms beforehand"
        raise CommandError(why, status=Exit.NO)
    answer = asked(folder, request, "unit", "date", "who", "notes")
    if as_json:
        fields = {name: answer[name] for name in ("unit", "date", "who", "notes")}
        show_document(True, **fields)
        return Exit.YES
    show(f"{answer['unit']}: battery fitted on {answer['date']}, told by {answer['who']}")
    for note in answer["notes"]:
        show(f"  {note}")
    return Exit.YES


def _show(folder: Path, unit: str | None, *, as_json: bool) -> int:
    from agent.battery import view as view

    answer = asked(folder, {"ask": "battery", "unit": unit}, "site", "units")
    units = [{**found, "runs": _runs(folder, found)} for found in answer["units"]]
    if as_json:
        show_document(True, site=answer["site"], units=units)
        return Exit.YES
    try:
        lines = [line for found in units for line in view.lines(found, runs=found["runs"])]
    except (LookupError, TypeError, ValueError) as error:
        raise CommandError(
            "the agent is of another release and answers in words unknown here; use --json, or "
            "its own release's command",
            status=Exit.NO,
        ) from error
    for line in lines:
        show(line)
    return Exit.YES


def _runs(folder: Path, found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the full runs of the present battery that the journal holds, from old to new."""
    from agent.errors import JournalError
    from agent.journal.runs import discharges
    from agent.journal.view import rows

    since = found.get("fitted") or ""
    try:
        seen = list(discharges(rows(folder), str(found.get("unit"))))
    except JournalError:  # the agent answered: what it knows is shown without them
        return []
    return [
        {"date": one.on.isoformat(), "watts": round(one.watts, 1), "hours": round(one.hours, 4)}
        for one in seen
        if not one.missing and one.watts is not None and one.on.isoformat() >= since
    ]
