"""`lastwatt check` and `lastwatt probe`: commands that read a site's file, and change nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sized
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FILE,
    FOLDER,
    Command,
    CommandError,
    Exit,
    complain,
    json_option,
    progress,
    show,
    show_document,
)

if TYPE_CHECKING:
    from datetime import date

    from agent.checks.probe import Probed, Report, Skipped
    from agent.config import Fault, LoadedSite


@click.command(
    cls=Command,
    example="lastwatt check site.toml --strict",
    short_help="Find the faults of a site's file.",
)
@click.argument("file", type=FILE, required=False)
@json_option
@click.option("--strict", is_flag=True, help="Warnings make the exit status 1 too.")
@click.option("--all", "folder", type=FOLDER, help="Check every site's file below this folder.")
@click.option("--origins", is_flag=True, help="Show where each value stands: file, line, key.")
def check(
    file: Path | None, as_json: bool, strict: bool, folder: Path | None, origins: bool
) -> int:
    """Check a site's FILE: its faults, and what will bite in the first outage.

    Nothing is asked of any device. Faults end with status 1; warnings do with --strict. With --all,
    secrets that are not there are warnings too, since each site's lie on its own box.
    """
    if (file is None) == (folder is None):
        raise click.UsageError("name one FILE, or a folder with --all DIR")
    if folder is not None:
        from agent.cli.site_many import check_all

        return check_all(folder, as_json=as_json, strict=strict)
    assert file is not None
    return _check_one(file, as_json=as_json, strict=strict, origins=origins)


def _check_one(file: Path, *, as_json: bool, strict: bool, origins: bool) -> int:
    from agent.checks.check import check as check_site
    from agent.config import Severity

    loaded, faults = _read(lambda: check_site(file, today=today()))
    errors = [fault for fault in faults if fault.severity is Severity.ERROR]
    ok = loaded is not None and not errors and not (strict and faults)
    if as_json:
        name = None if loaded is None else loaded.site.name
        more = {"origins": _origins(loaded)} if origins else {}
        show_document(ok, site=name, faults=as_fields(faults), **more)
    else:
        for origin in _origins(loaded) if origins else ():
            show(f"{origin['file']}:{origin['line']}: {origin['key']}")
        for fault in faults:
            show(str(fault))
        summary = f"{count_of(errors, 'error')}, {count_of(faults[len(errors) :], 'warning')}"
        show(f"{file}: {summary if faults else 'nothing to mend'}")
    return Exit.YES if ok else Exit.NO


def _origins(loaded: LoadedSite | None) -> list[dict[str, Any]]:
    """Say where each value of a file without errors comes from; what it is may be a key."""
    from agent.config.origins import origins

    if loaded is None:
        return []
    found = origins(loaded.document)
    return [{"key": key, "file": str(path), "line": line} for key, (path, line) in found]


@click.command(
    cls=Command,
    example="lastwatt probe site.toml",
    short_help="Reach everything, and change nothing.",
)
@click.argument("file", type=FILE)
@json_option
def probe(file: Path, as_json: bool) -> int:
    """Reach every unit and device of FILE, read-only, and say what to mend.

    Logs in everywhere, and looks at host keys, certificates, clocks, and which standard objects a
    backup unit has. Where several things are amiss the status says the gravest: 4 somebody
    refused, 3 somebody did not answer, 1 somebody answered nonsense.

    An agent that runs by FILE is asked first: devices that it is busy with, as with all in an
    outage, are left alone and named.
    """
    import asyncio

    from agent.checks.probe import probe as probe_site

    loaded = load_whole(file)
    busy = _busy(loaded)
    report = asyncio.run(probe_site(loaded, busy=busy, progress=progress("probing")))
    _tell_agent(loaded, report)
    if as_json:
        show_document(
            report.ok,
            site=loaded.site.name,
            probes=[probed.as_json() for probed in report.probed],
            skipped=[skipped.as_json() for skipped in report.skipped],
        )
    else:
        _show_probed(report.probed, report.skipped)
    return _status_of(report.probed)


def _busy(loaded: LoadedSite) -> dict[str, str]:
    """Return the devices that the agent is busy with, if one works by the file, and why."""
    from agent.control import AgentUnreachableError, ask

    if loaded.agent.state is None:
        return {}
    try:
        found = ask(loaded.agent.state, {"ask": "probing"}).get("busy", {})
    except AgentUnreachableError:
        return {}
    return {str(name): str(why) for name, why in found.items() if name in loaded.site.devices}


def _tell_agent(loaded: LoadedSite, report: Report) -> None:
    """Have the agent that works by the file, if one runs, note who was let in where."""
    from agent.control import AgentUnreachableError, ask
    from agent.grades.settings import fingerprints

    got_in: dict[str, bool] = {}
    for found in report.probed:
        # What watches a port, or wakes, shows nothing of the login that an order needs.
        if found.kind == "device" and found.driver in _tellers(loaded, found.name):
            got_in[found.name] = found.ok and got_in.get(found.name, True)
    names = [name for name, ok in got_in.items() if ok]
    if loaded.agent.state is None or not names:
        return
    settings = fingerprints(loaded)
    asked = {"ask": "probed", "devices": {name: settings[name] for name in names}}
    with suppress(AgentUnreachableError):  # the probe stands without it
        ask(loaded.agent.state, asked)


def _tellers(loaded: LoadedSite, name: str) -> set[str]:
    """The drivers that bring a device to rest."""
    from agent.conduct.steps import STOPS
    from drivers.base import Stage

    stages = loaded.stage_drivers[name]
    return {stages[stage] for stage in (Stage.QUIESCE, *STOPS, Stage.CUT) if stage in stages}


def _show_probed(probed: Iterable[Probed], skipped: Iterable[Skipped]) -> None:
    for found in probed:
        show(f"{'yes' if found.ok else 'NO':3}  {found.name} ({found.driver}): {found.evidence}")
        if found.advice:
            show(f"     {found.advice}")
    for left in skipped:
        show(f"--   {left.name}: not probed, {left.why}")


def _status_of(probed: Iterable[Probed]) -> Exit:
    """The gravest of what was found: what was refused stays refused until a person mends it."""
    from drivers.base import Verdict

    verdicts = {found.verdict for found in probed}
    if verdicts <= {Verdict.DONE}:
        return Exit.YES
    if Verdict.REFUSED in verdicts:
        return Exit.REFUSED
    if verdicts & {Verdict.NO_ANSWER, Verdict.UNCERTAIN}:
        return Exit.UNREACHABLE
    return Exit.NO


# What commands that read a site's file share


def today() -> date:
    """Return the date here, which gives batteries their age."""
    from agent.clock import LoopClock

    return LoopClock().utc().astimezone().date()


def load_whole(file: Path, *, secrets_must_exist: bool = True) -> LoadedSite:
    """Return the site of a file without errors.

    Args:
        file: the file.
        secrets_must_exist: False for what only reckons, perhaps far from the site's box.

    Raises:
        CommandError: it cannot be read, or has errors.
    """
    from agent.config import load

    loaded, faults = _read(lambda: load(file, today=today(), secrets_must_exist=secrets_must_exist))
    if loaded is None:
        for fault in faults:
            complain(str(fault))
        text = f"{file}: {count_of(faults, 'fault')} in it; mend that first"
        raise CommandError(text, status=Exit.NO, faults=as_fields(faults))
    return loaded


def as_fields(faults: Iterable[Fault]) -> list[dict[str, Any]]:
    """Return faults as JSON shows them."""
    return [
        {
            "file": fault.file,
            "line": fault.line,
            "key": fault.key,
            "code": fault.code,
            "message": fault.message,
            "fix": fault.fix,
            "severity": fault.severity.value,
        }
        for fault in faults
    ]


def _read(
    read: Callable[[], tuple[LoadedSite | None, tuple[Fault, ...]]],
) -> tuple[LoadedSite | None, tuple[Fault, ...]]:
    from agent.errors import ConfigError

    try:
        return read()
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE, site=None, faults=[]) from error


def count_of(things: Sized, what: str) -> str:
    """Return how many things there are, in words."""
    return f"{len(things)} {what}{'' if len(things) == 1 else 's'}"
