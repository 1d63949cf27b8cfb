"""What is remembered of one backup unit: the words of `supply`, without what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from policies.battery import BatteryHistory
from policies.belief import Drawn
from policies.collapse import Collapse
from policies.model import Reading
from policies.night import Light
from policies.output_state import OutputState


class Supply(StrEnum):
    """What feeds the outputs of a unit."""

    MAINS = "mains"
    BATTERY = "battery"
    UNPROTECTED = "unprotected"  # mains, and no battery behind it
    UNKNOWN = "unknown"

    @property
    def has_mains(self) -> bool:
        """Whether mains is there, with a battery behind it or without."""
        return self in (Supply.MAINS, Supply.UNPROTECTED)


@dataclass(frozen=True, slots=True)
class FoundLoad:
    """What a unit measures with everything on; see `events.LoadFound`."""

    watts: float
    step_w: float
    is_share: bool
    said_w: float = 0.0
    said_at: float | None = None


@dataclass(frozen=True, slots=True)
class UnitState:
    """Everything remembered of one unit; times are site times in s.

    Attributes:
        supply, why, since_at: the present judgement, its reason, and since when it holds.
        reading: the last one; heard_at: its time.
        sign_at: since when consecutive readings have shown battery; None = the last did not.
        signs, mains_signs: how many consecutive readings showed battery, or mains.
        on_battery_at: when mains failed; None while on mains.
        mains_at: since when mains has been back or there; None while it is not.
        low_sign_at: since when consecutive readings have said low; is_low: it is believed.
        countdown_signs: consecutive readings with a shutdown countdown that is not ours.
        overload_at: since when consecutive readings have shown overload.
        silent_at: when the first of a row of polls was missed; None = the last was answered.
        lost_at: since when it counts as lost; None while it does not.
        drawn: our account of what is missing from its battery, as of heard_at.
        load_w: what it carried when last heard, in W.
        shown: of each gauge that may stick, the value last shown, and how much was missing from
            the battery when it was first shown, in Wh.
        battery: the history of the battery that is in it now.
        collapse: its gauges in this discharge, watched for a fall faster than the clock.
        loads: what it was found to measure with everything on, by the light.
        output: where its own output is, as far as lastwatt switches it.
        testing_until_at: until when it may test its battery, as it was told to; None = it was not.
        bads_before_test: its count of input failures then.
    """

    supply: Supply = Supply.UNKNOWN
    why: str = "no reading yet"
    since_at: float = 0.0
    reading: Reading | None = None
    heard_at: float | None = None
    sign_at: float | None = None
    signs: int = 0
    mains_signs: int = 0
    on_battery_at: float | None = None
    mains_at: float | None = None
    low_sign_at: float | None = None
    is_low: bool = False
    countdown_signs: int = 0
    overload_at: float | None = None
    silent_at: float | None = None
    lost_at: float | None = None
    drawn: Drawn = field(default_factory=Drawn)
    load_w: float = 0.0
    shown: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    battery: BatteryHistory = field(default_factory=BatteryHistory)
    collapse: Collapse = field(default_factory=Collapse)
    loads: Mapping[Light, FoundLoad] = field(default_factory=dict)
    output: OutputState = field(default_factory=OutputState)
    testing_until_at: float | None = None
    bads_before_test: int | None = None

    @property
    def is_on_battery(self) -> bool:
        """Whether this is an outage for what the unit feeds."""
        return self.supply is Supply.BATTERY
