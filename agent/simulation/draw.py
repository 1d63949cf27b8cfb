"""Draws everything else: batteries, how units lie, what mains does, and what befalls the agent."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from agent.simulation.draw_cuts import with_cuts
from agent.simulation.draw_output import with_outputs
from agent.simulation.draw_site import TROUBLES, draw_build, draw_manners, draw_site
from agent.simulation.scenario import (
    Blow,
    Charge,
    Happening,
    Kill,
    Meter,
    Minutes,
    PlantBuild,
    Quirks,
    Scenario,
    Status,
    Window,
)
from agent.simulation.truth import DeviceBuild, What
from agent.virtual.battery import Build, Gauge
from policies.graph import graph_of
from policies.model import MAINS_FEED, Battery, Device, RunPoint, Site, Unit
from policies.runtime import (
    Cells,
    Inverter,
    LoadStep,
    ends_after_s,
    health_at,
    inverter_of,
    temperature_factor,
)

_WARM_UP_S = 60.0
_RATINGS_W = (300.0, 500.0, 700.0, 1000.0, 1500.0, 3000.0)


def draw(seed: int, *, runs: int = 0, outputs: bool = False, cuts: bool = False) -> Scenario:
    """Return what a seed draws.

    Args:
        seed: decides everything.
        runs: how many test runs of each battery its owner has made: 0 or 2.
        outputs: every site is one whose units' outputs may be switched.
        cuts: every site has a switch whose ports may be cut, and recorders spared by that.
    """
    chance = random.Random(f"{seed} scenario")
    themes = _themes(chance)
    site = draw_site(seed)
    troubles = _troubles(chance, site, themes)
    builds = {
        name: draw_build(seed, device, is_slow=troubles.get(name) == "slow")
        for name, device in site.devices.items()
    }
    plants, site = _batteries(
        chance, site, builds, runs=runs, widely=2.0 if "wild battery" in themes else 1.0
    )
    lasts_s = min(full_s(site, plants, builds, name) for name in site.units)
    happenings, outages = _mains(chance, site, lasts_s, themes)
    if "cell dies" in themes:
        begin, end = outages[0] if outages else (0.0, lasts_s)
        at = begin + chance.random() * min(lasts_s, end - begin)
        unit = chance.choice(list(site.units))
        happenings.append(Happening(at, What.CELL_DIES, unit, chance.uniform(0.1, 0.6)))
    first = outages[0] if outages else None
    if "comes back" in themes and first is not None:
        happenings += _come_backs(chance, site, first)
    manners = {
        name: draw_manners(seed, device, trouble=troubles.get(name, ""), outage=first)
        for name, device in site.devices.items()
    }
    span = (first[0], outages[-1][1] + 300.0) if first is not None else (30.0, 300.0)
    quirks = {name: _quirks(chance, themes, span) for name in site.units}
    happenings.sort(key=lambda h: h.at)
    starts_at = 10.0
    if "late agent" in themes and first is not None:
        starts_at = first[0] + chance.uniform(1.0, 0.5 * min(lasts_s, first[1] - first[0]) + 2.0)
    scenario = Scenario(
        seed=seed,
        site=site,
        plants=plants,
        builds=builds,
        manners=manners,
        quirks=quirks,
        happenings=tuple(happenings),
        outages=tuple(outages),
        kills=_kills(chance, themes, span),
        disk_full=_spells(chance, span, 2) if "full disk" in themes else (),
        disk_slow=_spells(chance, span, 3) if "slow disk" in themes else (),
        disk_s=chance.choice([0.2, 0.7, 3.0]),
        wall_steps=_wall_steps(chance, span) if "wall steps" in themes else (),
        starts_at=starts_at,
        poll_on_mains_s=chance.choice([10.0, 15.0, 30.0]),
        poll_on_battery_s=chance.choice([2.0, 5.0, 5.0, 10.0]),
        themes=themes,
    )
    scenario = with_outputs(scenario, always=outputs)
    return with_cuts(scenario) if cuts else scenario


_LIKELY = {
    "lying unit": 0.35,
    "silent unit": 0.15,
    "odd readings": 0.15,
    "self-test": 0.12,
    "troubled devices": 0.4,
    "comes back": 0.08,
    "killed": 0.25,
    "full disk": 0.08,
    "slow disk": 0.08,
    "wall steps": 0.1,
    "wild battery": 0.06,
    "cell dies": 0.04,
    "late agent": 0.08,
    "no outage": 0.06,
}


def _themes(chance: random.Random) -> frozenset[str]:
    return frozenset(name for name, likely in _LIKELY.items() if chance.random() < likely)


def _troubles(chance: random.Random, site: Site, themes: frozenset[str]) -> dict[str, str]:
    if "troubled devices" not in themes:
        return {}
    kinds = [*TROUBLES, "slow"]
    return {name: chance.choice(kinds) for name in site.devices if chance.random() < 0.4}


# Batteries


def _batteries(
    chance: random.Random,
    site: Site,
    builds: Mapping[str, DeviceBuild],
    *,
    runs: int,
    widely: float,
) -> tuple[dict[str, PlantBuild], Site]:
    """Draw what each battery truly is, and what its file says: the first is not the second.

    Where nothing was measured they differ as the prior of the project's runtime model has it (ln E
    0.20, ln own draw 0.5, logit efficiency 0.3, logit c 0.8, ln k 1.5), times *widely*.
    """
    plants: dict[str, PlantBuild] = {}
    units: dict[str, Unit] = {}
    for name, unit in site.units.items():
        load_w = max(5.0, load_of(site, builds, name))
        rating_w = chance.choice([size for size in _RATINGS_W if size >= 1.4 * load_w])
        inverter = _inverter(chance, rating_w, widely=widely)
        lasts_s = 60.0 * math.exp(chance.uniform(math.log(4.0), math.log(30.0)))
        share = _logistic(_logit(0.55) + 0.8 * widely * chance.gauss())
        flow = 3.0 * math.exp(1.5 * widely * chance.gauss())
        cells = _cells_that_last(inverter, share, flow, load_w=load_w, lasts_s=lasts_s)
        believed = _believed(chance, cells, spread=0.2 * widely)
        if runs:
            ages = chance.uniform(0.93, 1.0)
            measured = replace(cells, energy_wh=cells.energy_wh / ages)
            table = _runs(chance, measured, inverter, load_w, count=runs)
            believed = replace(believed, table=table)
        charger_w = max(20.0, cells.energy_wh / chance.uniform(3.0, 8.0))
        gauge = Gauge(
            believed_wh=cells.energy_wh * chance.lognormvariate(0.0, 0.25),
            believed_efficiency=chance.uniform(0.8, 0.95),
        )
        plants[name] = PlantBuild(
            Build(cells, inverter, charger_w, nominal_v=24.0),
            gauge,
            restart_s=chance.choice([1.0, 5.0, 30.0]),
        )
        units[name] = replace(unit, battery=believed, rating_w=rating_w, rating_va=rating_w / 0.7)
    return plants, replace(site, units=MappingProxyType(units))


def _cells_that_last(
    inverter: Inverter, share: float, flow: float, *, load_w: float, lasts_s: float
) -> Cells:
    low, high = 0.5, 20_000.0
    for _ in range(40):
        middle = math.sqrt(low * high)
        cells = Cells(middle, share, flow)
        if ends_after_s(cells, cells.full(), inverter, [LoadStep(0.0, load_w)]) < lasts_s:
            low = middle
        else:
            high = middle
    return Cells(high, share, flow)


def _inverter(chance: random.Random, rating_w: float, *, widely: float) -> Inverter:
    assumed = inverter_of(rating_w)
    return Inverter(
        _logistic(_logit(assumed.efficiency) + 0.3 * widely * chance.gauss()),
        assumed.own_draw_w * math.exp(0.5 * widely * chance.gauss()),
    )


def _logit(share: float) -> float:
    return math.log(share / (1.0 - share))


def _logistic(value: float) -> float:
    return 1.0 / (1.0 + math.exp(-value))


def _believed(chance: random.Random, cells: Cells, *, spread: float) -> Battery:
    """What the file says of a battery whose true energy is known here only."""
    usable = cells.energy_wh * math.exp(spread * chance.gauss())
    if chance.random() < 0.3:
        return Battery(watt_hours=usable)
    age, temperature = chance.uniform(0.0, 6.0), chance.choice([5.0, 15.0, 25.0])
    nominal = usable * temperature_factor(temperature) / health_at(age) / 1.08
    return Battery(volts=24.0, amp_hours=nominal / 24.0, age_years=age, temperature_c=temperature)


def _runs(
    chance: random.Random, cells: Cells, inverter: Inverter, load_w: float, *, count: int
) -> tuple[RunPoint, ...]:
    """What test runs have measured: at the present load, and at other ones."""
    points = []
    for share in (1.0, 0.5, 1.5)[:count]:
        watts = share * load_w
        lasts_s = ends_after_s(cells, cells.full(), inverter, [LoadStep(0.0, watts)])
        points.append(RunPoint(watts, lasts_s * chance.lognormvariate(0.0, 0.03)))
    return tuple(sorted(points, key=lambda point: point.watts))


def load_of(site: Site, builds: Mapping[str, DeviceBuild], unit: str) -> float:
    """Return what a unit carries while everything runs, feeds shared evenly, in W."""
    return sum(
        builds[name].watts * _share(site, device, unit) for name, device in site.devices.items()
    )


def _share(site: Site, device: Device, unit: str) -> float:
    shares = [
        1.0 if feed == unit else _share(site, site.devices[feed], unit)
        for feed in device.feeds
        if feed == unit or feed in site.devices
    ]
    return sum(shares) / len(device.feeds)


def full_s(
    site: Site, plants: Mapping[str, PlantBuild], builds: Mapping[str, DeviceBuild], unit: str
) -> float:
    """Return how long a full battery truly carries everything, in s."""
    build = plants[unit].build
    steps = [LoadStep(0.0, load_of(site, builds, unit))]
    return ends_after_s(build.cells, build.cells.full(), build.inverter, steps)


# Mains


def _mains(
    chance: random.Random, site: Site, lasts_s: float, themes: frozenset[str]
) -> tuple[list[Happening], list[Window]]:
    """Draw the shape of the outages."""
    happenings: list[Happening] = []
    if "self-test" in themes:
        at, unit = chance.uniform(20.0, 50.0), chance.choice(list(site.units))
        happenings.append(Happening(at, What.TEST_BEGIN, unit))
        happenings.append(Happening(at + chance.uniform(5.0, 25.0), What.TEST_END, unit))
    if "no outage" in themes:
        return happenings, []
    windows: list[Window] = []
    at = _WARM_UP_S + chance.uniform(0.0, 60.0)
    shape = chance.choices(
        ["blink", "short", "long", "again", "flapping", "endless"], [8, 20, 40, 14, 10, 8]
    )[0]
    match shape:
        case "blink":
            windows.append((at, at + chance.uniform(0.5, 20.0)))
        case "short":
            windows.append((at, at + chance.uniform(0.1, 1.0) * lasts_s))
        case "long":
            windows.append((at, at + chance.uniform(1.0, 1.5) * lasts_s + 60.0))
        case "endless":
            windows.append((at, at + 2.0 * lasts_s + 900.0))
        case "again":
            back = at + chance.uniform(0.4, 1.3) * lasts_s
            again = back + chance.uniform(20.0, 400.0)
            windows += [(at, back), (again, again + chance.uniform(0.2, 1.2) * lasts_s)]
        case _:
            for _ in range(chance.randint(3, 6)):
                windows.append((at, at + chance.uniform(1.0, 90.0)))
                at = windows[-1][1] + chance.uniform(1.0, 90.0)
            if chance.random() < 0.5:
                windows.append((at, at + lasts_s))
    partial = len(site.units) > 1 and chance.random() < 0.3
    outages: list[Window] = []
    for begin, end in windows:
        hit = [chance.choice(list(site.units))] if partial else [*site.units, MAINS_FEED]
        lag = chance.choice([0.0, 0.0, 20.0])
        ends = []
        for number, name in enumerate(hit):
            later = lag if number == 1 and end - begin > 2 * lag else 0.0
            happenings.append(Happening(begin + later, What.MAINS_FAIL, name))
            happenings.append(Happening(end + later, What.MAINS_RETURN, name))
            ends.append(end + later)
        outages.append((begin, max(ends)))
    return happenings, _merged(outages)


def _merged(windows: list[Window]) -> list[Window]:
    merged: list[Window] = []
    for begin, end in sorted(windows):
        if merged and begin <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(end, merged[-1][1]))
        else:
            merged.append((begin, end))
    return merged


def _come_backs(chance: random.Random, site: Site, outage: Window) -> list[Happening]:
    """Somebody presses a button, or a device's own clock wakes it."""
    fed = graph_of(site).units
    names = [name for name in site.devices if fed[name] and not site.devices[name].is_passive]
    begin, end = outage
    found = [
        Happening(begin + chance.random() * (end - begin), What.WAKES, name)
        for name in names
        if chance.random() < 0.4
    ]
    if names and chance.random() < 0.2:
        at = begin + chance.random() * (end - begin)
        found.append(Happening(at, What.VANISHES, chance.choice(names)))
    return found


