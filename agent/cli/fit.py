"""`lastwatt fit`: what measured full runs say of a battery."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
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
    written,
)
from agent.cli.site import as_fields, load_whole, today

if TYPE_CHECKING:
    from agent.battery.fitting import Answer, Question
    from agent.battery.runs import RunRow, RunsFile
    from agent.config import Fault
    from agent.journal.file import Row
    from policies.fit import Known

_YEAR_DAYS = 365.25
_TELL_EVERY = 10_000
_WATTS_PER_VA = 0.6
"""Where only VA are known: what small units carry of them, at the least (from memory)."""


@dataclass(frozen=True, slots=True)
class _Told:
    """What is known of the unit, from the options or from a site's file."""

    known: Known
    unit: str = ""
    fitted_on: date | None = None
    usual_w: tuple[float, ...] = ()
    runs: Path | None = None
    keep_in: Path | None = None


def _positive(_: click.Context, __: click.Parameter, value: str | None) -> float | None:
    """Read a number above zero."""
    return None if value is None else _number(value)


def _loads(_: click.Context, __: click.Parameter, value: str | None) -> tuple[float, ...]:
    """Read numbers above zero with commas between them."""
    loads = value.split(",") if value is not None else ()
    return tuple(_number(load, "a load that is plugged in, like 40,60") for load in loads)


def _number(text: str, wanted: str = "what is printed on it, or leave the option out") -> float:
    try:
        number = float(text)
    except ValueError:
        raise click.BadParameter(
            f'"{text.strip()}" is no number; write the figure alone, without its unit'
        ) from None
    if not 0.0 < number < math.inf:
        raise click.BadParameter(f"{text.strip()} is not above zero; write {wanted}")
    return number


def _figure(name: str, said: str) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """Return an option that takes a number above zero."""
    return click.option(name, metavar="NUMBER", callback=_positive, help=said)


@click.command(
    cls=Command,
    example="lastwatt fit runs.csv --watts 700 --volts 36 --amp-hours 7 --predict 40,60\n"
    "lastwatt fit --site site.toml --unit cabinet --svg cabinet.svg\n"
    "lastwatt fit --journal /var/lib/lastwatt --unit cabinet > more-runs.csv",
    short_help="Learn a battery from full runs.",
)
@click.argument("runs", type=FILE, required=False)
@click.option("--site", "site_file", type=FILE, help="A site's file, which knows the unit.")
@click.option("--unit", help="The unit in it; needed where it has several.")
@_figure("--va", "What the unit can carry, in VA.")
@_figure("--watts", "What it can carry, in W.")
@_figure("--volts", "Nominal volts of the whole battery.")
@_figure("--amp-hours", "Its nominal ampere-hours.")
@click.option("--chemistry", type=click.Choice(["lead-acid", "lithium"]), help="Of the battery.")
@click.option("--fitted", type=click.DateTime(["%Y-%m-%d"]), help="Day the battery was put in.")
@click.option("--temperature", type=click.FloatRange(-40, 80), help="Of its room, in °C.")
@click.option(
    "--predict", metavar="WATTS,…", callback=_loads, help="Loads in W to predict, like 40,60."
)
@click.option("--save", type=FILE, help="Keep the fit there, not where the site's file says.")
@click.option("--svg", type=FILE, help="Draw it there.")
@click.option(
    "--journal",
    "folder",
    type=FOLDER,
    help="Fit nothing: offer the full runs in an agent's state directory as such a file.",
)
@json_option
def fit(
    runs: Path | None,
    site_file: Path | None,
    unit: str | None,
    predict: tuple[float, ...],
    save: Path | None,
    svg: Path | None,
    folder: Path | None,
    as_json: bool,
    **figures: Any,
) -> int:
    """Learn how long a battery lasts from the full runs in RUNS, a CSV of watts,hours.

    A full run goes from a full battery to the end of the output, at one metered load. More columns
    are known: charge (percent at its start), temperature_c, date, note, and or_watts, a second
    figure for the load where two meters disagree.

    Says what the battery holds, which runs do not fit and what would explain them, how long other
    loads last, and which run to make next. Everything that is known of the unit sharpens it; so
    do not leave out what its plate says. Runs that an agent saw come with --journal.

    Status 1: the runs contradict what is known, or each other.
    """
    from agent.battery.fitting import answer
    from agent.battery.fitting import as_json as fields_of

    if folder is not None:
        if runs or site_file or predict or save or svg or any(figures.values()):
            raise click.UsageError("--journal fits nothing, and goes with --unit and --json only")
        return _offer(folder, unit, as_json=as_json)
    told = _by_figures(unit, figures) if site_file is None else _by_site(site_file, unit, figures)
    path = runs or told.runs
    if path is None:
        raise click.UsageError(
            "no file of runs is named, neither here nor as runs = … in the battery's table of a "
            "site's file"
        )
    _may_be_predicted(predict, told.known.rating_w)
    read = _readable(path)
    question = _question(told, read.rows, predict)
    tell = progress("fitting", unit=" %")
    answered = answer(question, told=lambda share: tell(round(100 * share), 100))
    faults = [*read.faults, *_faults(answered, path)]
    keep_in = _keep(answered, save or told.keep_in)
    picture = _draw(answered, svg)
    if as_json:
        show_document(
            answered.ok,
            **fields_of(answered),
            faults=as_fields(faults),
            saved=None if keep_in is None else str(keep_in),
            svg=None if picture is None else str(picture),
        )
    else:
        from agent.cli.fit_text import lines

        for line in lines(answered, faults, keep_in=keep_in, picture=picture, site_file=site_file):
            show(line)
    if not answered.ok:
        complain(f"{path}: this is no fit to act on; mend what is wrong with its runs")
    return Exit.YES if answered.ok else Exit.NO


