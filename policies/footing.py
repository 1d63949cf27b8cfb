"""What each device stands on in an outage: what can be given up by itself, and what goes with it.

A device can be given up where an order may reach it and nothing hangs on it that cannot be brought
to rest before it. What nobody tells anything loses power with what feeds it, and draws until then.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from policies.graph import Graph, graph_of, may_be_stopped
from policies.load import Draw, Tree, own_draw, tree_of
from policies.model import HOLDS_DATA, Device, Role, Site
from policies.night import Light, LightStep
from policies.shed_items import Item, Problem
from policies.state import Phase, SiteState
from policies.timeline import MARGIN_S
from policies.way_out import kept_for_notices_s

_WORKING = frozenset({Phase.RUNNING, Phase.STARTING, Phase.NEEDS_HAND})

REST = ""
"""Name of the item that stands for all that runs until the output ends."""


@dataclass(frozen=True, slots=True)
class Terms:
    """On which terms it is planned; spans in s from now.

    Attributes:
        horizon_s: an hour beyond is worth nothing.
        patience_s: before that nothing is given up for the sake of another.
        lights: how the light changes from now on.
        measured_w: what units measure; what is listed is held against it.
        thresholds: the owners' own are honoured.
        thorough: look for the last tenths of a percent on a small site, and for how late each stop
            could begin; else that is when it is planned.
        data_first: all else is given up before the last of what holds data, whatever its worth,
            unless a hold time asks for it.
    """

    horizon_s: float
    patience_s: float = 0.0
    lights: tuple[LightStep, ...] = (LightStep(0.0, Light.UNKNOWN),)
    measured_w: Mapping[str, float] | None = None
    thresholds: bool = True
    thorough: bool = False
    data_first: bool = False


class Footing:
    """A site at one moment, as it is planned for."""

    def __init__(self, site: Site, state: SiteState, *, on_battery: Sequence[str]) -> None:
        """Look at what is on, what can be given up, and what goes with what.

        Args:
            site: what there is.
            state: what is known of it.
            on_battery: the units that run on battery.
        """
        self.site, self.state = site, state
        self.graph: Graph = graph_of(site)
        self.on_battery = frozenset(on_battery)
        self.units = {name: self.graph.units[name] & self.on_battery for name in site.devices}
        # What is assumed of a device that is rehearsed counts only where all are.
        self.is_rehearsal = all(device.dry_run for device in site.devices.values())
        self.on = frozenset(self._on())
        self._can_go: dict[str, bool] = {}
        self._hosts: dict[str, str | None] = {}

    def _on(self) -> Iterator[str]:
        """What has power: it was not switched off, and one of its feeds has power."""
        waiting = dict(self.site.devices)
        powered = set(self.site.units)
        while True:
            found = [n for n, d in waiting.items() if powered.intersection(d.feeds)]
            if not found:
                return
            for name in found:
                del waiting[name]
                if not self.is_off(name):
                    powered.add(name)
                    yield name

    def is_off(self, name: str) -> bool:
        """Whether an order switched it off."""
        known = self.state.devices[name]
        return (
            known.phase is Phase.AT_REST
            and (not known.is_assumed or self.is_rehearsal)
            and self.site.devices[name].stop_s is not None
        )

    def is_planned(self, name: str) -> bool:
        """Whether its end hangs on units on battery, and on them only."""
        units = self.graph.units[name]
        return (
            name in self.on
            and bool(units)
            and units <= self.on_battery
            and name not in self.graph.on_mains
        )

    def can_go(self, name: str) -> bool:
        """Whether it can be brought to rest by itself, and what hangs on it before it."""
        if name not in self._can_go:
            self._can_go[name] = self._may_go(name) and all(
                self._lets_go(user) for user in self.graph.users[name] if user in self.on
            )
        return self._can_go[name]

    def _may_go(self, name: str) -> bool:
        device, known = self.site.devices[name], self.state.devices[name]
        return (
            self.is_planned(name)
            and may_be_stopped(self.site, name)
            and (not device.dry_run or self.is_rehearsal)
            and known.phase in (Phase.RUNNING, Phase.STARTING, Phase.RESTING)
        )

    def _lets_go(self, user: str) -> bool:
        """Whether nothing that uses a device keeps it from being stopped; see `decide`."""
        device, known = self.site.devices[user], self.state.devices[user]
        if device.is_passive and device.role not in HOLDS_DATA and not device.no_touch:
            return True
        if known.phase is Phase.AT_REST and (not known.is_assumed or self.is_rehearsal):
            return True
        return self._may_go(user)

    def host(self, name: str) -> str | None:
        """Return what it loses its power with: itself, what feeds it, or None for the output."""
        if name not in self._hosts:
            self._hosts[name] = self._host(self.site.devices[name])
        return self._hosts[name]

    def _host(self, device: Device) -> str | None:
        if self.can_go(device.name) and device.stop_s is not None:
            return device.name
        if any(feed in self.site.units for feed in device.feeds):
            return None
        hosts = {self.host(feed) for feed in device.feeds if feed in self.on}
        return hosts.pop() if len(hosts) == 1 else None

    def lives_by(self, name: str) -> frozenset[str]:
        """What it needs and is fed by, be it through others; its path is not among them."""
        found: set[str] = set()
        waiting = [name]
        while waiting:
            device = self.site.devices[waiting.pop()]
            for other in (*device.needs, *device.feeds):
                if other in self.site.devices and other not in found:
                    found.add(other)
                    waiting.append(other)
        return frozenset(found - {name})

    def works(self, name: str) -> bool:
        """Whether it is on, and so is all that it lives by."""
        return all(
            other in self.on and self.state.devices[other].phase in _WORKING
            for other in (name, *self.lives_by(name))
        )

    # Watts

    def draws(self, unit: str) -> dict[str, Draw]:
        """Return what each device takes from the unit, its share of what cables lose included."""
        tree = tree_of(self.site, {unit}, self.on)
        found: dict[str, Draw] = {}
        self._add_draws(tree, unit, Draw(1.0, 1.0, 1.0, 1.0), found)
        return found

    def _add_draws(self, tree: Tree, feed: str, factor: Draw, found: dict[str, Draw]) -> None:
        for device in tree.children.get(feed, ()):
            times = factor
            if feed in self.site.devices:
                per_w = 1.0 / self.site.devices[feed].poe_efficiency
                times = _product(factor, _quotient(tree.port(device), tree.draw(device)), per_w)
            found[device.name] = _product(own_draw(device), times)
            self._add_draws(tree, device.name, times, found)


def _product(one: Draw, other: Draw, times: float = 1.0) -> Draw:
    return Draw(
        one.day * other.day * times,
        one.night * other.night * times,
        one.most * other.most * times,
        one.boot * other.boot * times,
    )


def _quotient(one: Draw, other: Draw) -> Draw:
    def per(a: float, b: float) -> float:
        return a / b if b > 0.0 else 1.0

    return Draw(
        per(one.day, other.day),
        per(one.night, other.night),
        per(one.most, other.most),
        per(one.boot, other.boot),
    )


@dataclass(frozen=True, slots=True)
class Caps:
    """What is known from elsewhere of when stops must begin; spans in s from now.

    Attributes:
        most_s: latest begin of a stop, by device: what it uses on another unit ends, or its owner
            wishes it.
        credits: worth of what runs on other units and uses a device here, with how long it can.
    """

    most_s: Mapping[str, float]
    credits: Mapping[str, Sequence[tuple[float, float]]]


NO_CAPS = Caps({}, {})


@dataclass(frozen=True, slots=True)
class UnitProblem:
    """What hangs on one unit, as a problem.

    Attributes:
        names: device of each item; REST for what runs until the output ends.
        is_told: whether the item is a stop, or only says how long a device does its work.
    """

    problem: Problem
    names: tuple[str, ...]
    is_told: tuple[bool, ...]

    def number_of(self, name: str) -> int | None:
        """Return the number of a device's item, or None where it has none."""
        return self.names.index(name) if name in self.names else None


