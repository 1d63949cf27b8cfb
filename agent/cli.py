"""The command line: arguments and exit statuses, and nothing else.

Exit statuses: 0 yes; 1 no (faults found, a recorder lost, an invariant broken); 2 usage or
unreadable input; 3 unreachable; 4 refused. Results go to standard output, trouble to standard
error; `--json` puts one document {"format": 1, "ok": …} alone on standard output.
"""

from __future__ import annotations

import asyncio
import json
import logging
import signal
import sys
from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from enum import IntEnum
from pathlib import Path
from typing import Any, NoReturn
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import click
from click.shell_completion import get_completion_class

from agent.check import check as check_site
from agent.config import Fault, LoadedSite, Severity, load
from agent.errors import ConfigError, JournalError
from agent.logs import set_up_logs
from drivers.base import Verdict
from drivers.errors import LastwattError

FORMAT = 1


class Exit(IntEnum):
    """Exit statuses; a contract."""

    YES = 0
    NO = 1
    UNREADABLE = 2
    UNREACHABLE = 3
    REFUSED = 4


_FILE = click.Path(dir_okay=False, path_type=Path)
_FOLDER = click.Path(file_okay=False, path_type=Path)
_json = click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
_state = click.option(
    "--state", "folder", type=_FOLDER, required=True, help="The agent's state directory."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lastwatt", prog_name="lastwatt")
def main() -> None:
    """Bring a site's recorders, PCs and switches to rest before the battery ends.

    \b
    First steps:
      lastwatt demo                            a whole outage on a virtual site
      lastwatt check site.toml                 is the file right, and the site
      lastwatt probe site.toml                 does everything answer
      lastwatt run site.toml --state /var/lib/lastwatt --dry-run
    """
    set_up_logs(level=logging.WARNING)


@main.command()
@click.argument("file", type=_FILE)
@_json
@click.option("--strict", is_flag=True, help="Warnings make the exit status 1 too.")
def check(file: Path, as_json: bool, strict: bool) -> None:
    """Check a site's FILE: its faults, and what will bite in the first outage.

    \b
    Example:
      lastwatt check site.toml --strict
    """
    loaded, faults = _loading(as_json, lambda: check_site(file, today=_today()))
    errors = [fault for fault in faults if fault.severity is Severity.ERROR]
    ok = loaded is not None and not errors and not (strict and faults)
    if as_json:
        _print_json(ok, site=_site_name(loaded), faults=[_fault(fault) for fault in faults])
    else:
        _print_lines(str(fault) for fault in faults)
        summary = f"{file}: {len(errors)} errors, {len(faults) - len(errors)} warnings"
        click.echo(summary if faults else f"{file}: nothing to mend")
    sys.exit(Exit.YES if ok else Exit.NO)


@main.command()
@click.argument("file", type=_FILE)
@_json
def probe(file: Path, as_json: bool) -> None:
    """Reach every unit and device of FILE, read-only, and say what to mend.

    \b
    Example:
      lastwatt probe site.toml
    """
    from agent.probe import probe as probe_site

    loaded = _load_whole(file, as_json)
    found = asyncio.run(probe_site(loaded, progress=_progress("probing")))
    verdicts = {probed.verdict for probed in found}
    if as_json:
        _print_json(
            all(p.ok for p in found), site=loaded.site.name, probes=[p.as_json() for p in found]
        )
    else:
        for probed in found:
            mark = "yes" if probed.ok else "NO"
            click.echo(f"{mark:3}  {probed.name} ({probed.driver}): {probed.evidence}")
            if probed.advice:
                click.echo(f"     {probed.advice}")
    if verdicts <= {Verdict.DONE}:
        sys.exit(Exit.YES)
    if Verdict.REFUSED in verdicts:
        sys.exit(Exit.REFUSED)
    silent = verdicts & {Verdict.NO_ANSWER, Verdict.UNCERTAIN}
    sys.exit(Exit.UNREACHABLE if silent else Exit.NO)


@main.command()
@click.argument("file", type=_FILE)
@_state
@click.option("--dry-run", is_flag=True, help="Decide and show, but send nothing to any device.")
def run(file: Path, folder: Path, dry_run: bool) -> None:
    """Watch the site of FILE and act, for as long as it lives; SIGTERM ends it.

    Ending it stops no device. With --dry-run every order is shown exactly as it would go over the
    wire, secrets masked, and nothing is sent.

    \b
    Example:
      lastwatt run site.toml --state /var/lib/lastwatt --dry-run
    """
    loaded = _load_whole(file, as_json=False)
    set_up_logs(level=logging.INFO)
    try:
        asyncio.run(_run(loaded, folder, dry_run=dry_run))
    except JournalError as error:
        _fail(Exit.REFUSED, error)


async def _run(loaded: LoadedSite, folder: Path, *, dry_run: bool) -> None:
    from agent.wiring import Agent

    ending = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ending.set)
    await Agent(loaded, folder, dry_run=dry_run).run(ending)


