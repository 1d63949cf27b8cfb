"""The real engine over drawn worlds: what must always hold, holds; a failure names its seed."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

from agent.simulation.draw import draw
from agent.simulation.ride import ride


@pytest.mark.parametrize("runs", [0, 2])
@pytest.mark.parametrize("first", range(0, 180, 20))
def test_no_invariant_is_broken(first: int, runs: int) -> None:
    """Lying units, hanging devices, kills and full disks: nothing is done that must not be.

    Where a recorder is lost that somebody could have saved who knows the battery and every duration
    in advance, that is seldom: of the first hundred seeds in 1 % of their outages at most.
    """
    ridden = [ride(draw(seed, runs=runs)) for seed in range(first, first + 20)]
    lost = [one.seed for one in ridden if one.lost]

    assert not [violation for one in ridden for violation in one.violations]
    assert len(lost) <= (1 if first < 100 else 2), lost


@pytest.mark.parametrize("seeds", [range(150, 167), range(168, 192)])
def test_no_invariant_is_broken_with_live_estimates(seeds: range) -> None:
    """Fifty outages judged by what is learnt of the batteries as they empty, kills included.

    Left out is 167: a cell dies and shows in nothing but volts, of which the file of that site says
    nothing, so that whether its recorders are saved is luck.
    """
    ridden = [ride(draw(seed, runs=seed % 2 * 2), estimates=True) for seed in seeds]

    assert not [violation for one in ridden for violation in one.violations]


def test_same_seed_rides_the_same_course_with_live_estimates() -> None:
    """Their chance comes by the unit's name alone."""
    assert ride(draw(151), estimates=True) == ride(draw(151), estimates=True)


@pytest.mark.parametrize("seed", [469, 552, 2425])
def test_what_was_broken_once_holds(seed: int) -> None:
    """Mains believed away; an order given and withdrawn for ever; a start in doubt sent again."""
    assert ride(draw(seed, runs=2)).violations == ()


def test_same_seed_rides_the_same_course() -> None:
    """A failure that cannot be drawn again cannot be mended."""
    assert ride(draw(7)) == ride(draw(7))


def lastwatt(*arguments: str) -> tuple[int, dict[str, Any]]:
    done = subprocess.run(
        [sys.executable, "-m", "agent", "simulate", *arguments, "--json"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    return done.returncode, json.loads(done.stdout)


def test_command_counts_what_it_rode() -> None:
    """Checks outside this repository read these fields."""
    status, document = lastwatt("--seeds", "0-4")

    assert (status, document["ok"], document["violations"]) == (0, True, [])
    assert document["runs"] >= 5
    assert {"lost", "impossible", "kept_ratio_median"} <= document.keys()
    # Where nobody has to act all can go on recording, and mostly does.
    assert document["kept_ratio_median"] < document["kept_ratio_every_median"] <= 1.0


@pytest.mark.parametrize("arguments", [(), ("--seed", "1", "--seeds", "0-4"), ("--seeds", "9-2")])
def test_unusable_seeds_are_a_usage_error(arguments: tuple[str, ...]) -> None:
    """A range written backwards must not pass as nothing broken."""
    status, document = lastwatt(*arguments)

    assert (status, document["ok"]) == (2, False)
