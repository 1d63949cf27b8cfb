"""Drawn worlds with ports that are cut, and recorders that nothing can be told: what must hold."""

from __future__ import annotations

from collections import Counter

from agent.simulation.checks import Violation
from agent.simulation.draw import draw
from agent.simulation.ride import Onlooker, Outage, ride
from agent.simulation.truth import What
from policies.events import Ending, Event, OrderClosed, StepBegan

SEEDS = range(120)


def test_no_invariant_is_broken_and_what_could_be_saved_is_saved() -> None:
    """Dark ports, second ways, switches that refuse, hang and lie; kills amid cuts.

    Nothing is cut while it writes, or for nothing, and nothing stays dark unsaid. Second best costs
    a little: a recorder that could be saved is lost in 3 % of the outages at most.
    """
    broken: list[Violation] = []
    outages: list[Outage] = []
    acts = Counter[str]()

    def count(at: float, event: Event) -> None:
        if isinstance(event, StepBegan):
            acts[event.act] += 1

    for seed in SEEDS:
        ridden = ride(draw(seed, runs=seed % 2 * 2, cuts=True), Onlooker(event=count))
        broken += ridden.violations
        outages += ridden.outages

    assert not broken
    assert sum(bool(outage.lost) for outage in outages) <= 0.03 * len(outages)
    # Else the checks had nothing to look at.
    assert {"remember", "stop", "start", "cut", "uncut"} <= acts.keys()


def test_recorder_that_nothing_can_be_told_is_idle_before_it_counts_as_at_rest() -> None:
    """By the truth: its writers are off, and what it still held is written out."""
    idle: dict[str, float] = {}
    early: list[tuple[int, str]] = []
    seen = 0
    for seed in range(30):
        scenario = draw(seed, cuts=True)
        if scenario.themes & {"troubled devices", "comes back"}:
            continue
        mute = {n for n, d in scenario.site.devices.items() if d.by_writers and not d.is_cut}

        def truth(at: float, what: What, name: str) -> None:
            if what is What.IDLE:
                idle[name] = at
            elif what in (What.BOOTED, What.WENT_OFF):
                idle.pop(name, None)

        def event(at: float, event: Event, mute: set[str] = mute, seed: int = seed) -> None:
            nonlocal seen
            if not isinstance(event, OrderClosed) or event.device not in mute:
                return
            if event.ending is Ending.AT_REST:
                seen += 1
                if event.device not in idle:
                    early.append((seed, event.device))

        idle.clear()
        ride(scenario, Onlooker(event=event, truth=truth))

    assert seen > 3
    assert not early
