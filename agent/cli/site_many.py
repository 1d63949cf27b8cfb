"""`lastwatt check --all`: every site of a repository."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from agent.checks.many import Checked, check_many, site_files
from agent.cli.contract import CommandError, Exit, progress, show, show_document
from agent.cli.site import as_fields, count_of, today
from agent.config import Severity
from agent.errors import ConfigError


def check_all(folder: Path, *, as_json: bool, strict: bool) -> int:
    """Check every site's file below *folder*, show what is wrong, and return the exit status."""
    try:
        checked = check_many(site_files(folder), today=today(), tell=progress("checking"))
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE, sites=[]) from error
    bad = [one for one in checked if one.has_errors or (strict and one.faults)]
    if as_json:
        show_document(not bad, sites=[_fields(one, ok=one not in bad) for one in checked])
    else:
        _show(folder, checked, bad, strict=strict)
    return Exit.NO if bad else Exit.YES


def _fields(one: Checked, *, ok: bool) -> dict[str, object]:
    return {
        "file": str(one.path),
        "site": one.site,
        "ok": ok,
        "unreadable": one.unreadable or None,
        "faults": as_fields(one.faults),
    }


def _show(
    folder: Path, checked: Sequence[Checked], bad: Sequence[Checked], *, strict: bool
) -> None:
    """Show what is to be mended, and of warnings that do not count only how many there are."""
    for one in bad:
        if one.unreadable:
            show(one.unreadable)
        for fault in one.faults:
            if strict or fault.severity is Severity.ERROR:
                show(str(fault))
    warned = [fault for one in checked if one not in bad for fault in one.faults]
    told = f"{count_of(checked, 'site')}, {len(bad)} to mend"
    show(f"{folder}: {told}; {count_of(warned, 'warning')} elsewhere")
