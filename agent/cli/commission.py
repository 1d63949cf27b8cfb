"""`lastwatt commission`: from a site's file to a site that is handed over."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FILE,
    FOLDER,
    Command,
    CommandError,
    Exit,
    json_option,
    show,
    show_document,
)
from agent.cli.hands import who_option
from agent.cli.new import Nobody, Person
from agent.cli.site import load_whole, today

if TYPE_CHECKING:
    from agent.commissioning.record import Item, Record
    from agent.commissioning.steps import Bench


@click.command(
    cls=Command,
    example="lastwatt commission site.toml --state /var/lib/lastwatt --who Ana",
    short_help="Take a site into service, with a drill, and hand it over.",
)
@click.argument("file", type=FILE)
@click.option(
    "--state", "folder", type=FOLDER, help="The agent's state directory; default `state` of FILE."
)
@click.option("--repin", is_flag=True, help="Box or unit was swapped on purpose: these count now.")
@click.option("--without-drills", is_flag=True, help="Everything but the two drills.")
@click.option("--again", is_flag=True, help="The drills too that were passed already.")
@click.option(
    "--yes", is_flag=True, help="Confirm beforehand, for scripts: you have seen that all is so."
)
@who_option
@json_option
def commission(
    file: Path, folder: Path | None, repin: bool, without_drills: bool, again: bool, yes: bool,
    who: str | None, as_json: bool,
) -> int:  # fmt: skip
    """Take the site of FILE into service: check, probe, pin, set, drill, and hand over.

    The agent must run on the state directory. The box and the unit's SNMP engine ID are pinned: on
    a copy of the box, or at another unit, the agent then only watches. The unit's own settings are
    proposed, and written over SNMPv3 where you confirm. Two drills follow, with you at a switch
    that keeps earth connected: mains off until the output drops, and mains back in mid-stop. Ends
    with a list of passes and failures; status 0 when all was passed. It can be broken off: call it
    again.
    """
    loaded = load_whole(file)
    folder = folder or loaded.agent.state
    if folder is None:
        raise click.UsageError(
            "Missing option '--state', and the file names no state under [agent]"
        )
    from agent.commissioning.record import Record
    from agent.commissioning.steps import AgentAwayError, Bench, CommissionError
    from agent.errors import ConfigError

    try:
        record = Record.read(folder)
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    talk = Person() if not yes else Nobody()
    bench = Bench(loaded, folder, record, talk, yes, who or _user(), today())
    try:
        _go_through(bench, repin=repin, without_drills=without_drills, again=again)
    except AgentAwayError as error:
        raise CommandError(str(error), status=Exit.UNREACHABLE, **_fields(record)) from error
    except CommissionError as error:
        raise CommandError(str(error), status=Exit.NO, **_fields(record)) from error
    except click.Abort as error:
        text = f"broken off; `lastwatt commission {file} --state {folder}` goes on from here"
        raise CommandError(text, status=Exit.NO, **_fields(record)) from error
    return _ended(bench, file, as_json=as_json)


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user without a name
        return "somebody"


def _go_through(bench: Bench, *, repin: bool, without_drills: bool, again: bool) -> None:
    """Go through every step.

    Raises:
        CommissionError: something has to be mended first.
    """
    from agent.commissioning import steps
    from agent.commissioning.course import Drill
    from agent.commissioning.guide import Guide

    say = bench.talk.say
    say("1. The site's file")
    steps.checked(bench, today=bench.today)
    say("2. Everything is reached")
    steps.probed(bench)
    say("3. The agent")
    steps.met_agent(bench)
    say("4. The box and the units are this site's")
    steps.pinned(bench, repin=repin)
    say("5. What the units themselves are set to")
    steps.units_set(bench)
    say("6. What each device must be set to")
    steps.devices_set(bench)
    say("7. The drills")
    for drill in Drill:
        is_passed = bench.record.passed(drill.value) and drill.value not in bench.record.drills
        if without_drills:
            steps.left_out(bench, drill.value)
        elif is_passed and not again:
            say(f"  {drill.value}: passed on {bench.record.items[drill.value].on}")
        else:
            Guide(bench, drill).run()
            if not bench.record.passed(drill.value):
                say(f"  the {drill.value} was not passed: mend that, and call this again")
                return


def _fields(record: Record) -> dict[str, Any]:
    return {"items": [item.as_json() for item in record.items.values()]}


def _ended(bench: Bench, file: Path, *, as_json: bool) -> int:
    """Show the list, and write the report; return the exit status."""
    from agent.commissioning.record import Verdict

    items = list(bench.record.items.values())
    is_well = all(item.verdict is Verdict.PASS for item in items)
    grades = _grades(bench)
    report = _handed_over(bench, file)
    if as_json:
        where = None if report is None else str(report)
        show_document(
            is_well,
            site=bench.loaded.site.name,
            grades=grades,
            report=where,
            **_fields(bench.record),
        )
        return Exit.YES if is_well else Exit.NO
    for item in items:
        show(_line(item))
    for name, grade in grades.items():
        show(f"grade  {name}: {grade['sentence']}")
    failed = sum(item.verdict is not Verdict.PASS for item in items)
    said = (
        f"{failed} of {len(items)} items are not passed yet; call this again once they are mended"
    )
    show(f"{bench.loaded.site.name}: {'commissioned' if is_well else said}")
    if report is not None:
        show(f"the handover report: {report}")
    return Exit.YES if is_well else Exit.NO


def _line(item: Item) -> str:
    return f"{item.verdict.value:5} {item.on}  {item.what}: {item.said}"


def _grades(bench: Bench) -> dict[str, Any]:
    """Return how well each device is known to work, as the agent says."""
    devices = bench.asked("status")["devices"]
    return {device["name"]: device["grade"] for device in devices if device.get("grade")}


def _handed_over(bench: Bench, file: Path) -> Path | None:
    """Write the handover report; that it cannot be written fails nothing that was passed."""
    from agent.commissioning.handover import write_handover
    from drivers.errors import LastwattError

    try:
        with redirect_stdout(io.StringIO()):  # its own words are not this command's
            return write_handover(file, bench.folder)
    except (LastwattError, OSError, click.ClickException) as error:
        bench.talk.say(f"  the handover report could not be written: {error}")
        return None
