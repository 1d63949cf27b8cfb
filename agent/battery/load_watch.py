"""Holds what units measure against what the file lists, by day and by night, and says what is off.

Only quiet readings count: on mains, with every device running, not at dusk or dawn. What is said is
the middle of an hour's, so that one PC at work is no finding, and it is said once a day at most.
What was found is kept in the journal, so that a restart forgets nothing that was known or said.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from statistics import median

from policies.events import Event, LoadFound, ReadingTaken
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

Keep = Callable[[LoadFound], None]
"""Takes what is to be kept in the journal; must not block."""


@dataclass(slots=True)
class _Tally:
    """What one unit measured in one light; the oldest falls out.

    Attributes:
        heard_at: site time of the last sample, s.
        said_w: what was last said to be unexplained, in W.
        kept_w: the middle of the hour that the journal has, in W; None = it has none.
    """

    samples: deque[Measured] = field(default_factory=lambda: deque(maxlen=SAMPLES))
    heard_at: float | None = None
    said_w: float = 0.0
    kept_w: float | None = None


class LoadWatch:
    """Listens to the readings of a site and says where its file and its units disagree."""

    def __init__(
        self,
        site: Site,
        place: Place | None,
        *,
        utc: Callable[[], datetime],
        say: Say,
        keep: Keep = lambda found: None,
        known: SiteState | None = None,
    ) -> None:
        """Prepare.

        Args:
            site: what the file lists.
            place: where it lies; None = day and night are not told apart.
            utc: the wall clock, for the sun.
            say: told what is off.
            keep: takes what is to outlive the agent.
            known: what the journal folded to, to go on from.
        """
        self._site = site
        self._place = place
        self._utc = utc
        self._say = say
        self._tallies: dict[tuple[str, Light], _Tally] = {}
        self._said_at: dict[str, float] = {}
        self._keep = keep
        if known is not None:
            self._take_up(known)

    def _take_up(self, known: SiteState) -> None:
        """Go on from what an earlier run found: its middle stands for the hour before."""
        for unit, state in known.units.items():
            for light, found in state.loads.items():
                sample = Measured(found.watts, found.step_w, found.is_share)
                tally = _Tally(said_w=found.said_w, kept_w=found.watts)
                tally.samples.extend([sample] * SAMPLES)
                self._tallies[unit, light] = tally
                if found.said_at is not None:
                    said_at = self._said_at.get(unit, found.said_at)
                    self._said_at[unit] = max(said_at, found.said_at)

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
        is_due = said_at is None or at - said_at >= SAID_EVERY_S
        if is_due and any(_is_news(tally, gap) for tally, gap in found):
            self._said_at[unit] = at
            for tally, gap in found:
                tally.said_w = gap.unexplained_w
            self._say("warning", unit, "; ".join(gap.sentence for _, gap in found))
            self._keep_found(found, at)
        else:
            self._keep_found([(tally, gap) for tally, gap in found if _is_new(tally, gap)], at)

    def _keep_found(self, found: list[tuple[_Tally, Gap]], at: float) -> None:
        for tally, gap in found:
            last, tally.kept_w = tally.samples[-1], gap.measured_w
            said_at = self._said_at.get(gap.unit)
            self._keep(
                LoadFound(
                    at,
                    gap.unit,
                    gap.light,
                    gap.measured_w,
                    last.step_w,
                    last.is_share,
                    tally.said_w,
                    said_at,
                )
            )


def _all_run(state: SiteState) -> bool:
    return all(d.phase is Phase.RUNNING and d.order is None for d in state.devices.values())


def _is_news(tally: _Tally, gap: Gap) -> bool:
    """Whether the finding differs from what was last said by more than noise; its end does too."""
    return abs(gap.unexplained_w - tally.said_w) >= noise_w(gap.listed_w)


def _is_new(tally: _Tally, gap: Gap) -> bool:
    """Whether the journal knows nothing of it, or something else by more than noise."""
    if tally.kept_w is None:
        return True
    return abs(gap.measured_w - tally.kept_w) >= noise_w(gap.listed_w)
