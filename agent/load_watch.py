"""Holds what units measure against what the file lists, by day and by night, and says what is off.

Only quiet readings count: on mains, with every device running, not at dusk or dawn. What is said is
the middle of an hour's, so that one PC at work is no finding, and it is said once a day at most.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median

from policies.events import Event, ReadingTaken
from policies.model import Place, Site
from policies.night import Light, light_at
from policies.state import Phase, SiteState
from policies.supply import Supply
from policies.unexplained import Gap, Measured, gap_of, measured_of, noise_w

EVERY_S = 60.0
SAMPLES = 60
"""So many readings, so far apart, make a finding: an hour."""

TWILIGHT = timedelta(minutes=45)
"""So long before and after sunset and sunrise no reading counts."""

SAID_EVERY_S = 86400.0

Say = Callable[[str, str, str], None]
"""Told severity, unit and sentence; must not block."""


@dataclass(slots=True)
class _Tally:
    """What one unit measured in one light; the oldest falls out.

    Attributes:
        heard_at: site time of the last sample, s.
        said_w: what was last said to be unexplained, in W.
    """

    samples: deque[Measured] = field(default_factory=lambda: deque(maxlen=SAMPLES))
    heard_at: float | None = None
    said_w: float = 0.0


class LoadWatch:
    """Listens to the readings of a site and says where its file and its units disagree."""

    def __init__(
        self, site: Site, place: Place | None, *, utc: Callable[[], datetime], say: Say
    ) -> None:
        """Prepare.

        Args:
            site: what the file lists.
            place: where it lies; None = day and night are not told apart.
            utc: the wall clock, for the sun.
            say: told what is off.
        """
        self._site = site
        self._place = place
        self._utc = utc
        self._say = say
        self._tallies: dict[tuple[str, Light], _Tally] = {}
        self._said_at: dict[str, float] = {}

    def hear(self, event: Event, state: SiteState) -> None:
        """Take note of a reading; other events change nothing.

        Args:
            event: as it was folded.
            state: the site after it.
        """
        if not isinstance(event, ReadingTaken) or event.reading.unit not in self._site.units:
            return
        name = event.reading.unit
        if state.units[name].supply is not Supply.MAINS or not _all_run(state):
            return
        measured = measured_of(self._site.units[name], event.reading)
        if measured is None:
            return
        light = self._steady_light()
        if light is None:
            return
        tally = self._tallies.setdefault((name, light), _Tally())
        if tally.heard_at is not None and event.at - tally.heard_at < EVERY_S:
            return
        tally.heard_at = event.at
        if tally.samples and tally.samples[-1].is_share is not measured.is_share:
            tally.samples.clear()
        tally.samples.append(measured)
        if len(tally.samples) == SAMPLES:
            self._consider(name, event.at)

    def _steady_light(self) -> Light | None:
        """Return the light now, None near dusk and dawn: lights come on when they see fit."""
        now = self._utc()
        around = {light_at(self._place, now + away) for away in (-TWILIGHT, timedelta(), TWILIGHT)}
        return around.pop() if len(around) == 1 else None

    def gaps(self, unit: str) -> list[Gap]:
        """Return what was found of a unit so far, by day and by night, as far as it is known."""
        return [gap for _, gap in self._found(unit)]

    def _found(self, unit: str) -> list[tuple[_Tally, Gap]]:
        found = []
        for (name, light), tally in sorted(self._tallies.items()):
            if name == unit and len(tally.samples) == SAMPLES:
                last = tally.samples[-1]
                middle_w = median(sample.watts for sample in tally.samples)
                measured = Measured(middle_w, last.step_w, last.is_share)
                found.append((tally, gap_of(self._site, unit, measured, light)))
        return found

    def _consider(self, unit: str, at: float) -> None:
        found = self._found(unit)
        said_at = self._said_at.get(unit)
        if said_at is not None and at - said_at < SAID_EVERY_S:
            return
        if not any(_is_news(tally, gap) for tally, gap in found):
            return
        self._said_at[unit] = at
        for tally, gap in found:
            tally.said_w = gap.unexplained_w
        self._say("warning", unit, "; ".join(gap.sentence for _, gap in found))


def _all_run(state: SiteState) -> bool:
    return all(d.phase is Phase.RUNNING and d.order is None for d in state.devices.values())


def _is_news(tally: _Tally, gap: Gap) -> bool:
    """Whether the finding differs from what was last said by more than noise; its end does too."""
    return abs(gap.unexplained_w - tally.said_w) >= noise_w(gap.listed_w)
