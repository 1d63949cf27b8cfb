"""When it is dark at a place: between sunset and sunrise cameras' infrared lights add load."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum

from astral import Observer
from astral.sun import elevation

from policies.model import Place

HORIZON_DEG = -0.833
"""True height of the sun's centre at sunrise and sunset: 34' of refraction and its radius of 16'.

Source: the convention of almanacs (NOAA, US Naval Observatory; from memory).
"""

_STEP_S = 600.0
_NEAREST_S = 1.0


class Light(StrEnum):
    """What is known of the daylight at a site."""

    DAY = "day"
    NIGHT = "night"
    UNKNOWN = "unknown"  # of each device, the greater of both draws counts


@dataclass(frozen=True, slots=True)
class LightStep:
    """From *after_s* seconds on, until the next step, the light is so."""

    after_s: float
    light: Light


def light_at(place: Place | None, at: datetime) -> Light:
    """Return the light at an instant; unknown without a place.

    Raises:
        ValueError: *at* has no time zone.
    """
    if at.tzinfo is None:
        raise ValueError("an instant needs a time zone")
    if place is None:
        return Light.UNKNOWN
    observer = Observer(place.latitude, place.longitude)
    # Refraction is in HORIZON_DEG already.
    height_deg = elevation(observer, at.astimezone(UTC), with_refraction=False)
    return Light.NIGHT if height_deg < HORIZON_DEG else Light.DAY


def light_steps(place: Place | None, *, begins: datetime, lasts_s: float) -> tuple[LightStep, ...]:
    """Return how the light changes from *begins* on, for *lasts_s* >= 0 seconds.

    The sun's height is looked at every ten minutes, and each change found to the second: that holds
    under the midnight sun, where a day has no sunset, as anywhere.

    Returns:
        At least one step, the first at 0 s, by rising time, each of another light.

    Raises:
        ValueError: *begins* has no time zone.
    """
    light = light_at(place, begins)
    steps = [LightStep(0.0, light)]
    if place is None:
        return tuple(steps)
    begins = begins.astimezone(UTC)  # a local day may have 23 or 25 hours
    before_s = 0.0
    while before_s < lasts_s:
        following_s = min(before_s + _STEP_S, lasts_s)
        found = light_at(place, begins + timedelta(seconds=following_s))
        if found is not light:
            changes_s = _change_s(place, begins, before_s, following_s, found)
            steps.append(LightStep(changes_s, found))
            light = found
        before_s = following_s
    return tuple(steps)


def _change_s(place: Place, begins: datetime, low_s: float, high_s: float, to: Light) -> float:
    while high_s - low_s > _NEAREST_S:
        middle_s = 0.5 * (low_s + high_s)
        if light_at(place, begins + timedelta(seconds=middle_s)) is to:
            high_s = middle_s
        else:
            low_s = middle_s
    return float(math.ceil(high_s))
