"""What every command promises: exit statuses, one JSON document, one line for trouble, an example.

Results go to standard output, trouble to standard error. A command returns its status, or raises
a `CommandError`, which is shown here, once, in whichever form was asked for. Text that a device may
have written is shown so that it cannot steer a terminal.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from enum import IntEnum
from pathlib import Path
from typing import Any

import click

from drivers.errors import LastwattError

PROGRAM = "lastwatt"
COMPLETE_VARIABLE = "_LASTWATT_COMPLETE"
"""By this a shell asks for completions, as click has it."""

FORMAT = 1
"""The only format of the JSON documents so far."""


class Exit(IntEnum):
    """Exit statuses; a contract. The last two are a shell's own, 128 and a signal's number."""

    YES = 0
    NO = 1  # faults found, a recorder lost, an invariant broken
    UNREADABLE = 2  # usage, or unreadable input
    UNREACHABLE = 3
    REFUSED = 4
    INTERRUPTED = 130  # by Ctrl-C
    UNHEARD = 141  # nobody reads standard output any more


class CommandError(LastwattError):
    """A command cannot do what it was asked; its text says what to do.

    Attributes:
        status: what the process ends with.
        fields: more fields of the JSON document.
    """

    def __init__(self, message: str, *, status: Exit, **fields: Any) -> None:
        super().__init__(message)
        self.status = status
        self.fields = fields


class Command(click.Command):
    """A command whose help ends with an example."""

    def __init__(self, *args: Any, example: str, **more: Any) -> None:
        super().__init__(*args, **more)
        self.example = example

    def invoke(self, ctx: click.Context) -> Any:
        """Run it, with what the libraries and we ourselves log kept off standard output."""
        import logging

        from agent.logs import set_up_logs

        set_up_logs(level=logging.WARNING)
        return super().invoke(ctx)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the example as it is to be typed, never wrapped."""
        with formatter.section("Example"):
            for line in self.example.splitlines():
                formatter.write(f"  {line}\n")


class Commands(click.Group):
    """The program: runs a command and ends with its status, whatever comes between."""

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        **extra: Any,
    ) -> Any:
        """Run the command of the arguments and end the process, as `click.Command.main` does."""
        if not standalone_mode or COMPLETE_VARIABLE in os.environ:
            return super().main(args, prog_name, complete_var, standalone_mode, **extra)
        words = sys.argv[1:] if args is None else list(args)
        # What follows a journal is a line an entry, not one document.
        wants_document = "--json" in words and "--follow" not in words

        def invoke() -> Any:
            with self.make_context(prog_name or PROGRAM, words, **extra) as context:
                return self.invoke(context)

        sys.exit(_status(invoke, wants_document=wants_document))


def is_confirmed(question: str, lines: Iterable[str]) -> bool:
    """Ask the person at the terminal, on trouble's stream, so that the result stays alone on its.

    Where nobody is there to be asked, nothing is confirmed.
    """
    for line in lines:
        click.echo(printable(line), err=True)
    try:
        return click.confirm(question, err=True)
    except click.Abort:
        click.echo(err=True)
        return False


def _status(invoke: Callable[[], Any], *, wants_document: bool) -> int:
    """Return what a command ends with; whatever goes wrong outside of us is one line."""
    _bear_odd_text()
    try:
        try:
            status = invoke()
        except click.exceptions.Exit as ending:  # --help and --version
            status = ending.exit_code
        except (click.UsageError, LastwattError) as error:
            status = _told(error, wants_document=wants_document)
        sys.stdout.flush()
    except KeyboardInterrupt:
        if sys.stderr.isatty():
            click.echo(err=True)  # after the terminal's own ^C
        return Exit.INTERRUPTED
    except BrokenPipeError:
        _drop_output()
        return Exit.UNHEARD
    except OSError as error:
        _drop_output()
        place, why = error.filename or "standard output", (error.strerror or "").lower()
        complain(f"cannot use {place}: {why}; see that it is there, and has room")
        return Exit.UNREADABLE
    return int(status or Exit.YES)


def _told(error: click.UsageError | LastwattError, *, wants_document: bool) -> int:
    """Say what went wrong, and return the status that it ends with."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        click.echo(error.format_message(), err=True)
        return Exit.UNREADABLE
    status, fields = Exit.UNREADABLE, {}
    if isinstance(error, CommandError):
        status, fields = error.status, error.fields
    text = _usage(error) if isinstance(error, click.UsageError) else str(error)
    if wants_document:
        show_document(False, error=text, **fields)
    complain(text)
    return status


def _usage(error: click.UsageError) -> str:
    said = error.format_message().rstrip(".")
    path = "lastwatt" if error.ctx is None else error.ctx.command_path
    return f"{said}; see `{path} --help`"


def complain(text: str) -> None:
    """Write a line of trouble to standard error."""
    click.echo(f"lastwatt: {printable(text)}", err=True)


def _bear_odd_text() -> None:
    """Have what the terminal's encoding lacks shown as an escape, rather than fail over it."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _drop_output() -> None:
    """Send what is still buffered nowhere, or Python complains of it at its end."""
    with suppress(OSError, ValueError):  # it is not a file of the system, or closed
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


# What commands share


class Place(click.Path):
    """A path; whether it is there, and of which kind, is said by whoever opens it, in one line."""

    def convert(self, value: Any, param: object, ctx: object) -> Any:
        """Return the path."""
        return Path(value)


FILE = Place(dir_okay=False)
FOLDER = Place(file_okay=False)

json_option = click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
state_option = click.option(
    "--state", "folder", type=FOLDER, required=True, help="The agent's state directory."
)


def show(text: str) -> None:
    """Write a line of the result."""
    click.echo(printable(text))


def show_json(value: Mapping[str, Any]) -> None:
    """Write a line of JSON."""
    click.echo(json_line(value))


def show_document(ok: bool, **fields: Any) -> None:
    """Write the one document of a command."""
    show_json({"format": FORMAT, "ok": ok, **fields})


def json_line(value: Mapping[str, Any]) -> str:
    """Return *value* as one line of JSON that no terminal and no encoding stumbles over."""
    text = json.dumps(value, ensure_ascii=False)
    is_plain = text.isascii() or (text.isprintable() and sys.stdout.encoding.lower() == "utf-8")
    return text if is_plain else json.dumps(value)


def printable(text: str) -> str:
    """Return *text* on one line, without what would steer a terminal."""
    return "".join(
        char if char.isprintable() else " " if char.isspace() else "\N{REPLACEMENT CHARACTER}"
        for char in text
    ).rstrip()


def written(path: Path, write: Callable[[], None]) -> None:
    """Write a file that was asked for.

    Raises:
        CommandError: it cannot be written.
    """
    try:
        write()
    except OSError as error:
        why = (error.strerror or "no reason given").lower()
        raise CommandError(
            f"cannot write {path}: {why}; name another file, or make room for it",
            status=Exit.UNREADABLE,
        ) from error


Progress = Callable[[int, int | None], None]


def progress(what: str, *, unit: str = "") -> Progress:
    """Return what tells a person at a terminal, and nobody else, how far it is.

    It takes what is done and, where that is known, of how much; the line vanishes at the end, which
    is when both are the same.
    """
    is_watched = sys.stderr.isatty()

    def tell(done: int, of: int | None) -> None:
        if not is_watched:
            return
        text = f"{what}: {done}{'' if of is None else f' of {of}'}{unit}"
        click.echo(f"\r{text}", nl=False, err=True)
        if done == of:
            click.echo(f"\r{' ' * len(text)}\r", nl=False, err=True)

    return tell
