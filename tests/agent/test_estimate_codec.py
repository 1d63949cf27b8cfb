"""An estimate put down and taken up again: the belief after is that before."""

from __future__ import annotations

import json

import numpy as np
import pytest

from agent.battery.estimate_codec import battery_key, decode, encode
from policies.draws import prior
from policies.estimate import Estimate, Origin, begun, belief_from, heard
from policies.model import Battery, Unit
from policies.runtime import LoadStep
from tests.policies.discharges import UNIT, Truth, states

STEPS = [LoadStep(0.0, 200.0), LoadStep(300.0, 120.0), LoadStep(900.0, 40.0)]


@pytest.fixture(scope="module")
def estimate() -> Estimate:
    origin = Origin(prior(UNIT, 2000, np.random.default_rng(3)), 0, "prior")
    found: Estimate | None = None
    for state in states(Truth(), until_s=600.0):
        found = begun(UNIT, origin, state) if found is None else heard(found, UNIT, state)
    assert found is not None
    return found


def kept(estimate: Estimate, *, fitted_on: str = "") -> bytes:
    return encode(estimate, battery=battery_key(UNIT), fitted_on=fitted_on)


@pytest.mark.parametrize("quantile", [0.01, 0.05, 0.5, 0.95])
def test_belief_is_the_same_after_it(estimate: Estimate, quantile: float) -> None:
    """A restart in mid-outage must not move the end by more than float32 and joined loads do."""
    again = decode(kept(estimate)).estimate

    before, after = (belief_from(e, UNIT, now=e.heard_at) for e in (estimate, again))
    assert after.end_after_s(STEPS, quantile) == pytest.approx(
        before.end_after_s(STEPS, quantile), rel=0.005
    )
    assert after.bound_quantile == before.bound_quantile


def test_it_learns_on_as_before(estimate: Estimate) -> None:
    """What was learnt of the gauges is carried over too."""
    again = decode(kept(estimate)).estimate
    for state in states(Truth(), until_s=900.0):
        estimate, again = heard(estimate, UNIT, state), heard(again, UNIT, state)

    ends = [
        belief_from(e, UNIT, now=e.heard_at).end_after_s(STEPS, 0.05) for e in (estimate, again)
    ]
    assert ends[1] == pytest.approx(ends[0], rel=0.03)


def test_it_is_small(estimate: Estimate) -> None:
    """Kept some fifty times in an outage, on a card that wears."""
    assert len(kept(estimate)) < 200_000


def test_what_it_is_of_goes_with_it(estimate: Estimate) -> None:
    """The estimate of another battery must not be taken up."""
    other = Unit("cabinet", 1000, 700, Battery(volts=36, amp_hours=9))

    found = decode(kept(estimate, fitted_on="2026-03-01"))
    assert (found.battery, found.fitted_on) == (battery_key(UNIT), "2026-03-01")
    assert battery_key(other) != battery_key(UNIT)


@pytest.mark.parametrize("cut", [0, 10, -4, None])
def test_what_is_damaged_is_refused(estimate: Estimate, cut: int | None) -> None:
    """Half an estimate is worse than none."""
    body = kept(estimate)
    with pytest.raises(ValueError, match="estimate"):
        decode(body[:cut] if cut is not None else body + b"\0\0\0\0")


def test_what_holds_no_numbers_is_refused(estimate: Estimate) -> None:
    """A disk that writes 0xFF for a page makes NaN of it."""
    body = kept(estimate)
    with pytest.raises(ValueError, match="no numbers"):
        decode(body[:-400] + b"\xff" * 400)


def test_another_format_is_refused(estimate: Estimate) -> None:
    """A later release may keep it otherwise; this one starts anew then."""
    text, _, rest = kept(estimate).partition(b"\n")
    later = json.dumps({**json.loads(text), "format": 2}).encode() + b"\n" + rest

    with pytest.raises(ValueError, match="format"):
        decode(later)
