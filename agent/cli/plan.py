"""`lastwatt plan`: what is given up when in an outage, and how it ends."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

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
from agent.cli.site import load_whole, today

_LONGEST_S = 30 * 86400.0


@click.command(
    cls=Command,
    example="lastwatt plan site.toml --at 17:00 --svg plan.svg",
    short_help="What is given up when in an outage, and how it ends.",
)
@click.argument("file", type=FILE)
@click.option("--at", metavar="TIME", default="now", help="When mains fails: 17:00, or now.")
@click.option(
    "--horizon", metavar="SPAN", help="Plan for an outage so long, like 6h; else as in FILE."
)
@click.option("--svg", type=FILE, help="Draw the outage into this file.")
@json_option
def plan(file: Path, at: str, horizon: str | None, svg: Path | None, as_json: bool) -> int:
    """Plan an outage of the site of FILE, all batteries full and everything on.

    Says which devices are given up when, so that the worth of what stays on is greatest, hold
    times are met and every stop ends inside the lower bound of the battery, less the reserve; and
    what can be done where that is not to be had. Nothing is asked of any device. The status is 1
    if something is lost, or a hold time cannot be met.
    """
    from agent.cli.plan_text import as_document, text_of
    from agent.clock import LoopClock
    from agent.conduct.learnt_durations import as_fields, learnt_in, state_in
    from agent.grades.standings import as_fields as grade_fields
    from agent.grades.standings import standings
    from agent.moment import moment_of
    from agent.planning.outlook import outlook
    from policies.learnt import with_learnt
    from policies.state import took_of

    horizon_s = None if horizon is None else _span_s(horizon)
    loaded = load_whole(file, secrets_must_exist=False)
    begins = moment_of(at, zone=loaded.time_zone, now=LoopClock().utc())
    known = state_in(loaded)
    took = {} if known is None else took_of(known)
    grades = {} if known is None else standings(loaded, known, today())
    learnt = learnt_in(loaded.site, took)
    planned = replace(loaded, site=with_learnt(loaded.site, took))
    found = outlook(
        planned,
        begins=begins,
        today=today(),
        horizon_s=horizon_s,
        tell=progress("planning"),
        journalled=known,
    )
    if svg is not None:
        from agent.journal.whole_file import write_whole
        from agent.pictures.plan_picture import plan_picture

        picture = plan_picture(found)
        written(svg, lambda: write_whole(svg, picture))
    ok = found.ok
    if as_json:
        fields = {name: [as_fields(one) for one in each] for name, each in learnt.items()}
        graded = {name: grade_fields(each) for name, each in grades.items()}
        show_document(ok, **as_document(found), learnt=fields, grades=graded)
    else:
        for line in text_of(found):
            show(line)
        if learnt:
            show("")
            show("Learnt from the journal:")
        for name, each in learnt.items():
            show(f"  {name}: {'; '.join(one.sentence for one in each)}")
        if grades:
            show("")
            show("Shown to work, by the journal:")
        for name, each_grade in grades.items():
            show(f"  {name}: {each_grade.sentence}")
    return Exit.YES if ok else Exit.NO


def _span_s(text: str) -> float:
    from drivers.settings import seconds_from

    try:
        span_s = seconds_from(text)
    except ValueError:
        span_s = 0.0
    if not 0.0 < span_s <= _LONGEST_S:
        raise CommandError(
            f'"{text}" is no span to plan for; write --horizon 6h, at most 30d',
            status=Exit.UNREADABLE,
        )
    return span_s
