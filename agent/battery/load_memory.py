"""What the units carried of late, and what that says of a device that was told to stop."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from drivers.base import Clock
from policies.graph import graph_of
from policies.load import listed_draw
from policies.load_evidence import (
    BEFORE_S,
    LoadPoint,
    Says,
    is_told_by,
    load_evidence,
)
from policies.model import Reading, Site
from policies.state import SiteState
from policies.unexplained import measured_of

KEPT = 400
"""Readings remembered of each unit; in an outage they come every two seconds."""

FRESH_S = 15.0
"""A load last heard of longer ago says nothing of now."""


@dataclass(frozen=True, slots=True)
class LoadWord:
    """What a unit's load says of a device, in words.

    Attributes:
        sentence: "" where it says nothing.
        is_metered: it may say more later.
    """

    says: Says
    sentence: str = ""
    is_metered: bool = True


class LoadMemory:
    """Remembers recent loads of the units."""

    def __init__(self, site: Site, *, clock: Clock, state: Callable[[], SiteState]) -> None:
        """Begin with nothing; *state* returns the present state."""
        self._site = site
        self._clock = clock
        self._state = state
        self._points = {unit: deque[LoadPoint](maxlen=KEPT) for unit in site.units}
        self._all = {unit: listed_draw(site, unit) for unit in site.units}
        self._lost: dict[str, float] = {}

    def hear(self, reading: Reading) -> None:
        """Remember what a reading measures of the load, if it does."""
        measured = measured_of(self._site.units[reading.unit], reading)
        if measured is None:
            return
        points = self._points[reading.unit]
        if not points or reading.at > points[-1].at:
            points.append(LoadPoint(reading.at, measured.watts, measured.step_w))

    def says(self, name: str, told_at: float) -> LoadWord:
        """Return what the load of the unit behind a device says of its stop at *told_at*.

        Nothing where several units carry it, or mains: its load may only have moved.
        """
        graph = graph_of(self._site)
        if len(graph.units[name]) != 1 or name in graph.on_mains:
            return LoadWord(Says.NOTHING, is_metered=False)
        (unit,) = graph.units[name]
        points = self._points[unit]
        if not points or self._clock.monotonic() - points[-1].at > FRESH_S:
            # What it carried then, it may carry no more.
            return LoadWord(Says.NOTHING, is_metered=bool(points))
        if not is_told_by(points, told_at=told_at):
            return LoadWord(Says.NOTHING)
        found = load_evidence(
            points,
            told_at=told_at,
            watts=self._lost_with(name, unit),
            others_w=self._others_w(name, unit, since_at=told_at - BEFORE_S),
        )
        match found.says:
            case Says.FELL:
                said = f"the load of {unit} fell by {found.fell_w:.0f} W, as it does when {name}"
                noise = f"more than three times its noise of {found.noise_w:.1f} W"
                return LoadWord(Says.FELL, f"{said} goes off, {noise}")
            case Says.STAYED:
                watts = self._lost_with(name, unit)
                said = f"the load of {unit} has not fallen by the {watts:.0f} W of {name}"
                return LoadWord(Says.STAYED, said)
            case Says.NOTHING:
                return LoadWord(Says.NOTHING)

    def _lost_with(self, name: str, unit: str) -> float:
        """What the unit loses with one device, in W; the lesser of day and night."""
        if name not in self._lost:
            on = self._site.devices.keys() - {name}
            lost = self._all[unit] - listed_draw(self._site, unit, on=on)
            self._lost[name] = min(lost.day, lost.night)
        return self._lost[name]

    def _others_w(self, name: str, unit: str, *, since_at: float) -> float:
        """The most that others behind the unit may have changed its load by since then, in W."""
        graph, devices = graph_of(self._site), self._state().devices
        changed = {
            other
            for other, known in devices.items()
            if other != name
            and unit in graph.units[other]
            and other not in graph.touched_by[name]
            and (known.order is not None or known.since_at > max(since_at, 0.0))
        }
        if not changed:
            return 0.0
        on = self._site.devices.keys() - changed
        return self._all[unit].most - listed_draw(self._site, unit, on=on).most