# Units that lie


def _quirks(chance: random.Random, themes: frozenset[str], span: Window) -> Quirks:
    quirks = Quirks(
        low_minutes=chance.choice([1, 2, 3, 5]),
        answer_s=chance.choice([0.02, 0.1, 0.5]),
        sends_traps=chance.random() < 0.3,
        meter=chance.choices(list(Meter), [6, 2, 1, 1])[0],
        is_swapped=chance.random() < 0.05,
        tells_tests=chance.random() < 0.9,
    )
    if "lying unit" in themes:
        quirks = replace(
            quirks,
            minutes=chance.choice(list(Minutes)),
            rosiness=chance.uniform(1.5, 5.0),
            charge=chance.choice(list(Charge)),
            status=chance.choice(list(Status)),
            counts_seconds=chance.random() < 0.8,
        )
    if "silent unit" in themes:
        quirks = replace(
            quirks,
            silences=_spells(chance, span, 2),
            unheard=chance.choice([0.0, 0.1, 0.3]),
            restarts=(_within(chance, span),) if chance.random() < 0.5 else (),
            comms_lost=_spells(chance, span, 1) if chance.random() < 0.3 else (),
        )
    if "odd readings" in themes:
        count = chance.randint(1, 4)
        quirks = replace(
            quirks, odd_at=tuple(sorted(_within(chance, (20.0, span[1])) for _ in range(count)))
        )
    return quirks