@main.command()
@_state
@_json
@click.option("--follow", is_flag=True, help="Go on showing what comes; with --json, JSON lines.")
@click.option("--last", type=click.IntRange(1), help="Only so many of the latest entries.")
@click.option("--sent", is_flag=True, help="Also what went over the wire, secrets masked.")
@click.option("--export", type=_FILE, help="Write the whole journal to a file, as JSON lines.")
def journal(
    folder: Path, as_json: bool, follow: bool, last: int | None, sent: bool, export: Path | None
) -> None:
    """Show what happened, also while the agent runs, or on a copy of its state directory.

    \b
    Example:
      lastwatt journal --state /var/lib/lastwatt --last 50 --follow
    """
    from agent import journal_view as view

    try:
        zone = _zone(view.site_facts(folder).get("time_zone"))
        if export is not None:
            count = _export(export, view.json_lines(view.rows(folder)))
            click.echo(f"{count} entries written to {export}")
            return
        rows = list(view.rows(folder, newest=last))
        if as_json and not follow:
            click.echo(json.dumps({**view.document(rows), "ok": True}, ensure_ascii=False))
            return
        _print_lines(
            view.json_lines(rows) if as_json else view.lines(rows, zone=zone, with_sent=sent)
        )
        if follow:
            after_id = rows[-1].id if rows else 0
            for row in view.follow(folder, after_id=after_id):
                _print_lines(
                    view.json_lines([row])
                    if as_json
                    else view.lines([row], zone=zone, with_sent=sent)
                )
                sys.stdout.flush()
    except JournalError as error:
        _fail(Exit.UNREADABLE, error, as_json=as_json and not follow)


@main.command()
@_state
@_json
def status(folder: Path, as_json: bool) -> None:
    """Ask the running agent how the site is.

    \b
    Example:
      lastwatt status --state /var/lib/lastwatt
    """
    from agent import status as shown
    from agent.control import AgentUnreachableError, ask

    try:
        answer = ask(folder, {"ask": "status"})
    except AgentUnreachableError as error:
        _fail(Exit.UNREACHABLE, error, as_json=as_json)
    if not answer["ok"]:
        _fail(Exit.NO, LastwattError(str(answer.get("error"))), as_json=as_json)
    if as_json:
        click.echo(json.dumps(answer, ensure_ascii=False))
    else:
        _print_lines(shown.lines(answer))


@main.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion(shell: str) -> None:
    """Print the script that lets SHELL complete lastwatt's commands and options.

    \b
    Example:
      lastwatt completion bash > /etc/bash_completion.d/lastwatt
    """
    found = get_completion_class(shell)
    assert found is not None, "click knows the shells that are offered"
    click.echo(found(main, {}, "lastwatt", "_LASTWATT_COMPLETE").source())


# What commands share


def _today() -> Any:
    return datetime.now(UTC).astimezone().date()


def _loading(
    as_json: bool, read: Callable[[], tuple[LoadedSite | None, tuple[Fault, ...]]]
) -> tuple[LoadedSite | None, tuple[Fault, ...]]:
    try:
        return read()
    except ConfigError as error:
        _fail(Exit.UNREADABLE, error, as_json=as_json)


def _load_whole(file: Path, as_json: bool) -> LoadedSite:
    """The site of a file without errors; else its faults are printed, and the status is 1."""
    loaded, faults = _loading(as_json, lambda: load(file, today=_today()))
    if loaded is not None:
        return loaded
    if as_json:
        _print_json(False, faults=[_fault(fault) for fault in faults])
    for fault in faults:
        click.echo(str(fault), err=True)
    sys.exit(Exit.NO)


def _site_name(loaded: LoadedSite | None) -> str | None:
    return None if loaded is None else loaded.site.name


def _fault(fault: Fault) -> dict[str, Any]:
    return {
        "file": fault.file,
        "line": fault.line,
        "key": fault.key,
        "code": fault.code,
        "message": fault.message,
        "fix": fault.fix,
        "severity": fault.severity.value,
    }


def _fail(status: Exit, error: LastwattError, *, as_json: bool = False) -> NoReturn:
    if as_json:
        _print_json(False, error=str(error))
    click.echo(f"lastwatt: {error}", err=True)
    sys.exit(status)


def _print_json(ok: bool, **fields: Any) -> None:
    click.echo(json.dumps({"format": FORMAT, "ok": ok, **fields}, ensure_ascii=False))


def _print_lines(lines: Iterable[str]) -> None:
    for line in lines:
        click.echo(line)


def _progress(what: str) -> Callable[[int, int], None]:
    """Tell a person at a terminal how far it is; nobody else."""

    def show(done: int, of: int) -> None:
        if sys.stderr.isatty():
            click.echo(f"\r{what}: {done} of {of}", nl=done == of, err=True)

    return show


def _export(path: Path, lines: Iterable[str]) -> int:
    """Write lines to a file that appears only when it is whole."""
    count = 0
    part = path.with_name(path.name + ".part")
    try:
        with part.open("w", encoding="utf-8") as file:
            for line in lines:
                file.write(line + "\n")
                count += 1
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        _fail(Exit.UNREADABLE, LastwattError(f"cannot write {path}: {error.strerror}"))
    return count


def _zone(name: str | None) -> ZoneInfo:
    try:
        return ZoneInfo(name or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")
