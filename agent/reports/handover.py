"""The handover report: a site as wired, what it can do, and how well that is known."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from agent.config import Fault, LoadedSite
from agent.config.contacts import Contact
from agent.grades.standings import standings
from agent.planning.outlook import Outlook
from agent.rehearsal.result import Result
from agent.reports.cautions import GENERAL
from agent.reports.pen import day_text, percent
from agent.reports.wiring_words import FeedWired, by_hand_only, wiring_of
from policies.budget import Budget, FeedBudget, budget_of
from policies.grades import Grade
from policies.load import Draw
from policies.plan import PlannedStop, Why
from policies.reasons import duration_text, names_text, sureness_text
from policies.state import SiteState

_NOT_OF_SITE = frozenset({"secret-absent"})
"""Warnings of the machine that the report is made on, not of the site."""


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """What one feed carries, by day and by night, against what it can give."""

    name: str
    day: str
    night: str
    rating: str
    used: str


@dataclass(frozen=True, slots=True)
class RuntimeRow:
    """How long one unit carries what is kept on, its battery full."""

    unit: str
    load: str
    least: str
    likely: str
    sureness: str
    known_by: str


@dataclass(frozen=True, slots=True)
class PlanRow:
    """What is planned for one device in a long outage; spans from mains failing."""

    device: str
    on_for: str
    rest_by: str
    why: str
    hold: str
    is_in_time: bool


@dataclass(frozen=True, slots=True)
class GradeRow:
    """How well a device's order is known to work."""

    device: str
    grade: str
    evidence: str
    is_shown: bool


@dataclass(frozen=True, slots=True)
class HandoverTold:
    """Everything that the handover report says."""

    site: str
    day: str
    zone: str
    file: str
    box: str
    wiring: tuple[FeedWired, ...]
    budget: tuple[BudgetRow, ...]
    overloads: tuple[str, ...]
    assumptions: tuple[str, ...]
    begins: str
    conclusion: str
    runtimes: tuple[RuntimeRow, ...]
    plan: tuple[PlanRow, ...]
    grades: tuple[GradeRow, ...]
    rehearsal: tuple[str, ...]
    drill: str
    by_hand: tuple[str, ...]
    untouched: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    contacts: tuple[Contact, ...]


def handover_told(
    loaded: LoadedSite,
    found: Outlook,
    *,
    made: datetime,
    known: SiteState | None,
    rehearsed: Result | None,
    faults: Sequence[Fault] = (),
) -> HandoverTold:
    """Return what the handover report of a site says.

    Args:
        loaded: the site's file.
        found: the outage that it is planned for.
        made: the present moment, aware.
        known: what its journal folds to, None where there is none.
        rehearsed: the last rehearsal, if any.
        faults: what `lastwatt check` warns of.
    """
    from agent.cli.plan_text import conclusion

    site, local = loaded.site, made.astimezone(loaded.time_zone)
    budget = budget_of(site)
    grades = _grades(loaded, known, made)
    return HandoverTold(
        site=site.name,
        day=day_text(local.date()),
        zone=loaded.time_zone.key,
        file=loaded.path.name,
        box=loaded.agent.box or "",
        wiring=tuple(wiring_of(loaded, local.date())),
        budget=tuple(_budget(budget)),
        overloads=tuple(f"{o.message}; {o.fix}" for o in budget.overloads),
        assumptions=budget.assumptions,
        begins=f"{found.begins:%H:%M}",
        conclusion=conclusion(found),
        runtimes=tuple(_runtimes(found)),
        plan=tuple(_plan_row(stop) for stop in found.plan.stops.values()),
        grades=tuple(grades),
        rehearsal=tuple(_rehearsal(rehearsed)),
        drill=_drill(known),
        by_hand=tuple(by_hand_only(site)),
        untouched=tuple(name for name, device in site.devices.items() if device.no_touch),
        warnings=tuple(dict.fromkeys(_warning(f) for f in faults if f.code not in _NOT_OF_SITE)),
        cautions=GENERAL,
        contacts=loaded.contacts,
    )


def handover_html(told: HandoverTold, found: Outlook) -> str:
    """Return the report as one HTML file, the planned outage's picture within."""
    from agent.pictures.plan_picture import plan_picture
    from agent.reports import render

    svg = plan_picture(found).encode("utf-8")
    picture = f"data:image/svg+xml;base64,{base64.b64encode(svg).decode('ascii')}"
    return render.html("handover.html", told=told, picture=picture)


