"""`lastwatt notices`: how it goes with them, a test of every way, and silence for a while."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FOLDER,
    Command,
    CommandError,
    Exit,
    json_option,
    show,
    show_document,
)
from agent.cli.hands import asked, who_option

if TYPE_CHECKING:
    from agent.notices.trial import Tried

TEST, SILENCE = "test", "silence"


@click.command(
    cls=Command,
    example="lastwatt notices --state /var/lib/lastwatt\n"
    "lastwatt notices test site.toml\n"
    "lastwatt notices test site.toml --to owner\n"
    "lastwatt notices silence --topic battery --about cabinet --for 2d --state /var/lib/lastwatt",
    short_help="Who is told, whether it arrives; test it, or silence it.",
)
@click.argument("words", nargs=-1, metavar="[test FILE | silence]")
@click.option("--state", "folder", type=FOLDER, help="The agent's state directory.")
@click.option("--to", metavar="NAME", help="With test: only this receiver.")
@click.option("--topic", metavar="TOPIC", help="With silence: notices of this topic.")
@click.option("--about", metavar="NAME", help="With silence: about this device or unit.")
@click.option("--for", "span", metavar="SPAN", help="With silence: for how long; default 1h.")
@click.option("--end", is_flag=True, help="With silence: end it.")
@who_option
@json_option
def notices(
    words: tuple[str, ...], folder: Path | None, to: str | None, topic: str | None,
    about: str | None, span: str | None, end: bool, who: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Show of each receiver what waits for it, what it took last, and what went wrong.

    "test FILE" sends one notice through every way of the site's file for real, needs no running
    agent, and says what came back: 0 all took it, 1 somebody refused it, 3 somebody was not
    reached. "silence" has the agent keep to itself what is of a topic or about something, for a
    while; that mains is lost, and that somebody must act, is always told.
    """
    silence = (topic, about, span)
    if words[:1] == (TEST,):
        if len(words) != 2 or folder is not None or any(silence) or end:
            raise click.UsageError("it is: lastwatt notices test FILE [--to NAME]")
        return _test(Path(words[1]), to, who, as_json=as_json)
    if words not in ((), (SILENCE,)) or to is not None:
        raise click.UsageError("it is: lastwatt notices [test FILE | silence]; --to goes with test")
    if folder is None:
        raise click.UsageError("Missing option '--state'")
    if words == (SILENCE,):
        return _silence(folder, topic, about, span, who, end=end, as_json=as_json)
    if any(silence) or end or who is not None:
        raise click.UsageError("--topic, --about, --for, --end and --who go with silence")
    return _show(folder, as_json=as_json)


def _show(folder: Path, *, as_json: bool) -> int:
    answer = asked(folder, {"ask": "notices"}, "site", "receivers", "silences")
    if as_json:
        fields = {name: answer[name] for name in ("site", "receivers", "silences")}
        show_document(True, **fields)
        return Exit.YES
    for line in _lines(answer):
        show(line)
    return Exit.YES


def _lines(answer: Mapping[str, Any]) -> Iterator[str]:
    from policies.reasons import duration_text
    from policies.telling import silenced_text

    if not answer["receivers"]:
        yield "nobody is told anything: the file has no receivers under [notices]"
    for one in answer["receivers"]:
        parts = [f"{one['name']} ({one['way']}, {one['host']})"]
        if one["waiting"]:
            oldest = duration_text(one["oldest_s"] or 0.0)
            parts.append(f"{one['waiting']} waiting, the oldest for {oldest}")
        if one["taken_utc"] is not None:
            late = one["taken_late_s"] or 0.0
            said = f"took {one['taken']}, the last at {one['taken_utc']}"
            parts.append(f"{said}, {duration_text(late)} after it was raised")
        elif not one["waiting"]:
            parts.append("was told nothing yet")
        if one["why"]:
            parts.append(f"not reached: {one['why']}")
        if one["given_up"]:
            parts.append(f"{one['given_up']} given up, the last since {one['given_up_why']}")
        yield "; ".join(parts)
    for each in answer["silences"]:
        what = silenced_text(each["topic"], each["about"])
        yield f"silenced by {each['who']} for {duration_text(each['left_s'])} more: {what}"


def _test(file: Path, to: str | None, who: str | None, *, as_json: bool) -> int:
    import asyncio
    import getpass

    from agent.cli.site import load_whole
    from agent.clock import LoopClock
    from agent.notices.trial import tried

    loaded = load_whole(file)
    name = who or getpass.getuser()

    async def try_all() -> list[Tried]:
        return await tried(loaded, clock=LoopClock(), who=name, only=to)

    found = asyncio.run(try_all())
    if not found:
        text = (
            f'no receiver is called "{to}"'
            if to is not None
            else f"{file} names no receivers under [notices]: nobody is told anything"
        )
        raise CommandError(text, status=Exit.UNREADABLE)
    status = _status_of(found)
    if as_json:
        tries = [
            {"name": t.name, "way": t.way, "host": t.host, "verdict": t.verdict, "said": t.said}
            for t in found
        ]
        show_document(status is Exit.YES, tries=tries)
        return status
    for one in found:
        where = ", ".join(part for part in (one.way, one.host) if part)
        show(f"{one.name}{f' ({where})' if where else ''}: {one.verdict}; {one.said}")
    return status


def _status_of(found: list[Tried]) -> Exit:
    if all(one.went_well for one in found):
        return Exit.YES
    if any(one.is_heard and not one.went_well for one in found):
        return Exit.NO
    return Exit.UNREACHABLE


def _silence(
    folder: Path, topic: str | None, about: str | None, span: str | None, who: str | None,
    *, end: bool, as_json: bool,
) -> int:  # fmt: skip
    if end and span is not None:
        raise click.UsageError("--for begins a silence, and --end ends it: give one of them")
    request: dict[str, Any] = {"ask": "silence", "topic": topic, "about": about, "who": who}
    if end:
        request["end"] = True
    elif span is not None:
        request["for_s"] = _span_s(span)
    answer = asked(folder, request, "what", "until", "who")
    if as_json:
        fields = {name: v for name, v in answer.items() if name not in ("format", "ok")}
        show_document(True, **fields)
    elif end:
        again = "are told again" if answer.get("was_silenced") else "were not silenced"
        show(f"{answer['what']} {again}")
    else:
        show(f"{answer['what']} are silenced until {answer['until']}, by {answer['who']}")
    return Exit.YES


def _span_s(text: str) -> float:
    from drivers.settings import seconds_from

    try:
        span_s = seconds_from(text)
    except ValueError as error:
        raise click.UsageError(f'"{text}" is no duration: {error}') from error
    if span_s <= 0.0:
        raise click.UsageError("a silence lasts longer than 0s")
    return span_s
