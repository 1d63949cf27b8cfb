"""What `lastwatt size` reckons: from a load and a wanted time to the battery and the unit to buy.

Imports numpy; nothing that the agent needs to run imports this.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from policies.draws import Draws
from policies.load import BOOT_FACTOR, SMALL_POWER_FACTOR, listed_draw, listed_va
from policies.model import Battery, Chemistry, Site, Unit
from policies.runtime import PER_NOMINAL, LoadStep, cells_of, energy_for_run_wh, inverter_of
from policies.sizing import (
    MOST_STRINGS,
    ORDINARY_V,
    SURENESS,
    CurvePoint,
    Ieee485,
    Outlook,
    Pack,
    Setting,
    curve,
    ieee485,
    loads_for_curve,
    needed_wh,
    outlook,
    pack_of,
    per_watt_hour,
    smallest_ordinary,
)

GUESSES = 100_000
"""For the size itself: its sampling error is then below one percent."""

FEWER_GUESSES = 10_000
"""For outlooks and curves, of which there are many."""

SEED = 1
"""The same question, the same answer."""


@dataclass(frozen=True, slots=True)
class Case:
    """A load as it is, or as it would be.

    Attributes:
        steps: its course, from the moment mains fails on.
        worst_w, worst_va: the most that the unit is asked for, with everything starting at once.
        marks: names and watts of what is marked on the curves.
    """

    name: str
    steps: tuple[LoadStep, ...]
    worst_w: float
    worst_va: float
    marks: tuple[tuple[str, float], ...]


def case_of(name: str, site: Site, unit: str, steps: Sequence[LoadStep]) -> Case:
    """Return the case of one unit of a site; *steps* is the course of its load."""
    watts, va = listed_draw(site, unit), listed_va(site, unit)
    marks = [("by day", watts.day)]
    if watts.night != watts.day:
        marks.append(("by night", watts.night))
    return Case(
        name,
        tuple(steps),
        max(watts.most, watts.boot),
        max(va.most, va.boot),
        tuple((f"{name}, {when}", load_w) for when, load_w in marks),
    )


def case_of_watts(name: str, *, day_w: float, night_w: float) -> Case:
    """Return the case of a load of which only its watts are known; the greater one counts."""
    most_w = max(day_w, night_w)
    marks = [("by day", day_w)] + ([("by night", night_w)] if night_w != day_w else [])
    return Case(
        name,
        (LoadStep(0.0, most_w),),
        BOOT_FACTOR * most_w,
        BOOT_FACTOR * most_w / SMALL_POWER_FACTOR,
        tuple((f"{name}, {when}", load_w) for when, load_w in marks),
    )


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked.

    Attributes:
        case: the load; before: the same without what it is changed by, None = no change.
        before_setting: how the battery would be without them, None = the same.
        rating_w: of the unit that is there, None = one is to be bought.
        packs: from the size that is needed, in Wh, to the batteries to choose from.
        reference: guesses of a battery of 1 Wh, new, at 25 °C; None = nothing was measured.
    """

    case: Case
    target_s: float
    setting: Setting
    packs: Callable[[float], tuple[Pack, ...]]
    rating_w: float | None = None
    chemistry: Chemistry = Chemistry.LEAD_ACID
    before: Case | None = None
    before_setting: Setting | None = None
    reference: Draws | None = None
    sureness: float = SURENESS


Tell = Callable[[int, int | None], None]
"""Told what is done and, once that is known, of how much."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One battery to choose from, with how long it lasts."""

    pack: Pack
    outlook: Outlook
    is_enough: bool


@dataclass(frozen=True, slots=True)
class Answer:
    """What is answered.

    Attributes:
        watt_hours: of the smallest battery, volts x ampere-hours; before_watt_hours: without the
            changes.
        even_odds_wh: what would do if even odds did: what lies between is doubt.
        choices: by rising size; smallest: the first that is enough, None = none is.
        curves: how long each choice carries which load.
    """

    question: Question
    watt_hours: float
    before_watt_hours: float | None
    even_odds_wh: float
    choices: tuple[Choice, ...]
    smallest: Choice | None
    check: Ieee485
    curves: tuple[tuple[Pack, tuple[CurvePoint, ...]], ...]


