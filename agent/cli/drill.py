"""`lastwatt drill`: one device stopped and started for real, through the running agent."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from agent.cli.contract import (
    FILE,
    FOLDER,
    Command,
    CommandError,
    Exit,
    json_option,
    printable,
    show,
    show_document,
)
from agent.cli.hands import ASK_EVERY_S, asked, who_option, yes_option
from agent.cli.site import load_whole
from agent.cli.tables import table_lines


@click.command(
    cls=Command,
    example="lastwatt drill site.toml desk --state /var/lib/lastwatt --who Ana",
    short_help="Stop and start one device for real, and measure it.",
)
@click.argument("file", type=FILE)
@click.argument("device")
@click.option(
    "--state", "folder", type=FOLDER, help="The agent's state directory; default `state` of FILE."
)
@click.option("--on-site", is_flag=True, help="Somebody is at the device, and can start it.")
@who_option
@yes_option
@json_option
def drill(
    file: Path, device: str, folder: Path | None, on_site: bool, who: str | None, yes: bool,
    as_json: bool,
) -> int:  # fmt: skip
    """Stop DEVICE of the site of FILE for real, in a maintenance window, and start it again.

    Each step is measured, held against what FILE says, and learnt for the next outage. It is done
    by the agent that runs, and only on steady mains, if something proves that the device can be
    started again: what starts it answers, an earlier drill, or somebody on site. Ending this
    command does not end the drill.
    """
    loaded = load_whole(file, secrets_must_exist=False)
    if device not in loaded.site.devices:
        listed = ", ".join(loaded.site.devices)
        text = f"{file} lists no device {device!r}; it lists: {listed}"
        raise CommandError(text, status=Exit.UNREADABLE)
    folder = folder or loaded.agent.state
    if folder is None:
        raise click.UsageError(
            "Missing option '--state', and the file names no state under [agent]"
        )
    from agent.grades.settings import fingerprints

    request = {
        "ask": "drill",
        "device": device,
        "who": who,
        "on_site": on_site,
        "settings": fingerprints(loaded)[device],
    }
    if not yes:
        _confirm(device, asked(folder, {**request, "preview": True}, "way_back", "cautions"))
    begun = asked(folder, request, "job", "way_back", "cautions")
    found = _followed(folder, begun["job"], as_json=as_json)
    if as_json:
        fields = {name: value for name, value in found.items() if name not in _INNER}
        show_document(
            bool(found["drilled"]), way_back=begun["way_back"], cautions=begun["cautions"], **fields
        )
    else:
        for line in _lines(found):
            show(line)
    return Exit.YES if found["drilled"] else Exit.NO


_INNER = ("format", "ok", "done", "doing")


def _confirm(device: str, preview: Mapping[str, Any]) -> None:
    """Have the device's name typed: a drill of the wrong one is a recording lost.

    Raises:
        CommandError: it was not.
    """
    for line in (*preview["cautions"], f"its way back: {preview['way_back']}"):
        click.echo(printable(f"  {line}"), err=True)
    try:
        typed = click.prompt("to stop it now, type the name of the device", err=True)
    except click.Abort:  # nobody is there to be asked
        click.echo(err=True)
        typed = ""
    if typed.strip() != device:
        why = "not confirmed: nothing was told to any device; --yes confirms beforehand"
        raise CommandError(why, status=Exit.NO)


def _followed(folder: Path, job: str, *, as_json: bool) -> dict[str, Any]:
    """Show each step as it ends, and return what came of the drill."""
    shown: set[str] = set()
    while True:
        found = asked(folder, {"ask": "drilled", "job": job}, "done", "steps", "stages", "drilled")
        news = [f"{found['device']} {found['doing']}"]
        news += [
            f"  {_words(step['act'])}: {step['verdict']}"
            for step in found["steps"]
            if step["verdict"] in ("done", "refused")
        ]
        for line in news:
            if not as_json and line not in shown:
                shown.add(line)
                show(line)
        sys.stdout.flush()
        if found["done"]:
            return found
        time.sleep(ASK_EVERY_S)


def _lines(found: Mapping[str, Any]) -> Iterator[str]:
    """Give what was measured, held against what the file says."""
    yield ""
    rows = [("stage", "measured", "file says", "planned from now on")]
    rows += [
        (s["stage"], _seconds(s["measured_s"]), _seconds(s["file_s"]), _seconds(s["planned_s"]))
        for s in found["stages"]
    ]
    yield from table_lines(rows)
    yield ""
    steps = [("step", "from", "took", "tries", "came to")]
    steps += [
        (_words(s["act"]), _seconds(s["began_s"]), _seconds(s["took_s"]), str(s["tries"]),
         s["verdict"])
        for s in found["steps"]
    ]  # fmt: skip
    yield from table_lines(steps)
    yield ""
    for stage in found["stages"]:
        if stage["longer"]:
            yield (
                f"its {stage['stage']} takes longer than the file says: write takes = "
                f'"{_whole_s(stage["measured_s"])}s" or more there'
            )
        elif stage["measured_s"] is None:
            yield f"its {stage['stage']} was not measured: nothing could see that it was over"
    if found["gap_s"] is not None and found["drilled"]:
        yield f"it did not do its work for {found['gap_s']:.0f} s"
    yield f"{found['device']}: {found['evidence']}"
    yield f"it counts as {found['grade']}"
    if found["advice"]:
        yield found["advice"]


def _whole_s(seconds: float) -> int:
    return int(-(-seconds // 1))


def _seconds(seconds: float | None) -> str:
    return "-" if seconds is None else f"{seconds:.1f} s"


def _words(act: str) -> str:
    return act.replace("_", " ")
