"""What a battery is best spent on: a proof by hand, HiGHS, and what must hold of any answer."""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from policies.shed_items import HOUR_S, Answer, Battery, Form, Item, Problem, course
from policies.shed_search import best_course, exhausted
from tests.policies.shed_problems import (
    bucket,
    bucket_bound,
    drawn_problem,
    load_w,
    slotted_bound,
    two_wells,
)

SEEDS = st.integers(0, 10_000)
MINUTES = st.sampled_from([0.25, 0.5, 1.0, 1.7, 3.0])


def _worked_example(*, pc_held_s: float = 0.0) -> Problem:
    """Six things on 300 Wh; the overhead of 10 W, worth nothing, is needed by all."""
    items = (
        Item("switch", 0.0, (10.0,)),
        Item("recorder", 4.0, (20.0,), uses=(0,)),
        Item("camera", 3.0, (5.0,), uses=(0, 1)),
        Item("PC", 6.0, (65.0,), least_s=pc_held_s),
        Item("lamp", 1.0, (10.0,)),
    )
    return Problem(items, base_w=(10.0,), horizon_s=6.0 * HOUR_S)


@pytest.mark.parametrize("thorough", [False, True])
def test_worked_example_reaches_the_optimum_proved_by_hand(thorough: bool) -> None:
    """Duality: at 0.1 a watt-hour, 0.1 x 300 + 6 x (7 - 0.1 x 45) = 45, and no plan is worth more.

    The chain of switch, recorder and camera for 6 h, the lamp for 3 h, the PC not at all.
    """
    answer = best_course(_worked_example(), bucket(300.0), thorough=thorough)

    assert answer.worth == pytest.approx(45.0, rel=1e-6)
    hours = [start_s / HOUR_S for start_s in answer.starts_s]
    assert hours == pytest.approx([6.0, 6.0, 6.0, 0.0, 3.0], abs=1e-4)


@pytest.mark.parametrize("thorough", [False, True])
def test_worked_example_with_a_hold_time_reaches_its_optimum(thorough: bool) -> None:
    """By hand: the PC takes 65 Wh of 300 and is worth 6; 235 Wh carry 45 W, worth 7 an hour."""
    answer = best_course(_worked_example(pc_held_s=HOUR_S), bucket(300.0), thorough=thorough)

    assert answer.worth == pytest.approx(6.0 + 7.0 * 235.0 / 45.0, rel=1e-6)  # 42.556
    hours = [start_s / HOUR_S for start_s in answer.starts_s]
    assert hours == pytest.approx([235 / 45, 235 / 45, 235 / 45, 1.0, 0.0], abs=1e-4)


# Against the linear programme


@settings(max_examples=60, deadline=None)
@given(SEEDS, MINUTES, st.booleans())
def test_without_stops_it_is_worth_what_the_linear_programme_says(
    seed: int, hours: float, holds: bool
) -> None:
    """HiGHS and the closures agree to a millionth: two ways that share nothing."""
    problem = drawn_problem(seed, holds=holds)
    energy_wh = hours * load_w(problem)
    bound = bucket_bound(problem, energy_wh)

    answer = best_course(problem, bucket(energy_wh))

    assert (bound is None) == bool(answer.unmet)
    if bound is not None:
        assert answer.worth == pytest.approx(bound, rel=2e-6)


@settings(max_examples=60, deadline=None)
@given(SEEDS, MINUTES, st.booleans())
def test_with_stops_it_is_worth_nearly_what_the_linear_programme_says(
    seed: int, hours: float, holds: bool
) -> None:
    """Where stops of up to two minutes are short against the outage, the gap is below 3 %.

    It counts on what is kept to the last being carried to the end of all, which the programme does
    not: over 240 such sites that cost 0.02 % in the middle and 1.9 % at most, but on a battery of a
    quarter of an hour, much of it spent on stopping, 5 % was seen.
    """
    problem = drawn_problem(seed, holds=holds, stops_s=120.0)
    energy_wh = hours * load_w(problem)
    bound = bucket_bound(problem, energy_wh)

    answer = best_course(problem, bucket(energy_wh))

    if bound is None:
        assert answer.unmet
    elif not answer.unmet:
        least = 0.97 if hours >= 1.0 else 0.91
        assert least * bound <= answer.worth <= bound * (1.0 + 1e-6)


