"""Where time is too short for all: the check that nobody of less worth is told first bites."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import cast

from agent.engine import Engine
from agent.simulation.checks import Checks
from agent.simulation.draw import draw
from agent.simulation.keeper import Disk
from agent.simulation.ride import truth_of
from policies.decide import Decision, decide
from policies.events import OrderGiven
from policies.model import Order, Reason, Role, Task
from policies.state import SiteState, fold, initial

SCENARIO = draw(2247, runs=2)
"""A site of two units; nothing of its outage is ridden here."""

SHORT = Reason("too_late", "stopping at once, in short.")
SITE = SCENARIO.site


@dataclass
class Seen:
    """What the checks look at of an engine."""

    state: SiteState
    decision: Decision


def told(*decisions: Sequence[str], due: Sequence[str] = ()) -> list[str]:
    """Return what is said of orders in short, by each of some decisions of one moment in turn."""
    nothing = decide(SITE, initial(SITE), {}, 0.0)
    seen = Seen(initial(SITE), nothing)
    checks = Checks(
        SCENARIO,
        truth_of(SCENARIO),
        interfaces={},
        engine=lambda: cast("Engine", seen),
        disk=lambda: Disk(SCENARIO),
        now=lambda: 0.0,
    )
    for names in decisions:
        seen.decision = replace(nothing, due=frozenset((*names, *due)))
        for name in names:
            given = OrderGiven(0.0, f"{name}#1", Order(name, Task.REST, 60.0, SHORT))
            seen.state = fold(SITE, seen.state, given)
            checks.on_event(given)
    checks.on_life()  # ends what belongs together
    return [broken.text for broken in checks.violations if broken.invariant == 3]


BEST, WORSE = "computer 7", "computer 6"


def test_site_is_as_these_tests_read_it() -> None:
    """Two computers at one unit, and nothing hangs on them: worth alone says who comes first."""
    best, worse = SITE.devices[BEST], SITE.devices[WORSE]

    assert best.role is worse.role is Role.COMPUTER and best.feeds == worse.feeds == ("loft",)
    assert best.worth > worse.worth


def test_one_decision_that_tells_the_lesser_first_is_found() -> None:
    """With no time left, the order of telling is the order of saving."""
    assert told([BEST, WORSE]) == []
    assert told([WORSE, BEST]) == [f"not by worth, what holds data first: {[WORSE, BEST]}"]


def test_decision_that_leaves_out_the_better_one_is_found() -> None:
    """It was due as well, and free: the next decision of the moment comes too late for it."""
    found = told([WORSE], [BEST], due=[BEST])

    assert found == [f"{WORSE} was told in short while {BEST} was not"]


def test_later_decision_of_the_same_moment_may_tell_a_better_one() -> None:
    """Another unit was heard in between, and said that its mains has failed as well."""
    assert told([WORSE], [BEST]) == []
