"""`lastwatt simulate`: the real engine through drawn outages, in virtual time."""

from __future__ import annotations

import re
from statistics import median
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import Command, Exit, json_option, progress, show, show_document

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agent.simulation.ride import Ridden

_RANGE = re.compile(r"(\d+)-(\d+)")
_MOST = 1_000_000


@click.command(
    cls=Command,
    example="lastwatt simulate --seeds 0-99",
    short_help="The real engine through drawn outages, in virtual time.",
)
@click.option("--seed", type=click.IntRange(0), help="One ride-through, told in words.")
@click.option("--seeds", metavar="A-B", help="Many, counted: from seed A to seed B.")
@click.option(
    "--runs", type=click.Choice(["0", "2"]), default="0", help="Full runs made of each battery."
)
@click.option("--estimate", is_flag=True, help="Estimate each battery live, as at a site; slower.")
@json_option
def simulate(seed: int | None, seeds: str | None, runs: str, estimate: bool, as_json: bool) -> int:
    """Ride through outages of sites, batteries, units and devices that a seed draws.

    The engine is the one of `lastwatt run`; everything around it is drawn, faults included. The
    status is 0 only if every invariant held. `lost` counts the outages in which something was lost
    that one who knows everything in advance would have saved; `kept_ratio_median` is for how long
    recording went on against his, in outages in which somebody had to act, and
    `kept_ratio_every_median` in all.
    """
    import logging

    from agent.logs import set_up_logs
    from agent.simulation.draw import draw
    from agent.simulation.ride import ride

    set_up_logs(level=logging.CRITICAL)  # the drawn troubles are no troubles of this command
    chosen = _chosen(seed, seeds)
    tell = progress("riding", unit=" seeds")
    ridden: list[Ridden] = []
    for number in chosen:
        ridden.append(ride(draw(number, runs=int(runs)), estimates=estimate))
        tell(len(ridden), len(chosen))
    document = account(ridden)
    ok = not document["violations"]
    if as_json:
        show_document(ok, **document)
        return Exit.YES if ok else Exit.NO
    if seed is not None:
        for line in _story(seed, int(runs), estimates=estimate):
            show(line)
    for violation in document["violations"]:
        show(f"seed {violation['seed']}: invariant {violation['invariant']}: {violation['text']}")
    kept = document["kept_ratio_median"]
    recorded = "" if kept is None else f"; recording time {100 * kept:.0f} % of what was possible"
    show(
        f"{document['runs']} outages: {len(document['violations'])} invariants broken, "
        f"{document['lost']} with a loss that could be helped, "
        f"{document['impossible']} with one that could not{recorded}."
    )
    return Exit.YES if ok else Exit.NO


def account(ridden: list[Ridden]) -> dict[str, Any]:
    """Return what `--json` prints, without format and ok."""
    outages = [outage for one in ridden for outage in one.outages]
    every = [(o.kept_ratio, o.needed) for o in outages if o.kept_ratio is not None]
    kept = [ratio for ratio, needed in every if needed]
    return {
        "runs": len(outages),
        "violations": [
            {"seed": v.seed, "invariant": v.invariant, "at_s": round(v.at, 1), "text": v.text}
            for one in ridden
            for v in one.violations
        ],
        "lost": sum(bool(outage.lost) for outage in outages),
        "impossible": sum(bool(outage.impossible) for outage in outages),
        "kept_ratio_median": round(median(kept), 4) if kept else None,
        "kept_ratio_every_median": round(median(r for r, _ in every), 4) if every else None,
    }


def _chosen(seed: int | None, seeds: str | None) -> range:
    if (seed is None) == (seeds is None):
        raise click.UsageError("give either --seed N or --seeds A-B")
    if seed is not None:
        return range(seed, seed + 1)
    match = _RANGE.fullmatch(seeds or "")
    if match is None or not 0 <= int(match[2]) - int(match[1]) < _MOST:
        raise click.UsageError("write --seeds like 0-99: two numbers by rising size")
    return range(int(match[1]), int(match[2]) + 1)


def _story(seed: int, runs: int, *, estimates: bool) -> Iterator[str]:
    """The ride-through again, in words: what truly happened, and what the agent said."""
    from agent.simulation.draw import draw
    from agent.simulation.ride import Onlooker, ride
    from agent.virtual.demo_view import sentence
    from policies.events import Event

    told: list[tuple[float, str]] = []

    def hear(at: float, event: Event) -> None:
        if (text := sentence(event)) is not None:
            told.append((at, text))

    ride(
        draw(seed, runs=runs),
        Onlooker(event=hear, life=lambda at, text: told.append((at, f"the agent: {text}"))),
        estimates=estimates,
    )
    for at, text in told:
        yield f"{at:9.1f} s  {text}"