def _offer(folder: Path, unit: str | None, *, as_json: bool) -> int:
    """Show the full runs that a journal holds; a person looks at them before they teach."""
    from agent.errors import JournalError
    from agent.journal.runs import csv_lines, discharges
    from agent.journal.view import rows

    if unit is None:
        raise click.UsageError("--journal goes with --unit: a journal holds the runs of them all")
    try:
        found = list(discharges(_counted(rows(folder)), unit))
    except JournalError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    ok = any(not one.missing for one in found)
    if as_json:
        fields = [
            {
                "date": one.on.isoformat(),
                "watts": None if one.watts is None else round(one.watts, 1),
                "hours": round(one.hours, 4),
                "charge": one.charge_percent,
                "missing": one.missing or None,
            }
            for one in found
        ]
        show_document(ok, unit=unit, discharges=fields)
    else:
        for line in csv_lines(found):
            show(line)
    if not ok:
        complain(f'no full run of "{unit}" is in this journal; make one as `lastwatt fit` says')
    return Exit.YES if ok else Exit.NO


def _counted(entries: Iterable[Row]) -> Iterator[Row]:
    """Give entries on, and tell how many were read: a journal of years takes its time."""
    tell, count = progress("reading the journal", unit=" entries"), 0
    for count, row in enumerate(entries, start=1):
        yield row
        if count % _TELL_EVERY == 0:
            tell(count, None)
    tell(count, count)


# What is asked


def _by_figures(unit: str | None, figures: dict[str, Any]) -> _Told:
    """What the options say of the unit."""
    from policies.fit import Known
    from policies.model import Battery, Chemistry

    va, watts = figures["va"], figures["watts"]
    volts, amp_hours = figures["volts"], figures["amp_hours"]
    if va is not None and watts is not None and watts > va:
        raise click.UsageError(
            f"a unit cannot carry more watts ({watts:g}) than volt-amperes ({va:g}); give both as "
            "its plate has them"
        )
    if (volts is None) != (amp_hours is None):
        raise click.UsageError("--volts and --amp-hours go together; give both, or neither")
    fitted_on = None if figures["fitted"] is None else figures["fitted"].date()
    if fitted_on is not None and fitted_on > today():
        raise click.UsageError(f"--fitted {fitted_on} is yet to come; correct it")
    battery = Battery(
        volts=volts,
        amp_hours=amp_hours,
        chemistry=Chemistry(figures["chemistry"] or Chemistry.LEAD_ACID),
        age_years=None if fitted_on is None else (today() - fitted_on).days / _YEAR_DAYS,
        temperature_c=25.0 if figures["temperature"] is None else figures["temperature"],
    )
    rating_w = watts if watts is not None or va is None else _WATTS_PER_VA * va
    return _Told(Known(rating_w, battery), unit or "", fitted_on)


