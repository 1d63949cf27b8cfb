"""`lastwatt run`, the agent itself, and `lastwatt status`, which asks one that runs."""

from __future__ import annotations

import os
import signal
import threading
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
    show,
    show_json,
    state_option,
)
from agent.cli.site import load_whole

if TYPE_CHECKING:
    import asyncio

    from agent.config import LoadedSite

END_WITHIN_S = 4.0
"""Longest that an orderly end may take; then the process ends anyhow. The journal is durable."""


@click.command(
    cls=Command,
    example="lastwatt run site.toml --state /var/lib/lastwatt --dry-run",
    short_help="Watch a site and act: the agent itself.",
)
@click.argument("file", type=FILE)
@click.option(
    "--state", "folder", type=FOLDER, help="Its state directory; default `state` of the file."
)
@click.option("--dry-run", is_flag=True, help="Decide and show, but send nothing to any device.")
def run(file: Path, folder: Path | None, dry_run: bool) -> int:
    """Watch the site of FILE and act, for as long as it lives; SIGTERM ends it.

    Ending it stops no device. With --dry-run every order is shown exactly as it would go over the
    wire, secrets masked, and nothing is sent. One agent works in a state directory; a second one
    is refused with status 4.
    """
    import asyncio
    import logging

    import structlog

    from agent.errors import JournalError
    from agent.logs import set_up_logs

    loaded = load_whole(file)
    folder = folder or loaded.agent.state
    if folder is None:
        raise click.UsageError(
            "Missing option '--state', and the file names no state under [agent]"
        )
    _see_that_usable(folder)
    set_up_logs(level=logging.INFO)
    asked = _Asked()
    try:
        asyncio.run(_run(loaded, folder, asked, dry_run=dry_run))
    except JournalError as error:
        is_taken = isinstance(error.__cause__, BlockingIOError)
        status = Exit.REFUSED if is_taken else Exit.UNREADABLE
        raise CommandError(str(error), status=status) from error
    except Exception as error:  # the outermost of all: a service manager starts it again
        structlog.get_logger().exception("failed_agent")
        raise CommandError(
            "the agent ended by a fault of its own; start it again, and report the lines above",
            status=Exit.NO,
        ) from error
    return asked.status


async def _run(loaded: LoadedSite, folder: Path, asked: _Asked, *, dry_run: bool) -> None:
    import asyncio

    from agent.box.systemd import ServiceManager
    from agent.wiring import Agent

    ending = asyncio.Event()
    asked.watch(asyncio.get_running_loop(), ending)
    agent = Agent(loaded, folder, dry_run=dry_run, manager=ServiceManager.of())
    _tell_start(loaded, dry_run=dry_run)
    await agent.run(ending)


def _tell_start(loaded: LoadedSite, *, dry_run: bool) -> None:
    """Say what is begun, and what `check` would warn of: nobody may have asked it."""
    import structlog

    from agent.checks.check import warnings

    log = structlog.get_logger()
    site = loaded.site
    log.info(
        "started_agent",
        site=site.name,
        units=len(site.units),
        devices=len(site.devices),
        dry_run=dry_run,
    )
    try:
        faults = warnings(loaded)
    except Exception:  # a fault in advice must not keep a site unwatched
        log.exception("failed_check")
        return
    for fault in faults:
        log.warning("warned_site", fault=str(fault))


class _Asked:
    """Waits for the signals that ask the process to end, in a thread that no hang can hold up."""

    def __init__(self) -> None:
        self.status = Exit.YES
        ends = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
        # One that is ignored stays so: `nohup`, and a shell's background jobs, mean it.
        self._signals = {end for end in ends if signal.getsignal(end) is not signal.SIG_IGN}

    def watch(self, loop: asyncio.AbstractEventLoop, ending: asyncio.Event) -> None:
        """Set *ending* when a signal comes; a second one ends the process at once."""
        signal.pthread_sigmask(signal.SIG_BLOCK, self._signals)
        waiting = threading.Thread(
            target=self._wait, args=(loop, ending), name="signals", daemon=True
        )
        waiting.start()

    def _wait(self, loop: asyncio.AbstractEventLoop, ending: asyncio.Event) -> None:
        if signal.sigwait(self._signals) == signal.SIGINT:
            self.status = Exit.INTERRUPTED
        try:
            loop.call_soon_threadsafe(ending.set)
        except RuntimeError:  # the loop has ended by itself
            return
        signal.sigtimedwait(self._signals, END_WITHIN_S)
        os._exit(self.status)


def _see_that_usable(folder: Path) -> None:
    """Refuse a state directory that is another's; a disk that is merely read-only now is borne.

    Raises:
        CommandError: this user may not write there.
    """
    if not folder.is_dir() or os.access(folder, os.W_OK | os.X_OK):
        return
    if os.statvfs(folder).f_flag & os.ST_RDONLY:
        return
    raise CommandError(
        f"cannot write to {folder}: permission denied; name another directory with --state, or "
        "make it writable for the user that runs the agent",
        status=Exit.UNREADABLE,
    )


@click.command(
    cls=Command,
    example="lastwatt status --state /var/lib/lastwatt",
    short_help="Ask the running agent how the site is.",
)
@state_option
@json_option
def status(folder: Path, as_json: bool) -> int:
    """Ask the running agent how the site is.

    Status 0 says that the agent answered, not that all is well with the site.
    """
    if folder.exists() and not folder.is_dir():
        text = f"{folder} is no directory; name the agent's state directory"
        raise CommandError(text, status=Exit.UNREADABLE)
    from agent import status as shown
    from agent.control import AgentUnreachableError, ask

    try:
        answer = ask(folder, {"ask": "status"})
    except AgentUnreachableError as error:
        is_refused = isinstance(error.__cause__, PermissionError)
        status = Exit.REFUSED if is_refused else Exit.UNREACHABLE
        raise CommandError(str(error), status=status) from error
    if not answer["ok"]:
        raise CommandError(str(answer.get("error")), status=Exit.NO)
    if as_json:
        show_json(answer)
        return Exit.YES
    try:
        lines = list(shown.lines(answer))
    except (LookupError, TypeError, ValueError) as error:
        raise CommandError(
            "the agent is of another release and answers in words unknown here; use --json, or "
            "its own release's command",
            status=Exit.NO,
        ) from error
    for line in lines:
        show(line)
    return Exit.YES
