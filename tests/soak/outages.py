"""Ride drawn outages by the hundred thousand: `python tests/soak/outages.py 0-99999`.

Over all cores. Prints each broken invariant with its seed as it is found, and at the end the same
document as `lastwatt simulate --json`; status 0 only if nothing was broken. A ride that takes far
longer than any should counts as broken: something is given and withdrawn for ever.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import signal
import sys
import time
from collections.abc import Collection, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from agent.cli.simulate import account
from agent.logs import set_up_logs
from agent.simulation.checks import Violation
from agent.simulation.draw import draw
from agent.simulation.ride import Ridden, ride

RIDE_MOST_S = 300
"""A ride takes well under a second; with the particle filter, some."""

AT_A_TIME = 20

KNOWN: dict[tuple[int, int, bool], str] = {}
"""Seed, test runs, with cuts: drawn faults that wait to be mended; a mended one fails here."""


class _NeverEndsError(KeyboardInterrupt):
    """A ride's time is up; of a kind that no task of the agent takes for its own fault."""


@contextmanager
def _limit(seconds: int) -> Iterator[None]:
    def give_up(*_: object) -> None:
        raise _NeverEndsError

    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def ridden(
    seeds: range, *, runs: int, estimates: bool, cuts: bool, outputs: bool = False
) -> list[Ridden]:
    """Ride some seeds; what never ends has broken the tenth invariant."""
    set_up_logs(level=logging.CRITICAL)
    found = []
    for seed in seeds:
        try:
            with _limit(RIDE_MOST_S):
                found.append(
                    ride(draw(seed, runs=runs, cuts=cuts, outputs=outputs), estimates=estimates)
                )
        except _NeverEndsError:
            hung = Violation(seed, 10, 0.0, f"not over after {RIDE_MOST_S} s: it never ends")
            found.append(Ridden(seed, (hung,), (), 0.0))
    return found


def without_known(
    everything: list[Ridden], known: Collection[int]
) -> tuple[list[Ridden], list[str]]:
    """Return the rides without what is known, and what is said to be known and was not found."""
    stale = [
        f"seed {one.seed} breaks nothing any more: strike it off KNOWN"
        for one in everything
        if one.seed in known and not one.violations
    ]
    for line in stale:
        print(line, flush=True)
    return [one for one in everything if one.seed not in known], stale


def _chosen() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Ride drawn outages over all cores.")
    parser.add_argument("seeds", nargs="?", default="0-99999", help="from A to B, as in 0-99999")
    parser.add_argument("--runs", type=int, choices=(0, 2), default=0)
    parser.add_argument("--estimates", action="store_true", help="with the particle filter")
    parser.add_argument("--outputs", action="store_true", help="with outputs that are switched")
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument(
        "--cuts", action="store_true", help="with ports that are cut, and recorders told nothing"
    )
    return parser.parse_args()


def main() -> int:
    """Ride, tell, and return the status."""
    chosen = _chosen()
    kind = (chosen.runs, chosen.cuts)
    is_other = chosen.estimates or chosen.outputs
    known = {one for one, *of in KNOWN if tuple(of) == kind and not is_other}
    first, last = (int(part) for part in chosen.seeds.split("-"))
    parts = [range(at, min(at + AT_A_TIME, last + 1)) for at in range(first, last + 1, AT_A_TIME)]
    work = partial(
        ridden,
        runs=chosen.runs,
        estimates=chosen.estimates,
        cuts=chosen.cuts,
        outputs=chosen.outputs,
    )
    began = time.monotonic()
    everything: list[Ridden] = []
    with ProcessPoolExecutor(chosen.processes) as pool:
        for some in pool.map(work, parts):
            everything += some
            for one in some:
                for broken in one.violations:
                    text = f"seed {broken.seed}: invariant {broken.invariant}: {broken.text}"
                    print(text, flush=True)  # whoever interrupts it keeps what was found
            if sys.stderr.isatty():
                print(f"\r{len(everything)} of {last + 1 - first}", end="", file=sys.stderr)
    everything, faults = without_known(everything, known)
    document = account(everything)
    took_s = round(time.monotonic() - began, 1)
    print(json.dumps({**document, "seeds": len(everything), "took_s": took_s}))
    return 1 if document["violations"] or faults else 0


if __name__ == "__main__":
    sys.exit(main())
