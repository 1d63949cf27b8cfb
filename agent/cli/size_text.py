"""How the answer of `lastwatt size` is shown: to people as text, to machines as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from agent.cli.tables import table_lines
from policies.reasons import duration_text
from policies.sizing import END_OF_LIFE

if TYPE_CHECKING:
    from agent.battery.size import Answer, Case, Choice
    from agent.cli.size import Asked

CAUTIONS = (
    "A battery other than the unit's own must be one that its maker allows: its volts, what its "
    "charger fills in time, fuses and cables for its current. Mains and batteries can kill and "
    "burn: have it fitted by somebody trained for it.",
    "Fire alarms, emergency lights, door releases and the like have supplies of their own: do not "
    "reckon them in here.",
)

_TRUE_RUNS = 2


# For people


def text_of(asked: Asked, found: Answer) -> Iterator[str]:
    """Give the lines that a person reads."""
    question = found.question
    hours = _hours(question.target_s)
    yield f"{asked.title}: {hours} on {battery_text(found)}, {_percent(question.sureness)} sure"
    for change in asked.changes:
        yield f"  what if: {change}"
    yield f"Load: {asked.load}"
    yield _to_buy(asked, found)
    if found.before_watt_hours is not None:
        yield (
            f"  As it is it takes {_up(found.before_watt_hours)} Wh; with the changes "
            f"{_up(found.watt_hours)} Wh."
        )
    yield ""
    yield from _choice_lines(found)
    yield ""
    yield _check_line(found)
    yield from _doubt_lines(asked, found)
    yield from _agent_line(asked, found)
    for text in asked.assumptions:
        yield f"Assumed: {text}"
    for caution in CAUTIONS:
        yield f"CAUTION  {caution}"


def battery_text(found: Answer) -> str:
    """Return how the battery is taken to be, in words."""
    setting = found.question.setting
    life = "at the end of its life" if setting.health == END_OF_LIFE else "as old as told"
    return (
        f"a battery {life} ({_percent(setting.health)} of new) and at {setting.temperature_c:g} °C"
    )


def _to_buy(asked: Asked, found: Answer) -> str:
    case = found.question.case
    needed = (
        f"Needed: a unit of at least {_up(case.worst_w)} W and {_up(case.worst_va)} VA, for "
        f"everything starting at once, with a battery of {_up(found.watt_hours)} Wh (V x Ah)"
    )
    rating_w = found.question.rating_w
    if rating_w is None or asked.rating_va is None:
        return f"{needed}."
    is_enough = case.worst_w <= rating_w and case.worst_va <= asked.rating_va
    verdict = "is enough" if is_enough else "is too small: feed less from it, or fit a larger one"
    return f"{needed}. The unit there, {rating_w:g} W and {asked.rating_va:g} VA, {verdict}."


def _choice_lines(found: Answer) -> Iterator[str]:
    question = found.question
    sure = f"{_percent(question.sureness)} sure"
    if not found.choices:
        yield _nothing_is_enough(found)
        return
    rows = [["Battery", "Wh", sure, "likely", f"chance of {_hours(question.target_s)}", ""]]
    for choice in found.choices:
        rows.append(
            [
                choice.pack.name + (" (present)" if choice.pack.is_present else ""),
                f"{choice.pack.nominal_wh:.0f}",
                duration_text(choice.outlook.sure_s),
                duration_text(choice.outlook.likely_s),
                _chance(choice.outlook.chance),
                _verdict(found, choice),
            ]
        )
    yield from table_lines(rows)
    if found.smallest is None:
        yield _nothing_is_enough(found)


def _verdict(found: Answer, choice: Choice) -> str:
    if choice is found.smallest:
        return "the smallest that is enough"
    return "enough" if choice.is_enough else "too small"


def _nothing_is_enough(found: Answer) -> str:
    return (
        f"None of these is enough: it takes {_up(found.watt_hours)} Wh. Feed less (--drop), ask "
        "for fewer hours, name larger batteries (--battery 48x100x4), or plan for a generator."
    )


def _check_line(found: Answer) -> str:
    check = found.check
    product = (
        f"IEEE 485 as a check: {check.duty_wh:.0f} Wh from the battery x "
        f"{check.rate_factor:.2f} for the rate x {check.temperature_factor:.2f} for the "
        f"temperature x {check.design_margin:.2f} margin x {check.ageing_factor:.2f} ageing / "
        f"{check.per_nominal:.2f} = {check.watt_hours:.0f} Wh"
    )
    if check.watt_hours > found.watt_hours:
        return f"{product}: more than the {_up(found.watt_hours)} Wh above; take the larger."
    return f"{product}."


def _doubt_lines(asked: Asked, found: Answer) -> Iterator[str]:
    between = f"with even odds {_up(found.even_odds_wh)} Wh would do"
    if asked.measured is None:
        yield (
            f"Nothing was measured, and most of this is doubt: {between}. One measured full run "
            "(lastwatt fit) of this unit, or of one like it (--fit), narrows it most."
        )
    else:
        yield f"By what was measured ({asked.measured}); {between}."


def _agent_line(asked: Asked, found: Answer) -> Iterator[str]:
    if asked.reserve is None or found.smallest is None:
        return
    bound_s, sure = found.smallest.outlook.cautious_s, "99 %"
    if asked.full_runs >= _TRUE_RUNS:
        bound_s, sure = found.smallest.outlook.sure_s, "95 %"
    yield (
        f"With {found.smallest.pack.name} the agent itself, {sure} sure and with "
        f"{_percent(asked.reserve)} in reserve, begins to stop what holds data after about "
        f"{duration_text(bound_s * (1.0 - asked.reserve))}, less what the stops take."
    )


def _hours(seconds: float) -> str:
    return duration_text(seconds)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _chance(share: float) -> str:
    if 0.995 < share < 1.0:
        return "> 99 %"
    return "< 1 %" if share < 0.005 else _percent(share)


def _up(figure: float) -> str:
    """Return a size to buy: rounded up, and never down."""
    return f"{math.ceil(figure - 1e-6):d}"


# For machines


def as_document(asked: Asked, found: Answer) -> dict[str, Any]:
    """Return what JSON shows."""
    question = found.question
    check = found.check
    rating_w = question.rating_w
    case = question.case
    unit_is_enough = None
    if rating_w is not None and asked.rating_va is not None:
        unit_is_enough = case.worst_w <= rating_w and case.worst_va <= asked.rating_va
    return {
        "title": asked.title,
        "hours": question.target_s / 3600.0,
        "sureness": question.sureness,
        "health": round(question.setting.health, 4),
        "temperature_c": question.setting.temperature_c,
        "changes": list(asked.changes),
        "watts": round(case.worst_w, 1),
        "va": round(case.worst_va, 1),
        "watt_hours": round(found.watt_hours, 1),
        "watt_hours_as_it_is": _rounded(found.before_watt_hours),
        "watt_hours_even_odds": round(found.even_odds_wh, 1),
        "unit_is_enough": unit_is_enough,
        "load": [
            {"after_s": step.after_s, "watts": round(step.load_w, 3)}
            for step in case.steps
            if step.after_s < question.target_s
        ],
        "variants": [
            {"name": name, "watts": round(load_w, 3), "hours": question.target_s / 3600.0}
            for name, load_w in marks_of(found)
        ],
        "measured": asked.measured,
        "options": [_choice_fields(found, choice) for choice in found.choices],
        "smallest": None if found.smallest is None else found.smallest.pack.name,
        "curve": [
            {
                "name": pack.name,
                "points": [
                    {
                        "watts": round(point.load_w, 2),
                        "sure_h": round(point.sure_s / 3600.0, 4),
                        "likely_h": round(point.likely_s / 3600.0, 4),
                    }
                    for point in points
                ],
            }
            for pack, points in found.curves
        ],
        "check_ieee485": {
            "duty_wh": round(check.duty_wh, 1),
            "rate_factor": round(check.rate_factor, 4),
            "temperature_factor": round(check.temperature_factor, 4),
            "design_margin": check.design_margin,
            "ageing_factor": round(check.ageing_factor, 4),
            "per_nominal": round(check.per_nominal, 4),
            "watt_hours": round(check.watt_hours, 1),
        },
        "assumptions": list(asked.assumptions),
        "cautions": list(CAUTIONS),
    }


def marks_of(found: Answer) -> list[tuple[str, float]]:
    """Return what is marked on the curves: name and watts of the load as it is and as asked."""
    cases: list[Case | None] = [found.question.before, found.question.case]
    marks = [mark for case in cases if case is not None for mark in case.marks]
    return list(dict.fromkeys(marks))


def _choice_fields(found: Answer, choice: Choice) -> dict[str, Any]:
    pack, outlook = choice.pack, choice.outlook
    return {
        "name": pack.name,
        "watt_hours": round(pack.nominal_wh, 1),
        "volts": pack.volts,
        "amp_hours": pack.amp_hours,
        "strings": pack.strings,
        "is_present": pack.is_present,
        "is_enough": choice.is_enough,
        "is_smallest": choice is found.smallest,
        "sure_h": round(outlook.sure_s / 3600.0, 4),
        "likely_h": round(outlook.likely_s / 3600.0, 4),
        "chance": round(outlook.chance, 4),
    }


def _rounded(figure: float | None) -> float | None:
    return None if figure is None else round(figure, 1)
