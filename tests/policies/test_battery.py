"""A battery's history: what a new one forgets, and what each discharge teaches."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from policies.battery import POINTS_KEPT, BatteryHistory, BatteryPoint, as_fitted
from policies.discharge import Lesson, lesson_of
from policies.events import (
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    Event,
    PollMissed,
    ReadingTaken,
)
from policies.model import Battery, BatteryStatus, Reading, Unit
from policies.runtime import LoadStep, cells_of, empties_after_h, inverter_of
from policies.state import SiteState, fold, initial
from policies.supply import Supply, UnitState, belief_of, judge, silent
from tests.policies.sites import on_battery, on_mains, site_of

YEAR_S = 365.25 * 86400.0
CABINET = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=7, age_years=6.0))
SITE = site_of(units=(CABINET,))
TRUE_WH = 190.0


def folded(state: SiteState, *events: Event) -> SiteState:
    for event in events:
        state = fold(SITE, state, event)
    return state


def fitted(at: float, *, on: date = date(2026, 3, 1), ago_s: float = 0.0) -> BatteryFitted:
    return BatteryFitted(at, "cabinet", on, at - ago_s, "ana")


def measured(at: float, on: date, energy_wh: float = 200.0) -> BatteryMeasured:
    return BatteryMeasured(at, "cabinet", on, energy_wh, 180.0, 222.0, "a full discharge")


def of(state: SiteState) -> UnitState:
    return state.units["cabinet"]


def test_new_battery_starts_its_history_anew() -> None:
    """The old battery's fade is no guide to the new one's."""
    old = folded(
        initial(SITE),
        measured(1.0, date(2025, 6, 1)),
        BatteryJudged(2.0, "cabinet", "worn", "it holds 70 %"),
        fitted(3.0),
    )
    history = of(old).battery

    assert history.points == () and history.judged == frozenset()
    assert (history.fitted_on, history.since_at) == (date(2026, 3, 1), 3.0)


def test_discharges_after_the_day_it_was_fitted_are_the_new_batterys() -> None:
    """Somebody tells of it a month late; what was measured since stays true."""
    state = folded(
        initial(SITE),
        measured(1.0, date(2026, 2, 28)),
        measured(2.0, date(2026, 3, 9)),
        fitted(3.0),
    )

    assert [point.on for point in of(state).battery.points] == [date(2026, 3, 9)]


def test_what_was_missing_from_the_old_battery_is_not_missing_from_the_new() -> None:
    """Else the first outage after a change would end an hour early by the plan."""
    readings = [on_mains(0.0), *(on_battery(60.0 * n, 60.0, output_w=150.0) for n in range(2, 30))]
    state = initial(SITE)
    for reading in [*readings, on_mains(1810.0), on_mains(1820.0)]:
        state = folded(state, _taken(reading))
    before = of(state).drawn.total_wh
    after = of(folded(state, fitted(1900.0))).drawn.total_wh

    assert before > 50.0
    assert after == 0.0  # the unit reports 100 %


def test_battery_told_of_in_an_outage_keeps_what_is_being_drawn() -> None:
    """It is that very battery which empties now."""
    state = initial(SITE)
    for reading in [on_mains(0.0), *(on_battery(60.0 * n, 60.0) for n in range(2, 30))]:
        state = folded(state, _taken(reading))
    told = folded(state, fitted(1900.0))

    assert of(told).drawn == of(state).drawn
    assert of(told).supply is Supply.BATTERY


def test_new_battery_lasts_longer_by_the_belief_than_the_files_old_one() -> None:
    """The file still says six years; the command said today."""
    state = folded(initial(SITE), _taken(on_mains(0.0)))
    load = [LoadStep(0.0, 100.0)]
    old_s = belief_of(CABINET, of(state), 10.0).end_after_s(load, 0.5)
    state = folded(state, fitted(20.0))
    new_s = belief_of(CABINET, replace(of(state), reading=None), 30.0).end_after_s(load, 0.5)
    aged_s = belief_of(CABINET, replace(of(state), reading=None), 6 * YEAR_S).end_after_s(load, 0.5)

    assert new_s > 1.2 * old_s
    assert aged_s < 0.8 * new_s


def test_age_goes_on_by_site_time_while_the_agent_runs() -> None:
    """An agent reads its file once and runs for years."""
    history = BatteryHistory(fitted_on=date(2026, 3, 1), fitted_at=0.0, since_at=0.0)

    assert as_fitted(CABINET, history, 2 * YEAR_S).battery.age_years == pytest.approx(2.0, abs=0.01)
    assert as_fitted(CABINET, BatteryHistory(), YEAR_S) is CABINET


def test_history_keeps_the_latest_points_only() -> None:
    """A state that grows for years would slow every snapshot."""
    history = BatteryHistory()
    for n in range(POINTS_KEPT + 5):
        history = history.with_point(BatteryPoint(date(2026, 1, 1), float(n), 1.0, 2.0, "x"))

    assert len(history.points) == POINTS_KEPT
    assert history.points[-1].energy_wh == POINTS_KEPT + 4


# What discharges teach


def _taken(reading: Reading) -> Event:
    return ReadingTaken(reading.at, reading)


class Truth:
    """A battery of our own that empties by the two-well model at one load."""

    def __init__(self, watts: float) -> None:
        self.watts = watts
        self.drawn_w = inverter_of(CABINET.rating_w).drawn_w(watts)
        self.cells = replace(cells_of(CABINET.battery), energy_wh=TRUE_WH)
        self.lasts_s = 3600.0 * empties_after_h(self.cells, self.cells.full(), drawn_w=self.drawn_w)

    def charge(self, after_s: float) -> float:
        return 1.0 - self.drawn_w * after_s / 3600.0 / TRUE_WH

    def course(self, *, until_s: float, ends_low: bool = False) -> list[Reading]:
        """Readings every ten seconds from mains' failing at 100 s on."""
        found = [on_mains(90.0, output_w=self.watts)]
        after_s = 10.0
        while after_s <= until_s:
            low = ends_low and after_s > until_s - 60.0
            found.append(
                on_battery(
                    100.0 + after_s,
                    100.0,
                    output_w=self.watts,
                    charge=max(0.0, self.charge(after_s)),
                    battery_status=BatteryStatus.LOW if low else BatteryStatus.NORMAL,
                )
            )
            after_s += 10.0
        return found


