"""Whether a device may be drilled now: the power behind it."""

from __future__ import annotations

from dataclasses import replace

from policies.drill import refusal
from policies.state import SiteState, initial
from policies.unit_state import Supply
from tests.policies.sites import CAMERA, DESK, RECORDER, SWITCH, site_of

GATE = "gate recorder"
SITE = site_of(SWITCH, CAMERA, RECORDER, DESK)


def known(**unit: object) -> SiteState:
    """The boatyard, its unit as said, just heard for the first time."""
    state = initial(SITE)
    heard = {"supply": Supply.MAINS, "heard_at": 5.0, "mains_at": 5.0, **unit}
    return replace(state, units={"cabinet": replace(state.units["cabinet"], **heard)})  # type: ignore[arg-type]  # fields of it


def test_a_unit_that_just_said_mains_stands_in_no_drills_way() -> None:
    """Whoever starts the agent and drills at once is not told that mains is not there."""
    assert "mains" not in refusal(SITE, known(), GATE)


def test_no_drill_while_one_reading_contradicts_another() -> None:
    """A sign of battery may be the next outage, which would meet a device in mid-drill."""
    assert "steady" in refusal(SITE, known(signs=1), GATE)


def test_no_drill_where_mains_is_not_known() -> None:
    """Neither an unknown supply nor a unit that is not heard is mains."""
    assert "not known to have mains (unknown)" in refusal(SITE, known(supply=Supply.UNKNOWN), GATE)
    assert "not known to have mains" in refusal(SITE, known(lost_at=4.0), GATE)