def answer(question: Question, tell: Tell = lambda done, of: None) -> Answer:
    """Return what is to be bought; *tell* is told how far it is."""
    many = _reference(question, GUESSES)
    few = _reference(question, FEWER_GUESSES)

    def needed(case: Case, setting: Setting, sureness: float) -> float:
        return needed_wh(
            many, case.steps, target_s=question.target_s, setting=setting, sureness=sureness
        )

    tell(0, None)
    watt_hours = needed(question.case, question.setting, question.sureness)
    packs = sorted(question.packs(watt_hours), key=lambda pack: pack.nominal_wh)
    tell(1, len(packs) + 2)
    choices, curves = [], []
    for count, pack in enumerate(packs, start=2):
        choices.append(Choice(pack, _outlook(few, pack, question), pack.nominal_wh >= watt_hours))
        curves.append((pack, _curve(few, pack, question)))
        tell(count, len(packs) + 2)
    before = question.before
    found = Answer(
        question,
        watt_hours=watt_hours,
        before_watt_hours=None
        if before is None
        else needed(before, question.before_setting or question.setting, question.sureness),
        even_odds_wh=needed(question.case, question.setting, 0.5),
        choices=tuple(choices),
        smallest=next((choice for choice in choices if choice.is_enough), None),
        check=ieee485(
            many, question.case.steps, target_s=question.target_s, setting=question.setting
        ),
        curves=tuple(curves),
    )
    tell(len(packs) + 2, len(packs) + 2)
    return found


def _reference(question: Question, n: int) -> Draws:
    if question.reference is not None:
        return question.reference
    return per_watt_hour(
        rating_w=question.rating_w or question.case.worst_w,
        chemistry=question.chemistry,
        n=n,
        chance=np.random.default_rng(SEED),
    )


def _outlook(reference: Draws, pack: Pack, question: Question) -> Outlook:
    return outlook(
        reference,
        pack.nominal_wh,
        question.case.steps,
        target_s=question.target_s,
        setting=question.setting,
        sureness=question.sureness,
    )


def _curve(reference: Draws, pack: Pack, question: Question) -> tuple[CurvePoint, ...]:
    cases = [case for case in (question.case, question.before) if case is not None]
    marked = [load_w for case in cases for _, load_w in case.marks if load_w > 0.0]
    most_w = max(question.rating_w or 0.0, *(case.worst_w for case in cases))
    loads_w = loads_for_curve(0.5 * min(marked, default=most_w), most_w)
    return curve(
        reference,
        pack.nominal_wh,
        loads_w,
        setting=question.setting,
        sureness=question.sureness,
    )


# Batteries to choose from


def suggested(needed: float) -> tuple[Pack, ...]:
    """Return, for each ordinary voltage, the battery of fewest strings that is just enough."""
    found = []
    for volts in ORDINARY_V:
        for strings in range(1, MOST_STRINGS + 1):
            pack = smallest_ordinary(needed, volts=volts, strings=strings)
            if pack is not None:
                found.append(pack)
                break
    return tuple(found)


def present_pack(unit: Unit) -> Pack:
    """Return the battery that is there; its size is reckoned where only its energy is known."""
    battery = unit.battery
    if battery.volts is not None and battery.amp_hours is not None:
        pack = pack_of(battery.volts, battery.amp_hours)
        return Pack(pack.name, pack.nominal_wh, pack.volts, pack.amp_hours, is_present=True)
    return Pack("present battery", _energy_wh(unit, battery) / PER_NOMINAL, is_present=True)


def _energy_wh(unit: Unit, battery: Battery) -> float:
    """Energy as the owner has it, or as the shortest of the runtime table's figures implies."""
    if battery.watt_hours is not None:
        return battery.watt_hours
    cells = cells_of(battery)
    inverter = inverter_of(unit.rating_w)
    return min(
        energy_for_run_wh(inverter, watts=point.watts, lasts_s=point.lasts_s, like=cells)
        for point in battery.table
    )


def present_and_larger(present: Pack, needed: float) -> tuple[Pack, ...]:
    """Return the present battery, more strings of it, and ordinary blocks that are just enough."""
    found = [present]
    for strings in range(2, MOST_STRINGS + 1):
        if present.volts is None or present.amp_hours is None:
            name = f"{present.name} x {strings}"
            found.append(Pack(name, present.nominal_wh * strings, strings=strings))
        else:
            found.append(pack_of(present.volts, present.amp_hours, strings))
    for strings in (1, 2):
        if present.volts is not None:
            pack = smallest_ordinary(needed, volts=present.volts, strings=strings)
            if pack is not None and pack.nominal_wh not in {p.nominal_wh for p in found}:
                found.append(pack)
    return tuple(found)