def lessons(*readings: Reading, then_silent_s: float = 0.0) -> list[Lesson]:
    state, found = UnitState(), []
    for reading in readings:
        after = judge(CABINET, state, reading, listed_w=80.0)
        found.append(lesson_of(CABINET, state, after))
        state = after
    for n in range(int(then_silent_s / 10.0)):
        after = silent(CABINET, state, at=readings[-1].at + 10.0 * (n + 1))
        found.append(lesson_of(CABINET, state, after))
        state = after
    return [lesson for lesson in found if lesson is not None]


def test_deep_discharge_teaches_what_the_battery_holds() -> None:
    """Mains came back at a third of the charge: the share that is gone says the whole."""
    truth = Truth(100.0)
    course = truth.course(until_s=0.55 * truth.lasts_s)
    back = [on_mains(course[-1].at + 10.0 * n) for n in (1, 2, 3)]

    (lesson,) = lessons(*course, *back)

    assert lesson.energy_wh == pytest.approx(TRUE_WH, rel=0.03)
    assert lesson.low_wh < TRUE_WH < lesson.high_wh
    assert lesson.how.startswith("a discharge from 100 to 5")


def test_shallow_discharge_teaches_nothing() -> None:
    """A minute's outage that moved the gauge by two percent is no measurement."""
    truth = Truth(100.0)
    course = truth.course(until_s=0.15 * truth.lasts_s)

    assert lessons(*course, on_mains(course[-1].at + 10.0), on_mains(course[-1].at + 20.0)) == []


@pytest.mark.parametrize("watts", [40.0, 150.0, 400.0])
def test_full_discharge_teaches_it_at_any_load(watts: float) -> None:
    """The unit says low and falls silent: that was the end, whatever its gauge showed."""
    truth = Truth(watts)
    course = truth.course(until_s=truth.lasts_s, ends_low=True)

    (lesson,) = lessons(*course, then_silent_s=60.0)

    assert lesson.how == "a full discharge"
    assert lesson.energy_wh == pytest.approx(TRUE_WH, rel=0.03)
    assert lesson.low_wh < TRUE_WH < lesson.high_wh


def test_depleted_battery_is_measured_once_though_mains_comes_back() -> None:
    """The same discharge counted twice would weigh twice in the trend."""
    truth = Truth(150.0)
    course = truth.course(until_s=truth.lasts_s)
    end = course[-1].at
    depleted = [
        on_battery(end + n, 100.0, battery_status=BatteryStatus.DEPLETED, charge=0.0)
        for n in (5.0, 15.0)
    ]
    back = [on_mains(end + 30.0, charge=0.02), on_mains(end + 40.0, charge=0.02)]

    (lesson,) = lessons(*course, *depleted, *back)
    assert lesson.how == "a full discharge"


def test_stuck_gauge_teaches_nothing() -> None:
    """A charge that stands still while the battery empties would make it seem endless."""
    truth = Truth(150.0)
    course = [
        replace(reading, charge=1.0) if reading.charge is not None else reading
        for reading in truth.course(until_s=0.6 * truth.lasts_s)
    ]

    assert lessons(*course, on_mains(course[-1].at + 10.0), on_mains(course[-1].at + 20.0)) == []


def test_silence_in_mid_discharge_is_no_end_of_the_battery() -> None:
    """The network fails in an outage too."""
    truth = Truth(100.0)

    assert lessons(*truth.course(until_s=0.5 * truth.lasts_s), then_silent_s=120.0) == []


def test_event_of_a_unit_that_was_sold_changes_nothing() -> None:
    """Journals outlive units."""
    state = initial(SITE)

    assert fold(SITE, state, replace(fitted(1.0), unit="sold")) == state
    assert fold(SITE, state, PollMissed(1.0, "sold", "gone")) == state
