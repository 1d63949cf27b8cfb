"""`lastwatt report`: documents for owners, integrators, and whoever stands before the rack."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.cli.contract import (
    FILE,
    FOLDER,
    Command,
    CommandError,
    Exit,
    json_option,
    progress,
    show,
    show_document,
    state_option,
)

if TYPE_CHECKING:
    from datetime import date, datetime

    from agent.config import LoadedSite
    from agent.reports.outage import OutageTold
    from agent.story.model import Outage, Story

into_option = click.option(
    "-o", "into", type=FILE, metavar="FILE", help="Write the document into this file, as HTML."
)
known_option = click.option(
    "--state", "folder", type=FOLDER, metavar="DIR",
    help="The agent's state directory; default as in FILE.",
)  # fmt: skip
_FIRST_YEAR, _LAST_YEAR = 2000, 9998


@click.group(short_help="Documents to keep or print: an outage, a month, a year, a site.")
def report() -> None:
    """Documents of one HTML file each, to keep, send or print; nothing in them is fetched.

    What happened is told from the journal of a state directory, also while the agent runs, or from
    a copy of it; the site as wired from its file.
    """


@report.command(
    "outage",
    cls=Command,
    example="lastwatt report outage --state /var/lib/lastwatt -o outage.html\n"
    "lastwatt report outage --state /var/lib/lastwatt --outage 3 --json",
    short_help="What happened in one outage, and what to mend.",
)
@state_option
@click.option(
    "--outage", "which", default="last", metavar="N", help="Its number by `report year`; or last."
)
@into_option
@json_option
def outage_command(folder: Path, which: str, into: Path | None, as_json: bool) -> int:
    """Tell one outage: when what happened to which device, how that is known, and what to mend.

    The status is 1 where something that holds recordings or data lost its power unprepared, or
    could not be brought to rest.
    """
    from agent.reports.outage import as_document, outage_html, outage_told
    from agent.story.read import zone_of

    story = _story(folder)
    outage = _outage(story, which)
    zone = zone_of(story)
    told = outage_told(story, outage, zone=zone)
    if into is not None:
        _write(into, outage_html(story, outage, zone=zone, made=_now()))
    ok = not _lost(told)
    if as_json:
        show_document(ok, outage=as_document(told), file=None if into is None else str(into))
    elif into is None:
        _show_outage(told)
    else:
        show(f"outage {outage.number} of {told.day} written to {into}")
    return Exit.YES if ok else Exit.NO


def _lost(told: OutageTold) -> bool:
    from agent.reports.fates import Fate
    from policies.model import HOLDS_DATA

    unsaved = (Fate.LOST, Fate.FAILED)
    return any(fate.role in HOLDS_DATA and fate.fate in unsaved for fate in told.fates)


def _show_outage(told: OutageTold) -> None:
    show(f"{told.site}, outage {told.number}")
    for sentence in told.lead:
        show(f"  {sentence}")
    for sentence in told.mend:
        show(f"  TO MEND  {sentence}")
    show("")
    for line in told.course:
        show(f"{line.clock}  {line.text}")


@report.command(
    "month",
    cls=Command,
    example="lastwatt report month --state /var/lib/lastwatt --month 2026-03 -o march.html",
    short_help="A month in short, as a page or as the text of a mail.",
)
@state_option
@click.option(
    "--month", type=click.DateTime(["%Y-%m"]), metavar="MONTH",
    help="Like 2026-03; default the last whole one.",
)  # fmt: skip
@into_option
@json_option
def month_command(folder: Path, month: datetime | None, into: Path | None, as_json: bool) -> int:
    """Tell a month: outages, recording, batteries, and what was said meanwhile.

    Without a file it is shown as the text of a mail.
    """
    from agent.reports.month import month_before, month_html, month_text
    from agent.reports.period import as_document, month_told
    from agent.story.read import zone_of

    story = _story(folder)
    zone = zone_of(story)
    year, number = month_before(_today(story)) if month is None else (month.year, month.month)
    _check_year(year)
    if as_json:
        show_document(True, month=as_document(month_told(story, year, number, zone=zone)))
    if into is not None:
        _write(into, month_html(story, year, number, zone=zone, made=_now()))
        if not as_json:
            show(f"{year}-{number:02} written to {into}")
    elif not as_json:
        for line in month_text(story, year, number, zone=zone, made=_now()).splitlines():
            show(line)
    return Exit.YES


@report.command(
    "year",
    cls=Command,
    example="lastwatt report year --state /var/lib/lastwatt --year 2026 -o 2026.html",
    short_help="A year's interruptions in the trade's terms.",
)
@state_option
@click.option("--year", type=click.IntRange(_FIRST_YEAR, _LAST_YEAR), help="Default the present.")
@into_option
@json_option
def year_command(folder: Path, year: int | None, into: Path | None, as_json: bool) -> int:
    """Tell a year: interruptions by IEEE 1366 and IEEE 1159, every outage, recording, batteries."""
    from agent.reports.period import as_document, year_told
    from agent.reports.year import year_html
    from agent.story.read import zone_of

    story = _story(folder)
    zone = zone_of(story)
    of = _today(story).year if year is None else year
    told = year_told(story, of, zone=zone)
    if into is not None:
        _write(into, year_html(story, of, zone=zone, made=_now()))
    if as_json:
        show_document(True, year=as_document(told))
    elif into is not None:
        show(f"{of} written to {into}")
    else:
        from agent.reports.year import year_lines

        for line in year_lines(told):
            show(line)
    return Exit.YES


@report.command(
    "handover",
    cls=Command,
    example="lastwatt report handover site.toml --state /var/lib/lastwatt -o handover.html",
    short_help="A site as wired, for the integrator's client.",
)
@click.argument("file", type=FILE)
@known_option
@click.option("--at", metavar="TIME", default="now", help="When mains fails: 17:00, or now.")
@into_option
@json_option
def handover_command(
    file: Path, folder: Path | None, at: str, into: Path | None, as_json: bool
) -> int:
    """Tell the site of FILE as wired: power budget, runtime, how well each order is known to work.

    Grades, the last rehearsal and the last drill come from a state directory: that of --state, or
    that which the file names, if it is here. Nothing is asked of any device. It takes some seconds.
    """
    from dataclasses import asdict

    from agent.checks.check import check
    from agent.cli.site import load_whole, today
    from agent.conduct.learnt_durations import state_in
    from agent.config.faults import Severity
    from agent.moment import moment_of
    from agent.planning.outlook import outlook
    from agent.rehearsal.store import latest
    from agent.reports.handover import handover_html, handover_told

    _wants_file(into, as_json=as_json)
    loaded = _with_state(load_whole(file, secrets_must_exist=False), folder)
    begins = moment_of(at, zone=loaded.time_zone, now=_now())
    _, faults = check(file, today=today(), secret_files_must_exist=False)
    known = state_in(loaded)
    found = outlook(
        loaded, begins=begins, today=today(), tell=progress("planning"), journalled=known
    )
    told = handover_told(
        loaded,
        found,
        made=_now(),
        known=known,
        rehearsed=None if loaded.agent.state is None else latest(loaded.agent.state),
        faults=[fault for fault in faults if fault.severity is Severity.WARNING],
    )
    if into is not None:
        _write(into, handover_html(told, found))
    if as_json:
        show_document(True, handover=asdict(told), file=None if into is None else str(into))
    else:
        show(f"handover report of {told.site} written to {into}")
    return Exit.YES


@report.command(
    "rack",
    cls=Command,
    example="lastwatt report rack site.toml -o rack.html",
    short_help="One page to hang in the cabinet.",
)
@click.argument("file", type=FILE)
@known_option
@into_option
@json_option
def rack_command(file: Path, folder: Path | None, into: Path | None, as_json: bool) -> int:
    """Make the sheet that hangs in the cabinet. It prints on one page, A4 or Letter.

    It says whom to call ([[contact]] in FILE), what to start by hand in which order, what to undo
    and how, which batteries there are, and what not to do.
    """
    from dataclasses import asdict

    from agent.cli.site import load_whole
    from agent.conduct.learnt_durations import state_in
    from agent.reports.rack import fitted_days, rack_html, rack_told

    _wants_file(into, as_json=as_json)
    loaded = _with_state(load_whole(file, secrets_must_exist=False), folder)
    known = state_in(loaded)
    units = {} if known is None else known.units
    fitted = fitted_days({name: unit.battery for name, unit in units.items()})
    if into is not None:
        _write(into, rack_html(loaded, made=_now(), fitted=fitted))
    if as_json:
        day = _now().astimezone(loaded.time_zone).date()
        told = asdict(rack_told(loaded, today=day, fitted=fitted))
        show_document(True, rack=told, file=None if into is None else str(into))
    else:
        show(f"sheet for the cabinet of {loaded.site.name} written to {into}")
    return Exit.YES


# What they share


def _wants_file(into: Path | None, *, as_json: bool) -> None:
    if into is None and not as_json:
        raise click.UsageError("name the file to write: -o FILE")


def _with_state(loaded: LoadedSite, folder: Path | None) -> LoadedSite:
    """The site with the state directory that was named, if one was."""
    from dataclasses import replace

    if folder is None:
        return loaded
    return replace(loaded, agent=replace(loaded.agent, state=folder))


def _story(folder: Path) -> Story:
    from agent.errors import JournalError
    from agent.story.read import read_story

    try:
        return read_story(folder)
    except JournalError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error


def _outage(story: Story, which: str) -> Outage:
    if not story.outages:
        raise CommandError("the journal holds no outage; there is nothing to tell", status=Exit.NO)
    found = story.outages[-1] if which == "last" else None
    if which.isascii() and which.isdigit():
        found = story.outage(int(which))
    if found is None:
        raise CommandError(
            f'there is no outage "{which}"; the journal has 1 to {len(story.outages)}, or write '
            "--outage last",
            status=Exit.UNREADABLE,
        )
    return found


def _check_year(year: int) -> None:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        raise CommandError(
            f"{year} is no year to tell of; write --month 2026-03", status=Exit.UNREADABLE
        )


def _write(into: Path, text: str) -> None:
    from agent.journal.whole_file import write_whole

    write_whole(into, text)


def _now() -> datetime:
    from agent.clock import LoopClock

    return LoopClock().utc()


def _today(story: Story) -> date:
    from agent.story.read import zone_of

    return _now().astimezone(zone_of(story)).date()
