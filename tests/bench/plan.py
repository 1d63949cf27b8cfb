"""How long a plan takes, and how many outages a second are followed: `python tests/bench/plan.py`.

- a plan for 100 and for 1,000 devices, by a belief of 2,000 guesses, on ten and three drawn sites
  (goals: 100 ms, 1 s);
- outages in four stages a second on one core, vectorised (goal: 500,000), beside the scalar closed
  form and scipy's solve_ivp on the same batteries.

Time is the process's own, the best of a few turns, so that a busy box does not count.
"""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent.parent.parent))

import numpy as np
from scipy.integrate import solve_ivp

from policies.chances import Course, Stop, chances
from policies.draws import Draws, full_wells, prior
from policies.footing import Terms
from policies.guess_belief import GuessBelief
from policies.model import Battery, Unit
from policies.planning import make_plan
from policies.runtime import Cells, Inverter, LoadStep, ends_after_s
from policies.state import initial
from tests.policies.plan_sites import drawn_site

TERMS = Terms(horizon_s=8 * 3600.0, patience_s=120.0)
STAGES = ((0.0, 120.0), (900.0, 80.0), (2400.0, 45.0), (4000.0, 20.0))
UNIT = Unit("cabinet", 1000, 700, Battery(watt_hours=200.0))


def best_s(work: Callable[[], object], turns: int) -> float:
    """Return the least time of the process that some work took."""
    spent = []
    for _ in range(turns):
        began = time.process_time()
        work()
        spent.append(time.process_time() - began)
    return min(spent)


def plan_times_ms(devices: int, sites: int, turns: int) -> list[float]:
    """Return how long plans of drawn sites take."""
    times = []
    for seed in range(sites):
        site = drawn_site(devices, seed)
        draws = prior(site.units["cabinet"], 2000, np.random.default_rng(1))
        belief = GuessBelief(draws, full_wells(draws), 0.01)
        state = initial(site)

        def plan() -> object:
            return make_plan(site, state, {"cabinet": belief}, 0.0, TERMS)  # noqa: B023

        times.append(1e3 * best_s(plan, turns))
    return sorted(times)


def followed_a_second(draws: Draws) -> float:
    """Return how many outages of four stages are followed a second, many at once."""
    stops = tuple(
        Stop(at_s, 60.0, before_w - after_w) for (_, before_w), (at_s, after_w) in pairwise(STAGES)
    )
    course, wells = Course(STAGES[0][1], stops), full_wells(draws)

    def follow() -> object:
        return chances(course, draws, wells, np.random.default_rng(1), quantiles=(0.05, 0.5))

    spent_s = best_s(follow, 7)
    return len(draws) / spent_s


def scalar_a_second(draws: Draws, few: int) -> float:
    """Return the same of the closed form for one battery at a time."""
    steps = [LoadStep(at_s, load_w) for at_s, load_w in STAGES]

    def follow() -> None:
        for i in range(few):
            cells = Cells(
                float(draws.energy_wh[i]),
                float(draws.available_share[i]),
                float(draws.flow_per_h[i]),
            )
            inverter = Inverter(float(draws.efficiency[i]), float(draws.own_draw_w[i]))
            ends_after_s(cells, cells.full(), inverter, steps)

    return few / best_s(follow, 5)


def integrated_a_second(draws: Draws, few: int) -> float:
    """Return the same of numeric integration, with an event where the output ends."""

    def empty(_: float, y: np.ndarray, *__: float) -> float:
        return float(y[0])

    empty.terminal = True  # type: ignore[attr-defined]  # scipy's own way of asking for it

    def flow(_: float, y: np.ndarray, drawn_w: float, c: float, k: float) -> list[float]:
        across = k * ((1.0 - c) * y[0] - c * y[1])
        return [-drawn_w - across, across]

    def follow() -> None:
        for i in range(few):
            c, k = float(draws.available_share[i]), float(draws.flow_per_h[i])
            energy_wh = float(draws.energy_wh[i])
            wells = np.array([c * energy_wh, (1.0 - c) * energy_wh])
            ends_h = [at_s / 3600.0 for at_s, _ in STAGES[1:]] + [1e4]
            begins_h = 0.0
            for (_, load_w), end_h in zip(STAGES, ends_h, strict=True):
                drawn_w = load_w / float(draws.efficiency[i]) + float(draws.own_draw_w[i])
                solved = solve_ivp(
                    flow, (begins_h, end_h), wells, args=(drawn_w, c, k), events=empty, rtol=1e-8
                )
                if solved.status == 1:
                    break
                wells, begins_h = solved.y[:, -1], end_h

    return few / best_s(follow, 3)


def main() -> None:
    """Print the figures."""
    for devices, sites, turns in ((100, 10, 4), (1000, 3, 2)):
        times = plan_times_ms(devices, sites, turns)
        print(
            f"plan, {devices} devices: median {statistics.median(times):.0f} ms, "
            f"{times[0]:.0f} to {times[-1]:.0f} ms over {sites} drawn sites"
        )
    draws = prior(UNIT, 40_000, np.random.default_rng(3))
    print(f"outages in four stages, at once: {followed_a_second(draws):,.0f} a second")
    print(f"  closed form, one by one: {scalar_a_second(draws, 2000):,.0f} a second")
    print(f"  scipy's solve_ivp, one by one: {integrated_a_second(draws, 30):,.0f} a second")


if __name__ == "__main__":
    main()
