"""`lastwatt size`: which battery and which unit carry a load for a wanted time."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli import size_options as options
from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    json_option,
    progress,
    show,
    show_document,
    written,
)

if TYPE_CHECKING:
    from agent.battery.size import Question
    from policies.sizing import Pack
    from policies.what_if import Addition


@click.command(
    cls=Command,
    example="lastwatt size site.toml --hours 4 --at 17:00\n"
    "lastwatt size site.toml --hours 4 --add camera:10:5.5:8 --drop monitor\n"
    "lastwatt size --watts 60 --night-watts 75 --hours 4 --battery 24x9 --battery 24x9x2",
    short_help="Which battery carries a load for a wanted time.",
)
@click.argument("file", type=FILE, required=False)
@click.option(
    "--hours",
    required=True,
    metavar="H",
    callback=options.figure(0, 720, "4", above=True),
    help="How long it is to last.",
)
@click.option(
    "--watts",
    metavar="W",
    callback=options.figure(0, 1e6, "60", above=True),
    help="The load, where there is no FILE.",
)
@click.option(
    "--night-watts",
    metavar="W",
    callback=options.figure(0, 1e6, "75"),
    help="The same after dark; the greater counts.",
)
@click.option("--unit", metavar="NAME", help="Which unit of FILE, where it has several.")
@click.option("--at", metavar="TIME", help="When mains fails, for day and night: 17:00, or now.")
@click.option(
    "--battery",
    "packs",
    multiple=True,
    metavar="[NAME=]VxAH[xN]",
    callback=options.batteries,
    help="A battery to choose from: volts, ampere-hours, strings. Again for more.",
)
@click.option(
    "--add",
    "added",
    multiple=True,
    metavar="ROLE:N:W[:NIGHT_W][@FEED]",
    callback=options.additions,
    help="What if there were N more of these: camera:10:5.5.",
)
@click.option(
    "--drop", "dropped", multiple=True, metavar="DEVICE", help="What if this device were not there."
)
@click.option(
    "--temperature",
    "temperature_c",
    metavar="°C",
    callback=options.figure(-40, 80, "15"),
    help="What if the battery's room were so warm.",
)
@click.option(
    "--age",
    "age_years",
    metavar="YEARS",
    callback=options.figure(0, 30, "3"),
    help="What if the battery were so old; else at the end of its life.",
)
@click.option(
    "--chemistry",
    type=click.Choice(["lead-acid", "lithium"]),
    help="Of the battery; else as in FILE, or lead-acid.",
)
@click.option("--fit", type=FILE, help="What `lastwatt fit` learnt of a unit of the same kind.")
@click.option(
    "--fit-battery",
    metavar="VxAH[xN]",
    callback=options.one_battery,
    help="The battery that was measured for --fit; else as in FILE.",
)
@click.option("--svg", type=FILE, help="Draw the curves into this file.")
@json_option
def size(file: Path | None, as_json: bool, svg: Path | None, **told: Any) -> int:
    """Find the smallest battery that lasts for --hours, 95 % sure.

    It does so at the end of the battery's life, in its room's temperature, by the load of FILE or
    by --watts; IEEE 485's factors stand beside it as a check. The unit's both ratings are held
    against everything starting at once. The status is 1 if no battery to choose from is enough.
    """
    from agent.battery.size import answer
    from agent.cli.size_text import as_document, text_of

    asked = _asked(file, Told(**told))
    found = answer(asked.question, progress("sizing"))
    if svg is not None:
        from agent.journal.whole_file import write_whole
        from agent.pictures.size_picture import size_picture

        picture = size_picture(found, title=asked.title)
        written(svg, lambda: write_whole(svg, picture))
    if as_json:
        show_document(found.smallest is not None, **as_document(asked, found))
    else:
        for line in text_of(asked, found):
            show(line)
    return Exit.NO if found.smallest is None else Exit.YES


@dataclass(frozen=True, slots=True)
class Told:
    """What the command line says, besides the file and the form of the answer."""

    hours: float
    watts: float | None
    night_watts: float | None
    unit: str | None
    at: str | None
    packs: tuple[Pack, ...]
    added: tuple[Addition, ...]
    dropped: tuple[str, ...]
    temperature_c: float | None
    age_years: float | None
    chemistry: str | None
    fit: Path | None
    fit_battery: Pack | None


@dataclass(frozen=True, slots=True)
class Asked:
    """The question, and what is to be said with its answer.

    Attributes:
        title: of which site and unit.
        load: how the load was counted.
        changes: what is changed, in words.
        assumptions: what was assumed.
        measured: on what measurements it rests, None = on none.
        reserve: what the site keeps back of its bound; None = there is no site.
        full_runs: good full runs that are known.
        rating_va: of the unit that is there, or None.
    """

    question: Question
    title: str
    load: str
    changes: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    measured: str | None = None
    reserve: float | None = None
    full_runs: int = 0
    rating_va: float | None = None


def _asked(file: Path | None, told: Told) -> Asked:
    if (file is None) == (told.watts is None):
        raise unusable("give either a site's FILE or --watts", "write lastwatt size site.toml")
    if file is None:
        return _of_watts(told)
    from agent.cli.size_site import asked_of_site

    if told.night_watts is not None:
        raise unusable("--night-watts goes with --watts", "FILE has its own, night_watts")
    return asked_of_site(file, told)


def _of_watts(told: Told) -> Asked:
    from agent.battery.size import Case, Question, case_of_watts, suggested
    from agent.cli.size_site import reference_of, setting_of
    from policies.model import Chemistry

    assert told.watts is not None
    for name, given in (("--unit", told.unit), ("--at", told.at), ("--drop", told.dropped)):
        if given:
            raise unusable(f"{name} needs a site's FILE", "leave it away, or give the FILE")
    if any(addition.feed is not None for addition in told.added):
        raise unusable("a feed in --add needs a site's FILE", "write it without @")
    night_w = told.watts if told.night_watts is None else told.night_watts
    plain = case_of_watts("as given", day_w=told.watts, night_w=night_w)
    case: Case = plain
    if told.added:
        case = case_of_watts(
            "with the changes",
            day_w=told.watts + sum(a.count * a.watts for a in told.added),
            night_w=night_w + sum(a.count * a.night_watts for a in told.added),
        )
    reference, measured, full_runs = reference_of(told, present=None)
    chemistry = Chemistry(told.chemistry or Chemistry.LEAD_ACID)
    question = Question(
        case=case,
        target_s=told.hours * 3600.0,
        setting=setting_of(told, temperature_c=25.0),
        packs=(lambda needed: told.packs) if told.packs else suggested,
        chemistry=chemistry,
        before=plain if told.added else None,
        reference=reference,
    )
    return Asked(
        question,
        title=_title(told.watts, night_w),
        load=f"{case.steps[0].load_w:.1f} W all along",
        changes=tuple(addition_text(addition) for addition in told.added),
        assumptions=(
            "nobody said what starts: 1.5 times the watts; power factor 0.6, as of small supplies",
            "the unit's own draw: 2 % of the watts it must carry",
            *(() if told.temperature_c is not None else ("its room: 25 °C (--temperature)",)),
        ),
        measured=measured,
        full_runs=full_runs,
    )


def _title(day_w: float, night_w: float) -> str:
    if night_w == day_w:
        return f"A load of {day_w:g} W"
    return f"A load of {day_w:g} W by day, {night_w:g} W by night"


def addition_text(addition: Addition) -> str:
    """Return an addition in words."""
    night = f", {addition.night_watts:g} W by night"
    dark = "" if addition.night_watts == addition.watts else night
    return f"{addition.count} x {addition.role} more, {addition.watts:g} W each{dark}"


def unusable(what: str, fix: str) -> CommandError:
    """Return the error for options that do not fit together, or not the file."""
    return CommandError(f"{what}; {fix}", status=Exit.UNREADABLE)
