"""`lastwatt restore`: undo what is owed by a list, without the agent."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    complain,
    json_option,
    printable,
    show,
    show_document,
)
from agent.cli.hands import yes_option
from agent.cli.site import load_whole

if TYPE_CHECKING:
    from agent.owed.listing import OwedFile
    from agent.owed.restore import Restored


@click.command(
    cls=Command,
    example="lastwatt restore owed.txt --dry-run\nlastwatt restore owed.txt --site site.toml",
    short_help="Undo what is owed by a list, without the agent.",
)
@click.argument("list_", metavar="LIST", type=FILE)
@click.option(
    "--site", "file", type=FILE, metavar="FILE", help="The site's file: access and secrets by it."
)
@click.option("--dry-run", is_flag=True, help="Send nothing; show every exchange.")
@yes_option
@json_option
def restore(list_: Path, file: Path | None, dry_run: bool, yes: bool, as_json: bool) -> int:
    """Undo everything that LIST says lastwatt owes to the site's devices.

    LIST is the owed.txt of a state directory, or a copy of it. Neither the agent nor its journal is
    needed, nor its box: any machine will do that reaches the devices. Each thing is looked at
    first, and put back to exactly what it was; a second time does no harm. The secrets are looked
    up where the list says that they lie, beside it, or where the site's file says.

    Status 4 somebody refused, 3 somebody did not answer, 1 something else is not undone.
    """
    found = _read(list_)
    if found.owed and not dry_run and not yes:
        _confirm(found)
    done = _run(list_, found, file, dry_run=dry_run, as_json=as_json)
    if as_json:
        show_document(
            all(one.ok for one in done),
            site=found.site,
            written=found.written,
            dry_run=dry_run,
            devices=[
                {
                    "name": one.device,
                    "ok": one.ok,
                    "verdict": one.verdict.value,
                    "evidence": one.evidence,
                    "advice": one.advice,
                    "sent": list(one.sent),
                }
                for one in done
            ],
        )
    elif not done:
        show(f"{found.site}: nothing is owed, by the list of {found.written}")
    return _status_of(done)


def _read(path: Path) -> OwedFile:
    from agent.errors import ConfigError
    from agent.owed.listing import parsed

    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = (error.strerror or "").lower() if isinstance(error, OSError) else "it is no text"
        raise CommandError(f"cannot read {path}: {why}", status=Exit.UNREADABLE) from error
    try:
        return parsed(text, where=str(path))
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error


def _confirm(found: OwedFile) -> None:
    """Have the site's name typed: a list of another site is soon taken for this one's.

    Raises:
        CommandError: it was not.
    """
    click.echo(printable(f"{found.site}, what is owed since {found.written}:"), err=True)
    for entry in found.owed:
        click.echo(printable(f"  {entry.device}: {' and '.join(entry.acts)}"), err=True)
    try:
        typed = click.prompt("to undo this, type the name of the site", err=True)
    except click.Abort:  # nobody is there to be asked
        click.echo(err=True)
        typed = ""
    if typed.strip() != found.site:
        why = "not confirmed: nothing was sent; --yes confirms beforehand"
        raise CommandError(why, status=Exit.NO)


def _run(
    path: Path, found: OwedFile, file: Path | None, *, dry_run: bool, as_json: bool
) -> tuple[Restored, ...]:
    import asyncio
    import os

    from agent.clock import LoopClock
    from agent.errors import ConfigError
    from agent.owed.restore import restore as undo
    from agent.owed.restore import secrets_beside

    loaded = None if file is None else load_whole(file)
    if loaded is not None and loaded.site.name != found.site:
        complain(f"the list is of {found.site}, the file of {loaded.site.name}")

    async def run() -> tuple[Restored, ...]:
        return await undo(
            found,
            secrets=secrets_beside(path, os.environ),
            loaded=loaded,
            clock=LoopClock(),
            dry_run=dry_run,
            tell=lambda one: None if as_json else _show(one),
        )

    try:
        return asyncio.run(run())
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error


def _show(one: Restored) -> None:
    show(f"{'yes' if one.ok else 'NO':3}  {one.device}: {one.evidence}")
    for line in one.sent:
        show(f"       {line}")
    if one.advice:
        show(f"     {one.advice}")


def _status_of(done: tuple[Restored, ...]) -> Exit:
    """The gravest: what was refused stays refused until a person mends it."""
    from drivers.base import Verdict

    verdicts = {one.verdict for one in done if not one.ok}
    if not verdicts:
        return Exit.YES
    if Verdict.REFUSED in verdicts:
        return Exit.REFUSED
    if verdicts & {Verdict.NO_ANSWER, Verdict.UNCERTAIN}:
        return Exit.UNREACHABLE
    return Exit.NO
