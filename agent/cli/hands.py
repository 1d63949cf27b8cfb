"""`lastwatt pause`, `stop` and `start`: orders by hand, through the running agent."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import click

from agent.cli.contract import (
    Command,
    CommandError,
    Exit,
    is_confirmed,
    json_option,
    show,
    show_document,
    state_option,
)

ASK_EVERY_S = 0.25
"""How often it is asked how far an order is."""

ASK_WITHIN_S = 30.0
"""How long one answer may take: a device may have to be looked at for it."""

_WENT_WELL = ("at rest", "running", "assumed")
_DRY = "in dry run: nothing is sent, and what comes of it is assumed"

who_option = click.option("--who", metavar="NAME", help="Who asks; default the user's own name.")
yes_option = click.option("--yes", is_flag=True, help="Do not ask first.")
_wait_option = click.option("--no-wait", is_flag=True, help="Do not wait for what comes of it.")


@click.command(
    cls=Command,
    example="lastwatt pause --state /var/lib/lastwatt --for 2h --who Ana\n"
    "lastwatt pause --state /var/lib/lastwatt --end",
    short_help="No automatic orders for a while: maintenance.",
)
@state_option
@click.option(
    "--for", "span", metavar="SPAN", help="For how long, such as 2h; default 1h, 24h most."
)
@click.option("--end", is_flag=True, help="End the pause now.")
@who_option
@json_option
def pause(folder: Path, span: str | None, end: bool, who: str | None, as_json: bool) -> int:
    """Have the agent give no automatic orders for a while, such as while somebody works inside.

    It ends by itself. What is under way is carried through; orders by hand are taken. Not even a
    low battery overrides it: if mains fails meanwhile, nothing is stopped in order, and the agent
    says so to whoever gets its notices.
    """
    request: dict[str, Any] = {"ask": "pause", "who": who}
    if end and span is not None:
        raise click.UsageError("--for begins a pause, and --end ends it: give one of them")
    if end:
        request["end"] = True
    elif span is not None:
        request["for_s"] = _span_s(span)
    answer = asked(folder, request, "was_paused" if end else "until", "who")
    if as_json:
        show_document(True, **_fields(answer))
    elif end:
        show("orders are given again" if answer["was_paused"] else "there was no pause to end")
    else:
        show(f"paused until {answer['until']}: no automatic orders")
        for warning in answer.get("warnings", ()):
            show(f"  {warning}")
    return Exit.YES


def _span_s(text: str) -> float:
    from drivers.settings import seconds_from
    from policies.by_hand import PAUSE_MOST_S

    try:
        span_s = seconds_from(text)
    except ValueError as error:
        raise click.UsageError(f'"{text}" is no duration: {error}') from error
    if not 0.0 < span_s <= PAUSE_MOST_S:
        raise click.UsageError(
            f"a pause lasts {PAUSE_MOST_S / 3600:.0f}h at most, and more than 0s"
        )
    return span_s


@click.command(
    cls=Command,
    example="lastwatt stop desk --state /var/lib/lastwatt",
    short_help="Bring a device to rest by hand; it stays so.",
)
@click.argument("device")
@state_option
@click.option("--with-users", is_flag=True, help="Bring what hangs on it to rest before it.")
@who_option
@yes_option
@_wait_option
@json_option
def stop(
    device: str, folder: Path, with_users: bool, who: str | None, yes: bool, no_wait: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Bring DEVICE to rest now, and keep it so whatever mains does, until `lastwatt start`.

    It takes the way of every order: quiesced, stopped, seen to be gone. Ending this command does
    not end the order. A device on the no-touch list, what feeds or reaches it, and the agent's own
    box are refused.
    """
    request = {"ask": "stop", "device": device, "with_users": with_users, "who": who}
    return _order(folder, request, yes=yes, waits=not no_wait, as_json=as_json)


