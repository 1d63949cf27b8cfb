"""Drawn problems of what to give up, and the linear programmes that bound their worth.

The programmes are scipy's HiGHS, a solver that nobody here wrote, and know nothing of closures or
prices: what they say is the most that any course can be worth.
"""

from __future__ import annotations

import math
import random

import numpy as np
from scipy.optimize import linprog

from policies.runtime import Cells, Inverter
from policies.shed_items import HOUR_S, Battery, Item, Problem


def bucket(energy_wh: float, *, own_draw_w: float = 0.0) -> Battery:
    """Return a battery that gives every watt-hour at any rate, behind a lossless inverter."""
    cells = Cells(energy_wh, 1.0 - 1e-9, 1e3)
    return Battery(cells, cells.full(), Inverter(1.0, own_draw_w))


def two_wells(energy_wh: float, *, share: float = 0.55, flow_per_h: float = 3.0) -> Battery:
    """Return a lead-acid battery as the priors have it, behind an inverter with losses."""
    cells = Cells(energy_wh, share, flow_per_h)
    return Battery(cells, cells.full(), Inverter(0.86, 14.0))


def drawn_problem(
    seed: int, *, items: int = 10, stops_s: float = 0.0, holds: bool = False, light: bool = False
) -> Problem:
    """Return a tree of things that use each other, worth and watts drawn.

    Args:
        seed: gives everything.
        items: how many.
        stops_s: the longest stop; 0 = all are off at once.
        holds: a third must stay on for a while.
        light: watts differ after an hour.
    """
    chance = random.Random(seed)
    found = []
    for i in range(items):
        used = () if i == 0 or chance.random() < 0.25 else (chance.randrange(i),)
        watts = round(chance.uniform(2.0, 60.0), 1)
        found.append(
            Item(
                f"item {i}",
                worth=0.0 if chance.random() < 0.15 else round(chance.uniform(0.2, 8.0), 1),
                watts=(watts, watts + chance.uniform(0.0, 5.0)) if light else (watts,),
                takes_s=round(chance.uniform(0.0, stops_s)),
                least_s=round(chance.uniform(60.0, 2400.0)) if holds and i % 3 == 2 else 0.0,
                uses=used,
            )
        )
    pieces_s, base_w = ((0.0, 3600.0), (10.0, 10.0)) if light else ((0.0,), (10.0,))
    return Problem(tuple(found), pieces_s, base_w, horizon_s=6.0 * HOUR_S)


def load_w(problem: Problem) -> float:
    """Return the load with everything on, at first."""
    return problem.base_w[0] + sum(item.watts[0] for item in problem.items)


def bucket_bound(problem: Problem, energy_wh: float) -> float | None:
    """Return the most worth that a bucket of energy allows, None where holds cannot be met.

    Maximise sum v t subject to sum p (t + s) + P0 T <= E, t_j >= t_i + s_i where i uses j, t >= m,
    T >= t + s, t <= horizon.
    """
    items, n = problem.items, len(problem.items)
    takes = np.array([item.takes_s / HOUR_S for item in items])
    watts = np.array([item.watts[0] for item in items])
    rows: list[list[float]] = [[*watts, problem.base_w[0]]]
    most = [energy_wh - float(watts @ takes)]
    for i, item in enumerate(items):
        ends = [0.0] * (n + 1)
        ends[i], ends[n] = 1.0, -1.0
        rows.append(ends)
        most.append(-float(takes[i]))
        for j in item.uses:
            order = [0.0] * (n + 1)
            order[i], order[j] = 1.0, -1.0
            rows.append(order)
            most.append(-float(takes[i]))
    # What is used stays on past the horizon until what uses it has stopped; that earns nothing.
    horizon_h = problem.horizon_s / HOUR_S
    earns = np.zeros((n, 2 * n + 1))
    earns[:, :n], earns[:, n + 1 :] = -np.eye(n), np.eye(n)
    wide = np.hstack([np.array(rows), np.zeros((len(rows), n))])
    found = linprog(
        [0.0] * (n + 1) + [-item.worth for item in items],
        A_ub=np.vstack([wide, earns]),
        b_ub=np.concatenate([most, np.zeros(n)]),
        bounds=[(item.least_s / HOUR_S, None) for item in items]
        + [(0.0, None)]
        + [(0.0, horizon_h)] * n,
        method="highs",
    )
    return None if found.fun is None else -found.fun


def slotted_bound(problem: Problem, battery: Battery, *, ends_h: float, slots: int) -> float:
    """Return the most worth that a battery of two wells allows if its output ends then.

    In slots of time, without stops and holds: each item has a share of each slot, never rising, and
    what it uses as much of it. The available well is linear in the load, and is not to be negative
    at any slot's end. Shares of a slot may stand for less than the whole of several, so it is a
    bound from above, but for the load's being spread evenly over each slot.
    """
    n, slot_h = len(problem.items), ends_h / slots
    cells, inverter = battery.cells, battery.inverter
    c, k = cells.available_share, cells.flow_per_h
    # Row: end of a slot; column: a slot; by how much a watt in this empties the well by then.
    late_h = slot_h * np.subtract.outer(np.arange(1, slots + 1), np.arange(slots + 1))
    faded = np.diff(np.exp(-k * np.maximum(late_h, 0.0)), axis=1) / k
    per_w = np.where(late_h[:, 1:] >= -1e-12, c * slot_h + (1.0 - c) * faded, 0.0)
    drawn_w = [item.watts[0] / inverter.efficiency for item in problem.items]
    own_wh = per_w.sum(axis=1) * inverter.drawn_w(problem.base_w[0])
    wells = np.hstack([watts * per_w for watts in drawn_w])
    one, later = np.eye(slots), np.eye(slots)[1:] - np.eye(slots)[:-1]
    rows = [wells, np.kron(np.eye(n), later)]
    for i, item in enumerate(problem.items):
        for j in item.uses:
            row = np.zeros((1, n))
            row[0, i], row[0, j] = 1.0, -1.0
            rows.append(np.kron(row, one))
    limits = np.vstack(rows)
    most = np.zeros(len(limits))
    most[:slots] = battery.wells.available_wh - own_wh
    counted_h = np.clip(problem.horizon_s / HOUR_S - slot_h * np.arange(slots), 0.0, slot_h)
    found = linprog(
        -np.kron([item.worth for item in problem.items], counted_h),
        A_ub=limits,
        b_ub=most,
        bounds=(0.0, 1.0),
        method="highs",
    )
    return -math.inf if found.fun is None else -found.fun