@pytest.mark.parametrize("seed", [1, 3, 4, 7, 11])
def test_no_course_of_a_real_battery_is_worth_more_than_its_programme(seed: int) -> None:
    """Two wells, in slots of time, for every end of the output: a bound from above.

    Shares of a slot may run half a device, which spares the wells; so the programme is worth up to
    a twelfth more on such sites, and where the battery lasts, nothing.
    """
    problem = drawn_problem(seed, items=8)
    battery = two_wells(load_w(problem) * (0.5 + 0.4 * (seed % 4)))

    answer = best_course(problem, battery, thorough=True)

    ends_h = np.append(np.geomspace(0.3, 2.0, 12) * answer.end_s / HOUR_S, answer.end_s / HOUR_S)
    bound = max(
        slotted_bound(problem, battery, ends_h=float(end_h), slots=24)
        for end_h in ends_h[ends_h <= problem.horizon_s / HOUR_S + 1e-9]
    )
    assert 0.90 * bound <= answer.worth <= 1.005 * bound  # slots spread a load evenly


# What must hold of any answer


def _battery(problem: Problem, hours: float) -> Battery:
    return two_wells(hours * 1.5 * load_w(problem))


def _assert_sound(problem: Problem, battery: Battery, answer: Answer) -> None:
    end_s = answer.end_s + 1e-3
    for i, item in enumerate(problem.items):
        start_s, off_s = answer.starts_s[i], answer.offs_s[i]
        assert off_s == pytest.approx(start_s + item.takes_s, abs=1e-3)
        assert off_s <= end_s or start_s <= 1e-3, f"{item.name} ends after the battery"
        if i not in answer.unmet and answer.end_s > 0.0:
            assert start_s >= item.least_s - 1.0, f"{item.name} is not held"
        for j in item.uses:
            assert answer.starts_s[j] >= off_s - 1e-3, f"{item.name} loses what it uses"
    # Exact over the whole course: what stays on to the last is carried on, and lasts until then.
    carried = [
        math.inf if kept else off_s / HOUR_S
        for kept, off_s in zip(answer.is_kept, answer.offs_s, strict=True)
    ]
    ends_s = battery.end_s(course(problem, np.array(carried)))
    assert ends_s >= max(answer.offs_s, default=0.0) - 0.1 or not answer.end_s


@settings(max_examples=60, deadline=None)
@given(SEEDS, MINUTES, st.booleans(), st.booleans())
def test_every_stop_ends_inside_the_battery_and_after_what_uses_it(
    seed: int, hours: float, holds: bool, light: bool
) -> None:
    """Invariants 2 and 4, and hold times where they can be met: of each answer, by the chain."""
    problem = drawn_problem(seed, holds=holds, light=light, stops_s=90.0)
    battery = _battery(problem, hours)

    _assert_sound(problem, battery, best_course(problem, battery))


@settings(max_examples=40, deadline=None)
@given(SEEDS, MINUTES, st.randoms(use_true_random=False))
def test_order_of_the_items_does_not_matter(seed: int, hours: float, chance: random.Random) -> None:
    """Sorting the file's devices changes nothing that is worth anything."""
    problem = drawn_problem(seed, holds=True)
    order = list(range(len(problem.items)))
    chance.shuffle(order)
    number = {item: place for place, item in enumerate(order)}
    shuffled = Problem(
        tuple(_renumbered(problem.items[i], number) for i in order),
        problem.pieces_s,
        problem.base_w,
        problem.horizon_s,
    )
    battery = _battery(problem, hours)

    one, other = best_course(problem, battery), best_course(shuffled, battery)

    assert {problem.items[i].name for i in one.unmet} == {
        shuffled.items[i].name for i in other.unmet
    }
    assert other.worth == pytest.approx(one.worth, rel=1e-3)


def _renumbered(item: Item, number: dict[int, int]) -> Item:
    return Item(
        item.name,
        item.worth,
        item.watts,
        item.takes_s,
        item.least_s,
        item.most_s,
        item.holds_data,
        tuple(number[j] for j in item.uses),
    )


@settings(max_examples=40, deadline=None)
@given(SEEDS, MINUTES)
def test_more_battery_is_never_worth_less(seed: int, hours: float) -> None:
    """A search that loses its way would show as a dip."""
    problem = drawn_problem(seed)
    battery = _battery(problem, hours)

    worths = [best_course(problem, battery.scaled(f)).worth for f in (1.0, 1.02, 1.2, 2.0)]

    assert all(b >= a * (1.0 - 2e-3) for a, b in pairwise(worths))


