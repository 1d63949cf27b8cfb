"""Ways out when a battery cannot meet all hold times: what to drop, what to cut, what to buy."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from policies.footing import Footing, Terms, problem_of
from policies.model import Battery as FileBattery
from policies.model import Site
from policies.plan_telling import Solved
from policies.shed_items import Form, Problem, holds_fit
from policies.shed_search import exhausted
from policies.sizing import ORDINARY_AH, smallest_ordinary
from policies.state import SiteState
from policies.what_if import without

_CANDIDATES = 40
_SHOWN = 3
_HALVINGS = 20
_HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Drop:
    """Devices to take off this battery: with them gone all other hold times are met.

    Attributes:
        gone: with what hangs on them; worth: lost in each hour.
    """

    devices: tuple[str, ...]
    gone: tuple[str, ...]
    worth: float


@dataclass(frozen=True, slots=True)
class Cut:
    """Hold times to shorten: with these all are met.

    Attributes:
        devices: whose; to_s: the time that can be held; worth: worth times hours lost.
    """

    devices: tuple[str, ...]
    to_s: float
    worth: float


@dataclass(frozen=True, slots=True)
class Buy:
    """A battery that would be enough, of the age and in the room of the present one.

    Attributes:
        times: how many times the present one's energy.
        volts, amp_hours: of the smallest ordinary battery that has it, None where none has, or the
            present one's voltage is not known.
    """

    times: float
    volts: float | None = None
    amp_hours: float | None = None


@dataclass(frozen=True, slots=True)
class Ways:
    """The cheapest ways out of one unit's shortage, each by rising cost."""

    unit: str
    short_wh: float
    drops: tuple[Drop, ...]
    cuts: tuple[Cut, ...]
    buy: Buy | None


def ways_out(
    site: Site,
    state: SiteState,
    solved: Solved,
    terms: Terms,
    *,
    hold_s: Mapping[str, float],
    short_wh: float,
    times: float,
) -> Ways:
    """Return what would meet the hold times of one unit.

    Args:
        site: what there is.
        state: what is known of it.
        solved: the unit's best course; it does not meet all.
        terms: on which terms it was found.
        hold_s: how long each device is to stay on from now.
        short_wh: what the battery lacks.
        times: how many times its energy it would need.
    """
    finder = _Finder(site, state, solved, terms, hold_s)
    return Ways(
        solved.unit,
        short_wh,
        drops=tuple(finder.drops()),
        cuts=tuple(finder.cuts()),
        buy=_buy(site.units[solved.unit].battery, times),
    )


class _Finder:
    """Tries what would be enough."""

    def __init__(
        self,
        site: Site,
        state: SiteState,
        solved: Solved,
        terms: Terms,
        hold_s: Mapping[str, float],
    ) -> None:
        self._site, self._state, self._solved = site, state, solved
        self._terms, self._hold_s = terms, dict(hold_s)
        # What no battery can meet is not to be met by patience either.
        self._terms = replace(terms, patience_s=0.0)
        self._footing = Footing(site, state, on_battery=[solved.unit])

    def _fits(self, problem: Problem) -> bool:
        return holds_fit(exhausted(Form.of(problem)), self._solved.planned)

    def _problem(self, site: Site, hold_s: Mapping[str, float]) -> Problem:
        footing = self._footing
        if site is not self._site:
            state = replace(
                self._state,
                devices={name: self._state.devices[name] for name in site.devices},
            )
            footing = Footing(site, state, on_battery=[self._solved.unit])
        return problem_of(footing, self._solved.unit, self._terms, hold_s=hold_s).problem

    # Dropping

    def drops(self) -> list[Drop]:
        """Return single devices that would be enough; else several together."""
        found = [drop for name in self._droppable() if (drop := self._drop([name])) is not None]
        if not found:
            together = self._together()
            return [] if together is None else [together]
        return sorted(found, key=lambda drop: (drop.worth, drop.devices))[:_SHOWN]

    def _droppable(self) -> list[str]:
        """Devices that draw something here: the least worth for each watt first."""
        draws = self._footing.draws(self._solved.unit)
        devices = self._site.devices
        names = [
            name
            for name, draw in draws.items()
            if draw.most > 0.0 and not devices[name].no_touch and devices[name].hold_s == 0.0
        ]
        names.sort(key=lambda n: (devices[n].worth / draws[n].most, n))
        return names[:_CANDIDATES]

    def _drop(self, names: Collection[str]) -> Drop | None:
        site, gone = without(self._site, names)
        hold_s = {name: span_s for name, span_s in self._hold_s.items() if name in site.devices}
        if not gone or not self._fits(self._problem(site, hold_s)):
            return None
        worth = sum(self._site.devices[name].worth for name in gone)
        return Drop(tuple(sorted(names)), tuple(gone), worth)

    def _together(self) -> Drop | None:
        names: list[str] = []
        for name in self._droppable():
            names.append(name)
            drop = self._drop(names)
            if drop is not None:
                return drop
        return None

    # Cutting

    def cuts(self) -> list[Cut]:
        """Return single hold times that it would be enough to cut, and all of them together."""
        held = sorted(
            (name for name in self._hold_s if name in self._solved.hung.names),
            key=lambda name: -self._hold_s[name],
        )[:_CANDIDATES]
        found = [cut for name in held if (cut := self._cut([name])) is not None]
        found.sort(key=lambda cut: (cut.worth, cut.devices))
        together = self._cut(held) if len(held) > 1 else None
        return [*found[:_SHOWN], *([together] if together is not None else [])]

    def _cut(self, names: Sequence[str]) -> Cut | None:
        """The longest time that these can be held for, if that is enough."""

        def fits(most_s: float) -> bool:
            spans = {
                name: min(span_s, most_s) if name in names else span_s
                for name, span_s in self._hold_s.items()
            }
            return self._fits(self._problem(self._site, spans))

        low, high = 0.0, max(self._hold_s[name] for name in names)
        if not fits(low):
            return None
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if fits(middle) else (low, middle)
        lost = sum(
            self._site.devices[name].worth * max(0.0, self._hold_s[name] - low) / _HOUR_S
            for name in names
        )
        cut = [name for name in names if self._hold_s[name] > low]
        return Cut(tuple(sorted(cut)), low, lost)


def _buy(battery: FileBattery, times: float) -> Buy:
    if battery.volts is None or battery.amp_hours is None:
        return Buy(times)
    needed_wh = times * battery.volts * battery.amp_hours
    if battery.volts * max(ORDINARY_AH) < needed_wh:
        return Buy(times)
    pack = smallest_ordinary(needed_wh, volts=battery.volts, strings=1)
    return Buy(times) if pack is None else Buy(times, pack.volts, pack.amp_hours)
