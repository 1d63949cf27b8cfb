"""What `lastwatt plan` reckons: an outage that begins at a given moment, and what comes of it.

Imports numpy; nothing that the agent needs to run imports this.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime

import numpy as np

from agent.config import LoadedSite
from policies.belief import Belief, Drawn, simple_belief
from policies.chances import Chances, Course, Stop, chances, spread_to
from policies.draws import Draws, ends_after_s, full_wells, prior
from policies.footing import Terms
from policies.graph import graph_of
from policies.guess_belief import GuessBelief
from policies.model import HOLDS_DATA, Starts
from policies.night import light_steps
from policies.plan import Plan, PlannedStop, UnitCourse, Why
from policies.plan_telling import Solved
from policies.plan_ways import Ways, ways_out
from policies.planning import battery_of, plan_and_workings, scaled_to
from policies.runtime import LoadStep, after_stretch
from policies.shed_items import Battery
from policies.state import SiteState, initial, listed_load_w
from policies.unexplained import Gap, gaps_found

OUTAGES = 20_000
"""How many outages the chances are counted over: they are then true to a third of a percent."""

SEED = 1
"""The same question, the same answer."""

_AHEAD_S = 3 * 86400.0
_POINTS = 120
_TRUSTED_RUNS = 2
_MOST_TIMES = 1.5
_HOUR_S = 3600.0

Tell = Callable[[int, int | None], None]


@dataclass(frozen=True, slots=True)
class Point:
    """What the battery has at hand at one moment, in Wh: by its lower bound, and likely."""

    after_s: float
    lower_wh: float
    median_wh: float


@dataclass(frozen=True, slots=True)
class UnitOutlook:
    """One unit in the outage.

    Attributes:
        chances: what came of many outages; devices: whose stops those are, in the same order.
        points: what is at hand over time: the energy that could be drawn at once.
        ways: out of a shortage, None where there is none.
        is_fitted: the battery is known by full runs.
    """

    course: UnitCourse
    chances: Chances
    devices: tuple[str, ...]
    points: tuple[Point, ...]
    ways: Ways | None
    is_fitted: bool


@dataclass(frozen=True, slots=True)
class Outlook:
    """What comes of an outage.

    Attributes:
        begins: when mains fails, in the site's time.
        plan: what is done.
        best_worth: what the plan would be worth without the owners' own thresholds; None where the
            file has none.
        units: by name.
        all_well: the chance that every stop which counts ends in time.
        gaps: where units measured another load than is listed, in the light it begins in; it is
            planned with what they measured.
    """

    loaded: LoadedSite
    begins: datetime
    plan: Plan
    best_worth: float | None
    units: Mapping[str, UnitOutlook]
    all_well: float
    gaps: tuple[Gap, ...] = ()

    def chance_of(self, device: str) -> float | None:
        """Return the chance that a device is at rest in time, None where nothing is told it."""
        for unit in self.units.values():
            if device in unit.devices:
                return unit.chances.saved[unit.devices.index(device)]
        return None

    @property
    def lost(self) -> list[PlannedStop]:
        """What may lose power unprepared, though its owner did not ask for that."""
        return [stop for stop in self.plan.unsaved if stop.why is not Why.NO_TOUCH]

    @property
    def ok(self) -> bool:
        """Whether nothing is lost, and every hold time is met."""
        return not self.lost and not self.plan.unmet

    @property
    def by_hand(self) -> list[str]:
        """Devices that stay off until somebody starts them."""
        return self._starting(Starts.BY_HAND)

    @property
    def by_itself(self) -> list[str]:
        """Devices that start with their power, so that nothing holds them off."""
        return self._starting(Starts.BY_ITSELF)

    def units_of(self, devices: Collection[str]) -> set[str]:
        """Return the backup units behind some devices."""
        behind = graph_of(self.loaded.site).units
        return {unit for name in devices for unit in behind[name]}

    def _starting(self, how: Starts) -> list[str]:
        stopped = (Why.KEPT, Why.GIVES_WAY, Why.OWNER)
        devices = self.loaded.site.devices
        return [
            name
            for name, stop in self.plan.stops.items()
            if stop.why in stopped and devices[name].starts is how
        ]


def outlook(
    loaded: LoadedSite,
    *,
    begins: datetime,
    today: date,
    horizon_s: float | None = None,
    outages: int = OUTAGES,
    tell: Tell = lambda done, of: None,
    journalled: SiteState | None = None,
) -> Outlook:
    """Return what comes of an outage of the whole site, its batteries full.

    Args:
        loaded: the site's file.
        begins: when mains fails.
        today: gives a fitted battery its age.
        horizon_s: how long is planned for, None = as the file has it.
        outages: how many the chances are counted over.
        tell: told how far it is.
        journalled: what the agent's journal knows of the site, None = nothing.
    """
    site = loaded.site
    state = initial(site)
    known = {name: _known(loaded, name, state, today) for name in site.units}
    beliefs: dict[str, Belief] = {name: belief for name, (belief, _) in known.items()}
    lights = light_steps(loaded.place, begins=begins, lasts_s=_AHEAD_S)
    remembered = {} if journalled is None else journalled.units
    gaps = tuple(
        gap for gap in gaps_found(site, remembered, {lights[0].light}) if gap.unexplained_w != 0.0
    )
    terms = Terms(
        horizon_s=site.horizon_s if horizon_s is None else horizon_s,
        patience_s=site.patience_s,
        lights=lights,
        measured_w={gap.unit: gap.listed_w + gap.unexplained_w for gap in gaps},
        thorough=True,
    )
    tell(0, 4)
    plan, solved = plan_and_workings(site, state, beliefs, 0.0, terms)
    tell(1, 4)
    best_worth = None
    if any(device.stop_when is not None for device in site.devices.values()):
        free = replace(terms, thresholds=False)
        best_worth = plan_and_workings(site, state, beliefs, 0.0, free)[0].worth
    tell(2, 4)
    ways = {name: _ways(loaded, state, solved[name], terms, plan) for name in solved}
    tell(3, 4)
    units = {
        name: _unit(loaded, each, plan, beliefs[name], known[name][1], ways[name], outages)
        for name, each in solved.items()
    }
    tell(4, 4)
    all_well = math.prod(unit.chances.all_well for unit in units.values())
    return Outlook(loaded, begins, plan, best_worth, units, all_well, gaps)


def _known(
    loaded: LoadedSite, unit: str, state: SiteState, today: date
) -> tuple[Belief, Draws | None]:
    """The belief of a unit with a full battery, and the guesses of its fit, if it has one.

    Raises:
        ConfigError: the file of its fit holds none.
    """
    rating, path = loaded.site.units[unit], loaded.units[unit].fit
    if path is not None and path.exists():
        from agent.battery.fit_store import load_fit

        stored = load_fit(path)
        draws = stored.draws_on(today, temperature_c=rating.battery.temperature_c)
        quantile = 0.05 if stored.full_runs >= _TRUSTED_RUNS else 0.01
        return GuessBelief(draws, full_wells(draws), quantile), draws
    load_w = listed_load_w(loaded.site, state, unit)
    return simple_belief(rating, Drawn(), load_w=load_w), None


def _ways(
    loaded: LoadedSite, state: SiteState, solved: Solved, terms: Terms, plan: Plan
) -> Ways | None:
    course = plan.units[solved.unit]
    if course.short_wh <= 0.0:
        return None
    hold_s = {n: d.hold_s for n, d in loaded.site.devices.items() if d.hold_s > 0.0}
    return ways_out(
        loaded.site,
        state,
        solved,
        terms,
        hold_s=hold_s,
        short_wh=course.short_wh,
        times=course.short_share,
    )


def _unit(
    loaded: LoadedSite,
    solved: Solved,
    plan: Plan,
    belief: Belief,
    fitted: Draws | None,
    ways: Ways | None,
    outages: int,
) -> UnitOutlook:
    course = plan.units[solved.unit]
    chance = np.random.default_rng(SEED)
    draws = _draws(loaded, solved.unit, course, fitted, outages, chance)
    found = chances(
        Course(
            course.steps[0].load_w,
            tuple(
                Stop(
                    fall.begins_s,
                    fall.takes_s,
                    fall.watts,
                    counts=loaded.site.devices[fall.device].role in HOLDS_DATA,
                )
                for fall in course.falls
            ),
            course.changes,
        ),
        draws,
        full_wells(draws),
        chance,
        quantiles=(belief.bound_quantile, 0.5, 0.95),
    )
    return UnitOutlook(
        course,
        found,
        tuple(fall.device for fall in course.falls),
        tuple(_points(loaded, solved, course)),
        ways,
        is_fitted=fitted is not None,
    )


def _draws(
    loaded: LoadedSite,
    unit: str,
    course: UnitCourse,
    fitted: Draws | None,
    outages: int,
    chance: np.random.Generator,
) -> Draws:
    """Guesses of the battery, as many as outages; their spread is that of the belief."""
    if fitted is not None:
        return fitted.chosen(chance.integers(0, len(fitted), outages))
    draws = prior(loaded.site.units[unit], outages, chance)
    for _ in range(3):  # the rate effect makes the ends no plain multiple of the energies
        ends_s = ends_after_s(draws, full_wells(draws), course.carried)
        draws = spread_to(
            draws,
            ends_s,
            median_s=course.median_s,
            lower_s=course.lower_s,
            quantile=course.quantile,
        )
    return draws


def _points(loaded: LoadedSite, solved: Solved, course: UnitCourse) -> list[Point]:
    """What is at hand along the course, until the likely end."""
    state = initial(loaded.site)
    plain = battery_of(loaded.site, solved.unit, state.units[solved.unit])
    batteries = [
        scaled_to(plain, course.carried, at_s) for at_s in (course.lower_s, course.median_s)
    ]
    # What is stopped in the end lightens the load, so the battery then lasts longer than it says.
    until_s = min(batteries[1].end_s(course.steps), _MOST_TIMES * course.median_s)
    moments = {until_s * i / (_POINTS - 1) for i in range(_POINTS)}
    moments |= {step.after_s for step in course.steps if step.after_s < until_s}
    ordered = sorted(moments)
    lower, median = (_at_hand(battery, course.steps, ordered) for battery in batteries)
    return [Point(*each) for each in zip(ordered, lower, median, strict=True)]


def _at_hand(battery: Battery, steps: tuple[LoadStep, ...], moments: list[float]) -> list[float]:
    """The available well, scaled so that a full one is the whole battery; 0 from its end on."""
    found: list[float] = []
    wells, before_s, number, has_ended = battery.wells, 0.0, 0, False
    for at_s in moments:
        while number + 1 < len(steps) and steps[number + 1].after_s <= before_s:
            number += 1
        wells = after_stretch(
            battery.cells,
            wells,
            drawn_w=battery.inverter.drawn_w(steps[number].load_w),
            stretch_h=(at_s - before_s) / _HOUR_S,
        )
        before_s = at_s
        has_ended = has_ended or wells.available_wh <= 0.0
        found.append(0.0 if has_ended else wells.available_wh / battery.cells.available_share)
    return found
