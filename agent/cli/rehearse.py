"""`lastwatt rehearse`: a site's own outage, gone through without a word to any device."""

from __future__ import annotations

import getpass
import sys
import time
from collections.abc import Iterable, Mapping
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
from agent.cli.hands import who_option
from agent.cli.site import load_whole

if TYPE_CHECKING:
    from agent.config import LoadedSite
    from agent.rehearsal.compare import Comparison
    from agent.rehearsal.result import Result
    from agent.rehearsal.terms import Progress, Terms

ASK_EVERY_S = 0.5
ASK_WITHIN_S = 30.0


@click.command(
    cls=Command,
    example="lastwatt rehearse site.toml --state /var/lib/lastwatt --at 17:00",
    short_help="Go through an outage in which nothing is sent.",
)
@click.argument("file", type=FILE)
@click.option(
    "--state", "folder", type=FOLDER, help="The agent's state directory; default `state` of FILE."
)
@click.option("--at", metavar="TIME", default="now", help="When mains fails: 17:00, or now.")
@click.option(
    "--mains-after", metavar="SPAN", help="When it is back, like 2h; else once all is at rest."
)
@click.option(
    "--pace", type=click.FloatRange(1.0, 3600.0), help="To watch: so many times real time, like 60."
)
@click.option("--weak", is_flag=True, help="With batteries as weak as their lower bound.")
@click.option("--sent", is_flag=True, help="Show what would go over the wire.")
@who_option
@json_option
def rehearse(
    file: Path, folder: Path | None, at: str, mains_after: str | None, pace: float | None,
    weak: bool, sent: bool, who: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Run the site of FILE through an outage in which nothing is sent to anybody.

    The agent's own code decides and conducts, in the state that the site is in and with what was
    learnt of it; every order is shown with its reason and what would go over the wire. Where an
    agent runs in the state directory, it has the rehearsal done beside it, and keeps it in its
    journal; a real outage ends it at once. Without one, what its journal holds is begun with.
    The result is kept in the state directory and compared with the last one. The status is 0 if
    everything is saved and every hold time kept, else 1.
    """
    from agent.rehearsal.compare import as_fields, sentences
    from agent.rehearsal.result import as_document, lines, sent_lines

    loaded = load_whole(file, secrets_must_exist=False)
    folder = folder or loaded.agent.state
    after_s = None if mains_after is None else _span_s(mains_after)
    wish = {"at": at, "mains_after_s": after_s, "pace": pace, "who": who}
    wish["strength"] = "weak" if weak else "likely"
    answer = _by_agent(loaded, folder, wish, as_json=as_json)
    if answer is not None:
        return _show_answer(answer, sent=sent, as_json=as_json)
    result, compared = _here(loaded, folder, wish, as_json=as_json)
    if as_json:
        changes = None if compared is None else as_fields(compared)
        show_document(result.ok, result=as_document(result), compared=changes)
        return Exit.YES if result.ok else Exit.NO
    _show(lines(result))
    if sent:
        _show(["", "Over the wire:", *sent_lines(result)])
    if compared is not None:
        _show(["", f"Since the one of {compared.before}:", *_marked(sentences(compared))])
    return Exit.YES if result.ok else Exit.NO


def _show(texts: Iterable[str]) -> None:
    for text in texts:
        show(text)


def _marked(texts: Iterable[str]) -> list[str]:
    return [f"  {text}" for text in texts]


def _span_s(text: str) -> float:
    from agent.rehearsal.terms import LONGEST_S
    from drivers.settings import seconds_from

    with suppress(ValueError):
        span_s = seconds_from(text)
        if 1.0 <= span_s <= LONGEST_S:
            return span_s
    raise CommandError(
        f'"{text}" is no time for mains to come back after; write --mains-after 2h, at most 24h',
        status=Exit.UNREADABLE,
    )


# By the agent that runs


def _by_agent(
    loaded: LoadedSite, folder: Path | None, wish: Mapping[str, Any], *, as_json: bool
) -> dict[str, Any] | None:
    """Have the agent on *folder* do it; None where none does, or it runs by another file."""
    from agent.control import AgentUnreachableError, ask
    from agent.rehearsal.terms import digest_of

    if folder is None:
        return None
    request = {"ask": "rehearse", "file": digest_of(loaded), **wish}
    try:
        begun = ask(folder, request, timeout_s=ASK_WITHIN_S)
    except AgentUnreachableError as error:
        if isinstance(error.__cause__, PermissionError):
            raise CommandError(str(error), status=Exit.REFUSED) from error
        return None
    if begun["ok"]:
        return _followed(folder, str(begun["name"]), as_json=as_json)
    if begun.get("other_file"):
        complain("the agent runs by another version of this file; this one is rehearsed here")
        return None
    status = Exit.REFUSED if begun.get("refused") else Exit.NO
    raise CommandError(str(begun.get("error")), status=status)


def _followed(folder: Path, name: str, *, as_json: bool) -> dict[str, Any]:
    """Show each order as it is given, and return the last answer.

    Raises:
        CommandError: it was broken off.
    """
    from agent.control import AgentUnreachableError, ask

    shown = 0
    while True:
        try:
            answer = ask(folder, {"ask": "rehearsed", "name": name}, timeout_s=ASK_WITHIN_S)
        except AgentUnreachableError as error:
            raise CommandError(str(error), status=Exit.UNREACHABLE) from error
        if not answer["ok"]:
            raise CommandError(str(answer.get("error")), status=Exit.NO)
        if answer["done"]:
            break
        orders = (answer.get("progress") or {}).get("orders", [])
        if not as_json:
            _show(_order_line(order) for order in orders[shown:])
            sys.stdout.flush()
        shown = max(shown, len(orders))
        time.sleep(ASK_EVERY_S)
    if answer["result"] is None:
        raise CommandError(f"the rehearsal came to no end: {answer['why']}", status=Exit.NO)
    return answer


def _show_answer(answer: Mapping[str, Any], *, sent: bool, as_json: bool) -> int:
    from agent.rehearsal.result import from_document, lines, sent_lines

    result, compared = from_document(answer["result"]), answer["compared"]
    if as_json:
        show_document(result.ok, result=answer["result"], compared=compared)
        return Exit.YES if result.ok else Exit.NO
    _show(["", *lines(result)])
    if sent:
        _show(["", "Over the wire:", *sent_lines(result)])
    if compared is not None:
        _show(["", f"Since the one of {compared['before']}:", *_marked(compared["sentences"])])
    return Exit.YES if result.ok else Exit.NO


def _order_line(order: Mapping[str, Any]) -> str:
    from agent.rehearsal.result import clock

    return f"{clock(order['at_s'])}  {order['device']}: {order['reason']}"


# Here


def _here(
    loaded: LoadedSite, folder: Path | None, wish: Mapping[str, Any], *, as_json: bool
) -> tuple[Result, Comparison | None]:
    """Rehearse in this process, and keep what came of it where there is a state directory."""
    import logging

    from agent.logs import set_up_logs
    from agent.rehearsal import store
    from agent.rehearsal.compare import compare
    from agent.rehearsal.known import known_in
    from agent.rehearsal.run import rehearse as run

    set_up_logs(level=logging.CRITICAL)  # what the agent would log of an outage is no trouble here
    terms, utc = _terms(loaded, wish)
    tell = _teller(as_json=as_json or wish["pace"] is None)
    result = run(loaded, known_in(loaded, folder, utc), terms, tell)
    before = None if folder is None else store.latest(folder, before=result.name)
    if folder is not None and folder.is_dir():
        try:
            store.keep(folder, result)
        except OSError as error:
            complain(f"it is not kept in {folder}: {error.strerror or error}")
    return result, None if before is None else compare(before, result)


def _terms(loaded: LoadedSite, wish: Mapping[str, Any]) -> tuple[Terms, Any]:
    from agent.clock import LoopClock
    from agent.moment import MomentError, moment_of
    from agent.rehearsal import store
    from agent.rehearsal.terms import Strength, Terms

    utc = LoopClock().utc()
    try:
        begins = moment_of(str(wish["at"]), zone=loaded.time_zone, now=utc, is_to_come=True)
    except MomentError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    who = wish["who"] or getpass.getuser()
    return Terms(
        store.name_at(utc), begins, who, wish["mains_after_s"], wish["pace"],
        Strength(wish["strength"]),
    ), utc  # fmt: skip


def _teller(*, as_json: bool) -> Any:
    """Return what shows each order as it is given, or only a count where that is asked for."""
    shown = 0
    count = progress("rehearsing", unit=" min after mains failed")

    def tell(news: Progress) -> None:
        nonlocal shown
        if as_json:
            count(max(0, int(news.at_s / 60.0)), None)
            return
        from dataclasses import asdict

        _show(_order_line(asdict(order)) for order in news.orders[shown:])
        sys.stdout.flush()
        shown = len(news.orders)

    return tell
