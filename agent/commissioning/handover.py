"""The seam to the handover report: what commissioning found ends in a document for the client."""

from __future__ import annotations

from pathlib import Path

import click

NAME = "handover.html"


def write_handover(file: Path, folder: Path) -> Path | None:
    """Write the site as wired, and what was shown to work, into the state directory.

    Args:
        file: the site's file.
        folder: the state directory.

    Returns:
        The document, or None where this release has no such report.

    Raises:
        LastwattError, OSError: it could not be written.
    """
    from agent.cli import main

    report = main.commands.get("report")
    handover = report.commands.get("handover") if isinstance(report, click.Group) else None
    if handover is None:
        return None
    into = folder / NAME
    handover.main(
        [str(file), "--state", str(folder), "-o", str(into)],
        prog_name="lastwatt report handover",
        standalone_mode=False,
    )
    return into
