"""Drawn worlds whose units' outputs are switched: what must always hold of that, holds."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from types import MappingProxyType

from agent.simulation.checks import Violation
from agent.simulation.draw import draw
from agent.simulation.ride import Onlooker, ride
from agent.simulation.scenario import Meter, Scenario
from policies.events import Event, OutputArmed, OutputDropped, OutputReturned, OutputWithdrawn
from policies.model import Role

SEEDS = range(40)


def test_no_invariant_is_broken_where_outputs_are_switched() -> None:
    """Control that ignores, refuses, forgets or cannot be withdrawn; kills amid arming.

    It would cut a recorder down, or leave a site dark on good mains.
    """
    broken: list[Violation] = []
    kinds = Counter[type[Event]]()

    def count(at: float, event: Event) -> None:
        kinds[type(event)] += 1

    for seed in SEEDS:
        broken += ride(draw(seed, outputs=True), Onlooker(event=count)).violations

    assert not broken
    # Invariants that nothing ever puts to the test hold by themselves.
    assert kinds[OutputArmed] >= 6
    assert kinds[OutputDropped] >= 4
    assert kinds[OutputReturned] >= 4
    assert kinds[OutputWithdrawn] >= 1


def _with_a_hidden_load(scenario: Scenario) -> Scenario:
    """Every unit carries what its file does not list, and its meter shows nothing of it."""
    units = {
        name: replace(unit, output=replace(unit.output, unmetered=True)) if unit.output else unit
        for name, unit in scenario.site.units.items()
    }
    watts = {name: 0.3 * unit.rating_w for name, unit in units.items()}
    return replace(
        scenario,
        site=replace(scenario.site, units=MappingProxyType(units)),
        unlisted_w=watts,
    )


def test_the_checks_see_what_an_output_drops_over() -> None:
    """A check that cannot fail proves nothing: here a meter that lies makes it fail."""
    hidden = [_blind(_with_a_hidden_load(draw(seed, outputs=True))) for seed in range(14)]
    broken = [violation for scenario in hidden for violation in ride(scenario).violations]

    assert any("unlisted" in violation.text for violation in broken)
    assert {violation.invariant for violation in broken if "unlisted" in violation.text} == {11}


def _blind(scenario: Scenario) -> Scenario:
    quirks = {name: replace(q, meter=Meter.NOTHING) for name, q in scenario.quirks.items()}
    return replace(scenario, quirks=quirks)


def test_a_seed_draws_what_it_drew_before_but_for_its_outputs() -> None:
    """Seeds that once failed are kept as examples."""
    plain, switched = draw(3), draw(3, outputs=True)

    assert plain.outages == switched.outages
    assert plain.kills == switched.kills
    boxes = [d for d in switched.site.devices.values() if d.role is Role.AGENT_BOX]
    assert len(boxes) == 1