def problem_of(
    footing: Footing, unit: str, terms: Terms, *, hold_s: Mapping[str, float], caps: Caps = NO_CAPS
) -> UnitProblem:
    """Return what can be given up on one unit.

    Args:
        footing: the site at this moment.
        unit: one on battery.
        terms: on which terms.
        hold_s: how long each device is to stay on from now; devices without a wish left out.
        caps: what other units and owners demand.
    """
    return _Builder(footing, unit, terms, hold_s, caps).built()


class _Builder:
    """Puts one unit's problem together."""

    def __init__(
        self, footing: Footing, unit: str, terms: Terms, hold_s: Mapping[str, float], caps: Caps
    ) -> None:
        self._footing, self._unit, self._terms = footing, unit, terms
        self._hold_s, self._caps = hold_s, caps
        here = [n for n in footing.site.devices if n in footing.on and unit in footing.units[n]]
        self._here = here
        self._mine = [n for n in here if footing.is_planned(n) and footing.units[n] == {unit}]
        self._stops = [name for name in self._mine if footing.can_go(name)]
        self._number = {name: i for i, name in enumerate(self._stops)}

    def built(self) -> UnitProblem:
        """Return the problem."""
        footing, terms = self._footing, self._terms
        watts, base = self._watts()
        items = [self._stop(name, watts) for name in self._stops]
        names, told = list(self._stops), [True] * len(items)
        rest_worth, rest_hold_s = 0.0, 0.0
        none = tuple(0.0 for _ in base)
        for name in self._mine:
            if name in self._number or not footing.works(name):
                continue
            device, lives_by = footing.site.devices[name], self._lives_by(name)
            hold_s = self._hold_s.get(name, 0.0)
            if lives_by or name in self._caps.most_s:
                most_s = self._caps.most_s.get(name, float("inf"))
                work = Item(name, device.worth, none, 0.0, hold_s, most_s, uses=lives_by)
                items.append(work)
                names.append(name)
                told.append(False)
            else:
                # The agent's box is a means: an hour of it is worth what it is needed for.
                rest_worth += 0.0 if device.role is Role.AGENT_BOX else device.worth
                rest_hold_s = max(rest_hold_s, hold_s)
        for name, credited in self._caps.credits.items():
            for worth, most_s in credited:
                if name in self._number:
                    uses = (self._number[name],)
                    items.append(Item(REST, worth, none, most_s=most_s, uses=uses))
                    names.append(REST)
                    told.append(False)
        if rest_worth > 0.0 or rest_hold_s > 0.0:
            items.append(Item(REST, rest_worth, none, least_s=rest_hold_s))
            names.append(REST)
            told.append(False)
        problem = Problem(
            tuple(items),
            pieces_s=tuple(step.after_s for step in terms.lights),
            base_w=base,
            horizon_s=terms.horizon_s,
            least_load_w=footing.site.units[self._unit].min_load_w,
            patience_s=terms.patience_s,
        )
        return UnitProblem(problem, tuple(names), tuple(told))

    def _stop(self, name: str, watts: Mapping[str, tuple[float, ...]]) -> Item:
        device = self._footing.site.devices[name]
        known = self._footing.state.devices[name]
        hold_s = self._hold_s.get(name, 0.0)
        most_s = self._caps.most_s.get(name, float("inf"))
        worth = device.worth if self._footing.works(name) else 0.0
        if known.phase is Phase.RESTING:
            hold_s, most_s = 0.0, 0.0
        return Item(
            name,
            worth,
            watts[name],
            takes_s=device.rest_s + MARGIN_S + kept_for_notices_s(self._footing.site, name),
            least_s=hold_s,
            most_s=most_s,
            holds_data=device.role in HOLDS_DATA,
            uses=self._uses(self._footing.graph.uses[name], name),
        )

    def _lives_by(self, name: str) -> tuple[int, ...]:
        return self._uses(self._footing.lives_by(name), name)

    def _uses(self, others: frozenset[str], name: str) -> tuple[int, ...]:
        """Numbers of the stops among *others*, without those that another of them uses anyway."""
        uses = self._footing.graph.uses
        found = [other for other in others if other in self._number and other != name]
        direct = [o for o in found if not any(o in uses[via] for via in found if via != o)]
        return tuple(sorted(self._number[other] for other in direct))

    def _watts(self) -> tuple[dict[str, tuple[float, ...]], tuple[float, ...]]:
        """What each item draws in each piece of time, and what runs to the end."""
        footing, lights = self._footing, self._terms.lights
        draws = footing.draws(self._unit)
        pieces = range(len(lights))
        watts = {name: [0.0] * len(lights) for name in self._stops}
        base = [0.0] * len(lights)
        for name, draw in draws.items():
            host = footing.host(name)
            into = watts.get(host, base) if host is not None else base
            for piece in pieces:
                into[piece] += draw.at(lights[piece].light)
        measured_w = (self._terms.measured_w or {}).get(self._unit)
        if measured_w is not None:
            listed_w = base[0] + sum(each[0] for each in watts.values())
            if measured_w >= listed_w:
                base = [base_w + measured_w - listed_w for base_w in base]
            else:
                share = measured_w / listed_w
                base = [share * base_w for base_w in base]
                watts = {name: [share * w for w in each] for name, each in watts.items()}
        return {name: tuple(each) for name, each in watts.items()}, tuple(base)