def _warning(fault: Fault) -> str:
    """A warning with what it is about: "gate recorder, stop: …"."""
    about = ", ".join(part for part in fault.key.split(".")[1:] if part)
    return f"{about}: {fault.message}; {fault.fix}" if about else f"{fault.message}; {fault.fix}"


def _budget(budget: Budget) -> list[BudgetRow]:
    return [_budget_row(feed) for feed in budget.feeds]


def _budget_row(feed: FeedBudget) -> BudgetRow:
    unit = feed.unit
    most = max(feed.watts.day, feed.watts.night)
    most_va = max(feed.va.day, feed.va.night)
    used = rating = ""
    if unit is not None:
        rating = f"{unit.rating_w:g} W, {unit.rating_va:g} VA"
        used = percent(max(most / unit.rating_w, most_va / unit.rating_va))
    return BudgetRow(
        feed.name, _both(feed.watts.day, feed.va), _both(feed.watts.night, feed.va, is_night=True),
        rating, used,
    )  # fmt: skip


def _both(watts: float, va: Draw, *, is_night: bool = False) -> str:
    return f"{watts:g} W, {va.night if is_night else va.day:g} VA"


def _runtimes(found: Outlook) -> list[RuntimeRow]:
    rows = []
    for unit in found.units.values():
        course = unit.course
        battery = found.loaded.site.units[course.unit].battery
        known_by = "measured full runs" if unit.is_fitted else "its runtime table"
        if not unit.is_fitted and not battery.table:
            known_by = "its data sheet alone"
        rows.append(
            RuntimeRow(
                course.unit,
                f"{course.steps[0].load_w:.0f} W at first",
                duration_text(course.lower_s),
                duration_text(course.median_s),
                sureness_text(course.quantile),
                known_by,
            )
        )
    return rows


def _plan_row(stop: PlannedStop) -> PlanRow:
    why = stop.why.value + (f" to {stop.sake}" if stop.sake else "")
    hold = ""
    if stop.hold_until_at > 0.0:
        met = "met" if stop.is_held else "NOT met"
        hold = f"{duration_text(stop.hold_until_at)}, {met}"
    is_dark = stop.why in (Why.OTHER_POWER, Why.OFF)
    return PlanRow(
        stop.device,
        "" if is_dark else duration_text(stop.on_until_at),
        "" if stop.at_rest_at == float("inf") else duration_text(stop.at_rest_at),
        why,
        hold,
        stop.is_in_time,
    )


def _grades(loaded: LoadedSite, known: SiteState | None, made: datetime) -> list[GradeRow]:
    if known is None:
        return []
    today = made.astimezone(loaded.time_zone).date()
    return [
        GradeRow(name, one.sentence, one.evidence, one.grade is not Grade.PLANNED)
        for name, one in standings(loaded, known, today).items()
    ]


def _rehearsal(rehearsed: Result | None) -> list[str]:
    if rehearsed is None:
        return ["None was made yet: `lastwatt rehearse` does, and sends nothing."]
    from agent.rehearsal.result import Fate

    unsaved = [device.name for device in rehearsed.devices if device.fate is Fate.UNSAVED]
    began = rehearsed.begins
    said = [
        f"On {day_text(rehearsed.made_utc.astimezone(began.tzinfo).date())}: an outage from "
        f"{began:%H:%M} on, of {duration_text(rehearsed.mains_back_s)}, with {rehearsed.strength} "
        "batteries.",
        f"It did not save {names_text(unsaved, most=10)}."
        if unsaved
        else "Everything that holds recordings or data was saved.",
    ]
    return said + list(rehearsed.remarks)


def _drill(known: SiteState | None) -> str:
    drilled = sorted(
        (found.on, name)
        for name, device in ({} if known is None else known.devices).items()
        if (found := device.grades.get(Grade.DRILLED.value)) is not None
    )
    if not drilled:
        return "No device was drilled yet: `lastwatt drill` stops one for real and starts it again."
    on, name = drilled[-1]
    return f"{len(drilled)} drilled so far; the last on {day_text(on)}: {name}."
