"""`lastwatt budget`: what everything draws, by day and by night, against the units' ratings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    json_option,
    show,
    show_document,
)
from agent.cli.site import load_whole
from agent.cli.tables import table_lines
from agent.moment import shown

if TYPE_CHECKING:
    from datetime import datetime

    from agent.config import LoadedSite
    from policies.budget import Budget, FeedBudget, Line
    from policies.load import Draw
    from policies.night import LightStep
    from policies.unexplained import Gap

NO_PLACE = (
    "the file gives no place, so nobody knows when it is dark here: of each device the greater "
    "draw counts; add place = { latitude = …, longitude = … } to [site]"
)

_AHEAD_S = 86400.0


@click.command(
    cls=Command,
    example="lastwatt budget site.toml --at 17:00\n"
    "lastwatt budget site.toml --measured cabinet=112",
    short_help="What everything draws, against what the units can give.",
)
@click.argument("file", type=FILE)
@click.option("--at", metavar="TIME", help="Show how the load goes on from then: 17:00, or now.")
@click.option(
    "--measured",
    multiple=True,
    metavar="UNIT=WATTS",
    help="Hold what a unit shows against the file, by the light at TIME, or now; "
    "else what the agent's journal has is held against it.",
)
@click.option("--strict", is_flag=True, help="Warnings make the exit status 1.")
@json_option
def budget(
    file: Path, at: str | None, measured: tuple[str, ...], strict: bool, as_json: bool
) -> int:
    """Add up what the devices of FILE draw: by day, by night, and when all start at once.

    Counts what PoE ports and their cables lose, and volt-amperes beside watts, since both ratings
    of a unit bind. Watts are best taken with a meter between plug and socket, by night too; nobody
    opens a unit or a supply for them.
    """
    from policies.budget import budget_of

    loaded = load_whole(file, secrets_must_exist=False)
    begins = _begins(loaded, at)
    found = budget_of(loaded.site)
    lights = _lights(loaded, begins)
    gaps = [_gap(loaded, text, lights[0]) for text in measured] or _journalled(loaded)
    view = View(loaded, found, begins if at is not None else None, lights, gaps)
    has_warnings = bool(found.overloads) or any(gap.unexplained_w for gap in gaps)
    ok = not (strict and has_warnings)
    if as_json:
        show_document(ok, **as_document(view))
    else:
        for line in text_of(view):
            show(line)
    return Exit.YES if ok else Exit.NO


def _begins(loaded: LoadedSite, at: str | None) -> datetime:
    from agent.clock import LoopClock
    from agent.moment import moment_of

    return moment_of(at or "now", zone=loaded.time_zone, now=LoopClock().utc())


def _lights(loaded: LoadedSite, begins: datetime) -> tuple[LightStep, ...]:
    from policies.night import light_steps

    return light_steps(loaded.place, begins=begins, lasts_s=_AHEAD_S)


def _journalled(loaded: LoadedSite) -> list[Gap]:
    """What the agent's journal has of what units measure, by day and by night."""
    from agent.conduct.learnt_durations import state_in
    from policies.unexplained import gaps_found

    known = state_in(loaded)
    return [] if known is None else list(gaps_found(loaded.site, known.units))


def _gap(loaded: LoadedSite, text: str, now: LightStep) -> Gap:
    from agent.config.faults import did_you_mean
    from policies.unexplained import Measured, gap_of

    unit, _, figure = text.rpartition("=")
    if unit not in loaded.site.units:
        fix = did_you_mean(unit, loaded.site.units)
        raise CommandError(f'no unit is called "{unit}"; {fix}', status=Exit.UNREADABLE)
    try:
        watts = float(figure)
    except ValueError:
        watts = -1.0
    if not 0.0 <= watts < 1e7:
        raise CommandError(
            f'"{figure}" is no number of watts; write --measured "{unit}=112"',
            status=Exit.UNREADABLE,
        )
    return gap_of(loaded.site, unit, Measured(watts, 1.0), now.light)


@dataclass(frozen=True, slots=True)
class View:
    """Everything that is shown.

    Attributes:
        begins: start of the course of load, None where nobody asked for it.
        lights: from then on, or from now.
        gaps: what units measure, by hand or by the journal, held against the file.
    """

    loaded: LoadedSite
    found: Budget
    begins: datetime | None
    lights: tuple[LightStep, ...]
    gaps: list[Gap]

    def courses(self) -> Iterator[tuple[str, list[tuple[datetime, float, float]]]]:
        """Give each unit with the steps of its load: the local time, s from the start, watts."""
        from policies.load import load_steps

        if self.begins is None:
            return
        begins, zone = self.begins, self.loaded.time_zone
        for unit in self.loaded.site.units:
            steps = load_steps(self.loaded.site, unit, self.lights)
            yield (
                unit,
                [
                    (after(begins, step.after_s).astimezone(zone), step.after_s, step.load_w)
                    for step in steps
                ],
            )


def after(begins: datetime, seconds: float) -> datetime:
    """Return the instant so much later, whatever the wall clock does in between."""
    from datetime import UTC

    return begins.astimezone(UTC) + timedelta(seconds=seconds)


# For people