def _by_site(file: Path, name: str | None, figures: dict[str, Any]) -> _Told:
    """What a site's file says of the unit."""
    from agent.config.faults import did_you_mean
    from policies.fit import Known
    from policies.load import listed_draw

    given = [f"--{key.replace('_', '-')}" for key, value in figures.items() if value is not None]
    if given:
        raise click.UsageError(f"{given[0]} stands in the site's file; give one or the other")
    loaded = load_whole(file, secrets_must_exist=False)
    units = loaded.site.units
    if name is None and len(units) > 1:
        named = ", ".join(f'"{one}"' for one in units)
        raise click.UsageError(f"this site has several units; name one with --unit: {named}")
    name = name or next(iter(units))
    if name not in units:
        raise click.UsageError(f'no unit is called "{name}"; {did_you_mean(name, units)}')
    unit, access = units[name], loaded.units[name]
    age = unit.battery.age_years
    drawn = listed_draw(loaded.site, name)
    return _Told(
        known=Known(unit.rating_w, unit.battery),
        unit=name,
        fitted_on=None if age is None else today() - timedelta(days=round(age * _YEAR_DAYS)),
        # A plan gives devices up one after the other, so the lighter loads matter too.
        usual_w=tuple(
            share * watts
            for watts in sorted({drawn.day, drawn.night})
            for share in (1.0, 0.5, 0.25)
            if watts > 0.0
        ),
        runs=access.runs,
        keep_in=access.fit,
    )


def _may_be_predicted(loads_w: Iterable[float], rating_w: float | None) -> None:
    for watts in loads_w:
        if rating_w is not None and watts > rating_w:
            raise click.UsageError(
                f"--predict {watts:g} is more than the {rating_w:g} W that the unit can carry; it "
                "would switch off at once"
            )


def _readable(path: Path) -> RunsFile:
    from agent.battery.runs import read_runs
    from agent.errors import ConfigError

    try:
        read = read_runs(path, today=today())
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE, faults=[]) from error
    if not read.is_readable:
        for fault in read.faults:
            complain(str(fault))
        raise CommandError(
            f"{path}: this file of runs cannot be read; mend the lines that are named",
            status=Exit.UNREADABLE,
            faults=as_fields(read.faults),
        )
    return read


def _question(told: _Told, rows: tuple[RunRow, ...], asked_w: tuple[float, ...]) -> Question:
    from agent.battery.fitting import Question

    return Question(
        rows=rows,
        known=told.known,
        today=today(),
        unit=told.unit,
        fitted_on=told.fitted_on,
        asked_w=asked_w,
        usual_w=told.usual_w,
    )


# What comes of it


def _faults(answered: Answer, path: Path) -> list[Fault]:
    from agent.config.faults import Fault, Severity

    return [
        Fault(
            file=str(path),
            line=found.line,
            key="run",
            code=found.finding.code,
            message=found.finding.message,
            fix=found.finding.fix,
            severity=Severity.ERROR if found.finding.is_error else Severity.WARNING,
        )
        for found in answered.findings
    ]


def _keep(answered: Answer, path: Path | None) -> Path | None:
    """Keep the fit, if it is one to act on; return where."""
    from agent.battery.fit_store import save_fit

    if path is None or not answered.ok:
        return None
    written(path, lambda: save_fit(path, answered.stored()))
    return path


def _draw(answered: Answer, path: Path | None) -> Path | None:
    """Draw the fit; return where. A doubtful one is drawn too: the picture shows why."""
    from agent.journal.whole_file import write_whole
    from agent.pictures.fit_picture import fit_picture

    found = answered.fit
    if path is None or found is None:
        return None
    asked = answered.predictions if answered.question.asked_w else ()
    text = fit_picture(found, asked=asked, unit=answered.question.unit)
    written(path, lambda: write_whole(path, text))
    return path
