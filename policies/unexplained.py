"""What a backup unit measures, held against what its file lists."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

from policies.load import listed_draw, listed_va
from policies.model import Reading, Site, Unit
from policies.night import Light
from policies.unit_state import UnitState

LEAST_W = 5.0
LEAST_SHARE = 0.05
"""Differences below the greater of these are noise: meters and data sheets are no better."""


def noise_w(listed_w: float, step_w: float = 1.0) -> float:
    """Return the least difference that is a finding, in W; the arguments as in `unexplained_w`."""
    return max(LEAST_W, LEAST_SHARE * listed_w, step_w)


def unexplained_w(*, listed_w: float, measured_w: float, step_w: float = 1.0) -> float:
    """Return by how many W the unit measures more than the file lists; negative: less.

    Args:
        listed_w: what the file comes to, in W, >= 0.
        measured_w: what the unit says, in W, >= 0.
        step_w: the finest difference that the unit can tell, in W.

    Returns:
        0.0 where the difference is noise.
    """
    gap_w = measured_w - listed_w
    return gap_w if abs(gap_w) >= noise_w(listed_w, step_w) else 0.0


@dataclass(frozen=True, slots=True)
class Measured:
    """What a unit measures of its load.

    Attributes:
        watts: as it says, or its percentage of its rating; step_w: the finest step of that.
        is_share: it is a percentage, which takes the worse of W and VA (RFC 1628,
            upsOutputPercentLoad).
    """

    watts: float
    step_w: float
    is_share: bool = False


def measured_of(unit: Unit, reading: Reading) -> Measured | None:
    """Return what a reading measures of the load, None where it does not or is in doubt."""
    watts = reading.trusted("output_w")
    if watts is not None and watts > 0.0:
        return Measured(watts, 1.0)
    share = reading.trusted("load_share")
    if share is not None and share > 0.0:
        return Measured(share * unit.rating_w, 0.01 * unit.rating_w, is_share=True)
    return None


@dataclass(frozen=True, slots=True)
class Gap:
    """A unit's measured load beside the listed one, in W.

    Attributes:
        light: when; unknown where the site has no place, and anything between the loads by day
            and by night is explained.
        unexplained_w: 0.0 = it fits; positive: more than the file explains; negative: less.
    """

    unit: str
    light: Light
    listed_w: float
    measured_w: float
    unexplained_w: float

    @property
    def sentence(self) -> str:
        """What the site's owner is told."""
        when = "" if self.light is Light.UNKNOWN else f" by {self.light}"
        both = f"{self.measured_w:.0f} W measured{when}, {self.listed_w:.0f} W listed"
        if self.unexplained_w > 0.0:
            return (
                f"{both}: {self.unexplained_w:.0f} W more than the file explains; look for what "
                "is plugged in and not listed, and correct watts"
            )
        if self.unexplained_w < 0.0:
            return (
                f"{both}: {-self.unexplained_w:.0f} W less than the file lists; something is off, "
                "or its watts are too high"
            )
        return f"{both}: that fits"


def gap_of(site: Site, unit: str, measured: Measured, light: Light) -> Gap:
    """Return what a unit measures with everything on, held against the file."""
    rating = site.units[unit]
    load = listed_draw(site, unit)
    if measured.is_share:
        va = listed_va(site, unit).times(rating.rating_w / rating.rating_va)
        load = load.greater(va)
    low_w = high_w = load.at(light)
    if light is Light.UNKNOWN:
        low_w = min(load.day, load.night)
    nearest_w = min(max(measured.watts, low_w), high_w)
    gap_w = unexplained_w(listed_w=nearest_w, measured_w=measured.watts, step_w=measured.step_w)
    return Gap(unit, light, nearest_w, measured.watts, gap_w)


def gaps_found(
    site: Site, units: Mapping[str, UnitState], lights: Collection[Light] = tuple(Light)
) -> Iterator[Gap]:
    """Give what units were found to measure with everything on, held against the file.

    Args:
        site: what is listed.
        units: what is remembered of them; those that the file does not have any more are left out.
        lights: which of what was found is looked at.
    """
    for name, unit in units.items():
        for light, found in unit.loads.items():
            if name in site.units and light in lights:
                measured = Measured(found.watts, found.step_w, found.is_share)
                yield gap_of(site, name, measured, light)
