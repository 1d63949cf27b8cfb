"""`lastwatt new`: ask for a site, and write its file."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    json_option,
    printable,
    show,
    show_document,
)
from agent.cli.site import as_fields, count_of, today

if TYPE_CHECKING:
    from agent.commissioning.answers import Answers
    from agent.commissioning.draft import Draft
    from agent.config import Fault


@click.command(
    cls=Command,
    example="lastwatt new site.toml",
    short_help="Ask for a site, and write its file.",
)
@click.argument("file", type=FILE)
@click.option("--answers", type=FILE, help="Take the answers from this file, and ask nothing.")
@json_option
def new(file: Path, answers: Path | None, as_json: bool) -> int:
    """Ask for a site in plain words, and write a FILE with comments that `check` accepts.

    The backup unit is read over SNMP, and no other address than those that you type is looked at.
    Secrets go into files of their own in the folder `secrets` beside FILE, which you alone can
    read. Nothing is overwritten. What is broken off goes on where it was: call it again.
    """
    from agent.commissioning.asking import AnswerError

    if file.exists():
        raise CommandError(f"{file} is there already; name another", status=Exit.REFUSED)
    if not file.absolute().parent.is_dir():
        text = f"{file.absolute().parent} is no folder; make it first"
        raise CommandError(text, status=Exit.UNREADABLE)
    known = _known(file, answers)
    try:
        draft = _held(file, known, is_person=answers is None)
    except AnswerError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    except (click.Abort, EOFError) as error:
        text = f"broken off; `lastwatt new {file}` goes on from here, and nothing else was written"
        raise CommandError(text, status=Exit.NO) from error
    faults = _written(file, draft)
    known.done()
    if as_json:
        show_document(True, file=str(file), site=draft.site["name"], warnings=as_fields(faults))
        return Exit.YES
    for fault in faults:
        show(str(fault))
    show(f"{file} is written, with {count_of(faults, 'thing')} to look at yet. Now:")
    show(f"  lastwatt probe {file}")
    show(f"  lastwatt commission {file} --state DIR")
    return Exit.YES


def _known(file: Path, given: Path | None) -> Answers:
    """Return the answers that are known: those of a file for scripts, or of an earlier try."""
    from agent.commissioning.answers import Answers
    from agent.errors import ConfigError

    kept = file.with_name(f"{file.name}.answers")
    try:
        if given is not None:
            return Answers.read(given)
        if kept.exists():
            click.echo(f"going on with the answers in {kept}", err=True)
            return Answers.read(kept, keep=kept)
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    return Answers({}, keep=kept)


def _held(file: Path, known: Answers, *, is_person: bool) -> Draft:
    from agent.commissioning.answers import SecretFiles
    from agent.commissioning.asking import Asking
    from agent.commissioning.interview import Interview

    talk = Person() if is_person else Nobody()
    ask = Asking(talk, known, SecretFiles(file, env=os.environ))
    interview = Interview(ask, base=file.parent, env=dict(os.environ), time_zone=_own_time_zone())
    return interview.hold()


def _written(file: Path, draft: Draft) -> list[Fault]:
    """Write the file if it has no error, and return what is to be looked at.

    Raises:
        CommandError: it has, and is not written; or somebody else wrote one meanwhile.
    """
    from agent.checks.check import check
    from agent.commissioning.draft import text_of
    from agent.config import Severity

    part = file.with_name(f".{file.name}.part.toml")
    part.write_text(text_of(draft, today=today()), encoding="utf-8")
    try:
        loaded, faults = check(part, today=today())
        errors = [fault for fault in faults if fault.severity is Severity.ERROR]
        if loaded is None or errors:
            said = "; ".join(f"{fault.key}: {fault.message}" for fault in errors)
            text = f"nothing was written, since the file would have errors: {said}"
            raise CommandError(text, status=Exit.NO, faults=as_fields(errors))
        try:
            with file.open("x", encoding="utf-8") as made:  # never over another
                made.write(part.read_text(encoding="utf-8"))
        except FileExistsError as error:
            text = f"{file} is there already; name another"
            raise CommandError(text, status=Exit.REFUSED) from error
    finally:
        part.unlink(missing_ok=True)
    again = check(file, today=today())[1]
    return list(again)


def _own_time_zone() -> str:
    """Return this box's time zone by its IANA name, where it says."""
    with suppress(OSError, ValueError):
        where = os.path.realpath("/etc/localtime")
        name = where.partition("/zoneinfo/")[2]
        if name:
            return name
    return "Etc/UTC"


class Person:
    """Somebody at the terminal: asked on trouble's stream, so that the result stays alone."""

    is_person = True

    def say(self, text: str) -> None:
        """Show a line."""
        click.echo(printable(text), err=True)

    def ask(self, question: str, default: str | None, *, is_hidden: bool = False) -> str:
        """Return what was typed, or the default."""
        answer: str = click.prompt(
            printable(question),
            default=default,
            show_default=bool(default),
            hide_input=is_hidden,
            err=True,
            prompt_suffix=" ",
        )
        return answer


class Nobody:
    """Nobody to be asked: a file has the answers."""

    is_person = False

    def say(self, text: str) -> None:
        """Show a line, so that a script's log has what the unit said."""
        if text:
            click.echo(printable(text), err=True)

    def ask(self, question: str, default: str | None, *, is_hidden: bool = False) -> str:
        """Nobody answers."""
        raise AssertionError("nobody is there to be asked")
