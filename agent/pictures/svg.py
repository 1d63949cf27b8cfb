"""What pictures share: scales, ticks, paths, and the way from a template to SVG.

A picture is a Jinja template in `templates/`, which extends `frame.svg` (size, style, title and
description for those who cannot see it) and draws axes with the macros in `axes.svg`. Everything
that is filled in is escaped; numbers come in pixels from a `Scale`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

Point = tuple[float, float]
"""x and y in pixels, y downwards."""

_LEADING = (1, 2, 3, 5)
_STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)
_WIDE = frozenset("mwMW@%&ÆŒ—…")


@dataclass(frozen=True, slots=True)
class Scale:
    """From values to pixels.

    Attributes:
        low, high: values at the two ends, low < high.
        start_px, end_px: where these ends are drawn; an axis that points up has start > end.
        is_log: equal ratios are equally far apart; both ends are then above zero.
    """

    low: float
    high: float
    start_px: float
    end_px: float
    is_log: bool = False

    def __post_init__(self) -> None:
        if not self.low < self.high or (self.is_log and self.low <= 0.0):
            raise ValueError(f"a scale rises, and a logarithmic one above zero: {self}")

    def at(self, value: float) -> float:
        """Return where *value* is drawn; beyond the ends it stays at them."""
        low, high, here = self.low, self.high, min(max(value, self.low), self.high)
        if self.is_log:
            low, high, here = math.log(low), math.log(high), math.log(here)
        return self.start_px + (self.end_px - self.start_px) * (here - low) / (high - low)

    def ticks(self, most: int = 8) -> list[float]:
        """Return round values between the ends, about *most* at most."""
        return _log_ticks(self.low, self.high, most) if self.is_log else self._even_ticks(most)

    def _even_ticks(self, most: int) -> list[float]:
        rough = (self.high - self.low) / max(1, most)
        power = math.pow(10.0, math.floor(math.log10(rough)))
        step = next(s * power for s in _STEPS if s * power >= rough * (1.0 - 1e-9))
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [count * step for count in range(first, last + 1)]


def _log_ticks(low: float, high: float, most: int) -> list[float]:
    """Powers of ten, or every other; where there is room two, three and five times those too."""
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    found: list[float] = []
    for leading in (_LEADING, (1, 3), (1,)):
        found = [lead * math.pow(10.0, power) for power in powers for lead in leading]
        found = [value for value in found if low * 0.999 <= value <= high * 1.001]
        if len(found) <= most:
            break
    return found[:: math.ceil(len(found) / most)] if len(found) > most else found


def line(points: Iterable[Point]) -> str:
    """Return the path through *points*, for the attribute `d`."""
    return "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in points)


def band(upper: Sequence[Point], lower: Sequence[Point]) -> str:
    """Return the outline of what lies between two lines, for the attribute `d`."""
    return f"{line([*upper, *reversed(lower)])} Z"


def figure(value: float) -> str:
    """Return a number as people write it: four digits, no needless zeros."""
    return f"{value:.4g}" if abs(value) < 10_000 else f"{value:.0f}"


def shortened(name: str, *, room_px: float, face_px: float = 14.0) -> str:
    """Return a name that is sure to fit into *room_px* in a face of so many px."""
    if width_px(name, face_px=face_px) <= room_px:
        return name
    while name and width_px(f"{name}…", face_px=face_px) > room_px:
        name = name[:-1]
    return f"{name.rstrip()}…"


def width_px(text: str, *, face_px: float = 14.0) -> float:
    """Return at most what a text takes in a common face; what is not Latin is reckoned square."""
    widths = (
        14.0 if char in _WIDE or ord(char) > 0x24F else 10.0 if char.isupper() else 8.0
        for char in text
    )
    return sum(widths) * face_px / 14.0


@lru_cache(maxsize=1)
def _environment() -> Environment:
    """The templates, each read and compiled once: the page draws every few seconds."""
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters["px"] = lambda value: f"{value:.1f}"
    environment.filters["figure"] = figure
    return environment


def render(template: str, **values: Any) -> str:
    """Return the SVG that *template*, a file in `templates/`, makes of *values*."""
    return _environment().get_template(template).render(**values)