@click.command(
    cls=Command,
    example="lastwatt start desk --state /var/lib/lastwatt",
    short_help="Start a device by hand.",
)
@click.argument("device")
@state_option
@click.option("--with-users", is_flag=True, help="Also what uses it and was stopped by hand.")
@who_option
@yes_option
@_wait_option
@json_option
def start(
    device: str, folder: Path, with_users: bool, who: str | None, yes: bool, no_wait: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Start DEVICE now, and wait until it is seen to run.

    From then on the agent looks after it again. See first that nobody has a hand in it.
    """
    request = {"ask": "start", "device": device, "with_users": with_users, "who": who}
    return _order(folder, request, yes=yes, waits=not no_wait, as_json=as_json)


def _order(
    folder: Path, request: Mapping[str, Any], *, yes: bool, waits: bool, as_json: bool
) -> int:
    preview = asked(folder, {**request, "preview": True}, "devices", "dark", "dry", "notes")
    ask = request["ask"]
    if not yes and not is_confirmed(f"{ask} now?", _preview_lines(ask, preview)):
        why = "not confirmed: nothing was told to any device; --yes confirms beforehand"
        raise CommandError(why, status=Exit.NO)
    answer = asked(folder, request, "job")
    if answer["job"] is None:
        if as_json:
            show_document(True, devices=[], evidence=answer["evidence"])
        else:
            show(answer["evidence"])
        return Exit.YES
    if not waits:
        if as_json:
            show_document(True, job=answer["job"], devices=answer["devices"])
        else:
            show(f"told: {', '.join(answer['devices'])}; `lastwatt status` says how it goes")
        return Exit.YES
    devices = _followed(folder, answer["job"], as_json=as_json)
    went_well = all(device["ending"] in _WENT_WELL for device in devices)
    if as_json:
        show_document(went_well, devices=devices)
    return Exit.YES if went_well else Exit.NO


def _preview_lines(ask: str, preview: Mapping[str, Any]) -> Iterable[str]:
    yield f"{ask}: {', '.join(preview['devices'])}"
    if preview["dark"]:
        yield f"  loses its power or its path with that: {', '.join(preview['dark'])}"
    if preview["dry"]:
        yield f"  {', '.join(preview['dry'])} {_DRY}"
    yield from (f"  {note}" for note in preview["notes"])


def _followed(folder: Path, job: str, *, as_json: bool) -> list[dict[str, Any]]:
    """Show each step as it comes, and return how it ended for each device.

    Raises:
        CommandError: the agent is gone, or was started anew.
    """
    shown: set[tuple[str, str]] = set()
    while True:
        answer = asked(folder, {"ask": "job", "job": job}, "done", "devices")
        for device in answer["devices"]:
            line = _device_line(device)
            if line and not as_json and (device["name"], line) not in shown:
                shown.add((device["name"], line))
                show(f"{device['name']}: {line}")
                sys.stdout.flush()
        if answer["done"]:
            devices: list[dict[str, Any]] = answer["devices"]
            return devices
        time.sleep(ASK_EVERY_S)


def _device_line(device: Mapping[str, Any]) -> str:
    if device["ending"] is not None:
        ending = "not told" if device["ending"] == "withdrawn" else device["ending"]
        return f"{ending}: {device['evidence']}"
    if device["act"] is None:
        return ""
    return f"{device['act'].replace('_', ' ')} {device['verdict'] or 'begins'}"


def _fields(answer: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in answer.items() if name not in ("format", "ok")}


def asked(folder: Path, request: Mapping[str, Any], *fields: str) -> dict[str, Any]:
    """Return the agent's answer, which has these *fields*.

    Raises:
        CommandError: it did not do as it was asked, or there is none.
    """
    if folder.exists() and not folder.is_dir():
        text = f"{folder} is no directory; name the agent's state directory"
        raise CommandError(text, status=Exit.UNREADABLE)
    from agent.control import AgentUnreachableError, ask

    try:
        answer = ask(folder, request, timeout_s=ASK_WITHIN_S)
    except AgentUnreachableError as error:
        is_refused = isinstance(error.__cause__, PermissionError)
        status = Exit.REFUSED if is_refused else Exit.UNREACHABLE
        raise CommandError(str(error), status=status) from error
    if not answer["ok"]:
        status = Exit.NO
        if answer.get("refused") is True:
            status = Exit.REFUSED
        elif answer.get("unknown") is True:
            status = Exit.UNREADABLE
        raise CommandError(str(answer.get("error")), status=status)
    if not all(name in answer for name in fields):
        raise CommandError(
            "the agent is of another release and answers in words unknown here; use its own "
            "release's command",
            status=Exit.NO,
        )
    return answer