@settings(max_examples=40, deadline=None)
@given(SEEDS, MINUTES)
def test_plan_is_worth_more_than_keeping_everything_on(seed: int, hours: float) -> None:
    """Or nobody needs one."""
    problem = drawn_problem(seed)
    battery = _battery(problem, hours)
    form = exhausted(Form.of(problem))
    all_on_h = battery.end_s(course(problem, np.full(len(problem.items), math.inf))) / HOUR_S
    worth = float(form.worth_of(np.full((1, len(problem.items)), all_on_h))[0])

    assert best_course(problem, battery).worth >= worth * (1.0 - 1e-6)


def test_thorough_search_is_no_worse() -> None:
    """It takes longer; it must be for something."""
    for seed in range(12):
        problem = drawn_problem(seed, items=8)
        battery = _battery(problem, 0.5)
        plain, thorough = (best_course(problem, battery, thorough=t) for t in (False, True))
        assert thorough.worth >= plain.worth * (1.0 - 1e-6)


def test_least_worth_is_let_go_of_where_not_all_can_be_held() -> None:
    """What holds data is held first, then what is worth more."""
    items = (
        Item("lamp", 9.0, (40.0,), least_s=HOUR_S),
        Item("recorder", 1.0, (40.0,), least_s=HOUR_S, holds_data=True),
        Item("monitor", 2.0, (40.0,), least_s=HOUR_S),
    )

    answer = best_course(Problem(items, horizon_s=6.0 * HOUR_S), bucket(90.0))

    assert [items[i].name for i in answer.unmet] == ["monitor"]
    assert answer.starts_s[1] >= HOUR_S - 1.0


def test_unit_with_an_energy_saver_is_never_left_with_too_little_load() -> None:
    """Below 25 W it would switch itself off, with the recorder on it."""
    items = (Item("recorder", 5.0, (20.0,), 60.0), Item("lamp", 0.0, (10.0,)))

    answer = best_course(
        Problem(items, horizon_s=6.0 * HOUR_S, least_load_w=25.0), bucket(60.0, own_draw_w=8.0)
    )

    off_s = max(answer.offs_s)
    assert all(step.load_w >= 25.0 for step in answer.steps if step.after_s < off_s - 1e-3)


@pytest.mark.parametrize("watt_hours", [90.0, 110.0, 150.0])
def test_no_exchange_leaves_a_unit_with_an_energy_saver_too_little(watt_hours: float) -> None:
    """The lightest of what is left fills up the load, and nothing pays with it."""
    items = (
        Item("recorder", 10.0, (24.0,), 75.0, least_s=600.0, holds_data=True),
        Item("camera", 10.0, (6.3,), 15.0, uses=(0,)),
        Item("pc", 4.0, (38.0,), 145.0, holds_data=True),
        Item("workshop switch", 1.0, (11.0,), 55.0),
        Item("gauge", 1.0, (12.0,), 75.0),
        Item("host", 1.0, (70.0,), 185.0, holds_data=True),
    )
    problem = Problem(items, base_w=(26.0,), horizon_s=8.0 * HOUR_S, least_load_w=60.0)

    answer = best_course(problem, bucket(watt_hours, own_draw_w=12.0), thorough=True)

    assert answer.starts_s[3] > answer.starts_s[0] > answer.starts_s[2]
    off_s = max(answer.offs_s)
    assert all(step.load_w >= 60.0 for step in answer.steps if step.after_s < off_s - 1e-3)


def test_empty_site_and_empty_battery_have_an_answer() -> None:
    """Nothing to give up, or nothing to give: no error in the middle of an outage."""
    assert best_course(Problem((), horizon_s=HOUR_S), bucket(10.0, own_draw_w=8.0)).worth == 0.0
    item = Item("recorder", 1.0, (20.0,), 60.0)
    answer = best_course(Problem((item,), horizon_s=HOUR_S), bucket(1e-9, own_draw_w=8.0))
    assert answer.starts_s == (0.0,)
    assert answer.worth == pytest.approx(0.0, abs=1e-6)


def test_items_that_use_each_other_in_a_circle_are_refused() -> None:
    """The file's checks refuse them long before."""
    items = (Item("a", 1.0, (1.0,), uses=(1,)), Item("b", 1.0, (1.0,), uses=(0,)))
    with pytest.raises(ValueError, match="circle"):
        best_course(Problem(items), bucket(10.0))