def _within(chance: random.Random, span: Window) -> float:
    return span[0] + chance.random() * (span[1] - span[0])


def _spells(chance: random.Random, span: Window, most: int) -> tuple[Window, ...]:
    found = []
    for _ in range(chance.randint(1, most)):
        begin = _within(chance, (span[0] - 20.0, span[1]))
        found.append((begin, begin + math.exp(chance.uniform(math.log(3.0), math.log(240.0)))))
    return tuple(_merged(found))


# What befalls the agent


def _kills(chance: random.Random, themes: frozenset[str], span: Window) -> tuple[Kill, ...]:
    if "killed" not in themes:
        return ()
    kills = []
    for _ in range(chance.randint(1, 3)):
        blow = chance.choice(list(Blow))
        reboots = chance.random() < 0.25
        kills.append(
            Kill(
                at=_within(chance, span),
                blow=blow,
                count=chance.randint(1, 8) if chance.random() < 0.7 else 1,
                down_s=chance.choice([30.0, 60.0]) if reboots else chance.choice([1.0, 2.0, 5.0]),
                reboots=reboots,
            )
        )
    return tuple(sorted(kills, key=lambda kill: kill.at))


def _wall_steps(chance: random.Random, span: Window) -> tuple[tuple[float, float], ...]:
    return tuple(
        (_within(chance, span), chance.choice([-86400.0, -300.0, -5.0, 5.0, 3600.0, 1e7]))
        for _ in range(chance.randint(1, 3))
    )