def text_of(view: View) -> Iterator[str]:
    """Give the lines that a person reads."""
    found = view.found
    head = ["W by day", "by night", "starting", "VA by day", "by night", "starting"]
    rows = [["", *head]]
    for feed in found.feeds:
        rows += _feed_rows(feed)
        rows.append([""] * 7)
    if len(found.feeds) > 1:
        rows += _whole_rows(found)
    yield f"{view.loaded.site.name}: what everything draws, each device at its own plug"
    yield from table_lines(rows)
    yield from _course_lines(view)
    for gap in view.gaps:
        yield f"{gap.unit}: {gap.sentence}"
    for overload in found.overloads:
        yield f"WARNING  {overload.about}: {overload.message}; {overload.fix}"
    if not found.overloads:
        yield "No unit and no port is asked for more than it can give."
    assumptions = [*found.assumptions, *([] if view.loaded.place else [NO_PLACE])]
    if assumptions:
        yield ""
        yield "Assumed:"
        yield from (f"  {text}" for text in assumptions)


def _feed_rows(feed: FeedBudget) -> Iterator[list[str]]:
    yield [_feed_name(feed), *[""] * 6]
    for line in feed.lines:
        yield [f"{'  ' * (line.depth + 1)}{_line_name(line)}", *_cells(line.watts, line.va)]
    yield ["  together", *_cells(feed.watts, feed.va)]
    if feed.unit is not None:
        of_w, of_va = feed.unit.rating_w, feed.unit.rating_va
        shares = [x / of_w for x in _shown(feed.watts)] + [x / of_va for x in _shown(feed.va)]
        yield ["  of its rating", *(f"{100 * share:.0f} %" for share in shares)]


def _feed_name(feed: FeedBudget) -> str:
    if feed.unit is None:
        return "mains sockets, dark in an outage"
    return f"{feed.name}: {feed.unit.rating_w:g} W, {feed.unit.rating_va:g} VA"


def _line_name(line: Line) -> str:
    if line.is_loss:
        return "lost in its ports and cables"
    return line.device + (f" (also on {', '.join(line.also_on)})" if line.also_on else "")


def _whole_rows(found: Budget) -> Iterator[list[str]]:
    if any(_shown(found.twice_watts)):
        less = found.twice_watts.times(-1.0).rounded(), found.twice_va.times(-1.0).rounded()
        yield ["less what stands under several feeds", *_cells(*less)]
    yield ["in all", *_cells(found.watts, found.va)]
    yield [""] * 7


def _shown(draw: Draw) -> list[float]:
    return [draw.day, draw.night, draw.boot]


def _cells(watts: Draw, va: Draw) -> list[str]:
    return [f"{figure:.1f}" for figure in (*_shown(watts), *_shown(va))]


def _course_lines(view: View) -> Iterator[str]:
    if view.begins is None:
        return
    yield f"Should mains fail on {view.begins:%Y-%m-%d at %H:%M}, with everything on:"
    for unit, steps in view.courses():
        told = [
            f"{load_w:.1f} W" if after_s == 0.0 else f"from {shown(at, '%H:%M')} on {load_w:.1f} W"
            for at, after_s, load_w in steps
        ]
        yield f"  {unit}: {', '.join(told)}"
    yield ""


# For machines


def as_document(view: View) -> dict[str, Any]:
    """Return what JSON shows."""
    found, site = view.found, view.loaded.site
    return {
        "site": site.name,
        "feeds": [_feed_fields(feed) for feed in found.feeds],
        "in_all": _figures(found.watts, found.va),
        "counted_twice": _figures(found.twice_watts, found.twice_va),
        "devices": [
            {
                "name": line.device,
                "feed": feed.name,
                "is_loss": line.is_loss,
                "depth": line.depth,
                "also_on": list(line.also_on),
                **_figures(line.watts, line.va),
            }
            for feed in found.feeds
            for line in feed.lines
        ],
        "begins": None if view.begins is None else view.begins.isoformat(),
        "steps": [
            {"unit": unit, "after_s": after_s, "at": at.isoformat(), "watts": round(load_w, 3)}
            for unit, steps in view.courses()
            for at, after_s, load_w in steps
        ],
        "measured": [gap_fields(gap) for gap in view.gaps],
        "warnings": [
            {"code": o.code, "about": o.about, "message": o.message, "fix": o.fix}
            for o in found.overloads
        ],
        "assumptions": [*found.assumptions, *([] if view.loaded.place else [NO_PLACE])],
    }


def gap_fields(gap: Gap) -> dict[str, Any]:
    """Return what JSON shows of what a unit measures against the file."""
    return {
        "unit": gap.unit,
        "light": gap.light.value,
        "listed_w": round(gap.listed_w, 3),
        "measured_w": gap.measured_w,
        "unexplained_w": round(gap.unexplained_w, 3),
        "sentence": gap.sentence,
    }


def _feed_fields(feed: FeedBudget) -> dict[str, Any]:
    unit = feed.unit
    return {
        "name": feed.name,
        **_figures(feed.watts, feed.va),
        "rating_w": None if unit is None else unit.rating_w,
        "rating_va": None if unit is None else unit.rating_va,
    }


def _figures(watts: Draw, va: Draw) -> dict[str, float]:
    return {
        "watts_day": watts.day,
        "watts_night": watts.night,
        "boot_w": watts.boot,
        "va_day": va.day,
        "va_night": va.night,
        "boot_va": va.boot,
    }
