"""Numbers turned into the sentence that a site's owner reads; the same one everywhere."""

from __future__ import annotations

import math
from collections.abc import Sequence

from policies.model import Reason, Task

BY_HAND = "by_hand"
"""Code of an order that somebody gave; what was stopped by it stays so until a start by it."""


DRILL = "drill"
"""Code of both orders of a drill: what was stopped by it comes back as after an outage."""

MAINS_BACK = "mains_back"
"""Code of a return after an outage."""


def duration_text(seconds: float) -> str:
    """Return a duration as people say it: "45 s", "9 min 40 s", "2 h 5 min", "without end"."""
    if math.isinf(seconds):
        return "without end"
    whole = max(0, round(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        minutes, rest = divmod(whole, 60)
        return f"{minutes} min {rest} s" if rest and minutes < 20 else f"{minutes} min"
    hours, minutes = divmod(round(whole / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def names_text(names: Sequence[str], *, most: int = 5) -> str:
    """Return names as a sentence has them, at *most* so many: "desk, loft PC and 7 more"."""
    named = list(names[:most])
    if len(names) > most:
        named.append(f"{len(names) - most} more")
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} and {named[-1]}"


def sureness_text(quantile: float) -> str:
    """Return how sure a lower bound is: 0.05 is "95 % sure"."""
    return f"{100.0 * (1.0 - quantile):.0f} % sure"


def latest_safe_start(
    *, lower_s: float, median_s: float, quantile: float, takes_s: float, reserve_s: float
) -> Reason:
    """The last moment has come at which this stop is safe."""
    kept = f", and {duration_text(reserve_s)} are kept in reserve" if reserve_s >= 1.0 else ""
    return Reason(
        "latest_safe_start",
        f"stopping now. The battery lasts at least {duration_text(lower_s)} "
        f"({sureness_text(quantile)}; {duration_text(median_s)} likely); this stop and what "
        f"follows it take {duration_text(takes_s)}{kept}.",
        {"lower_s": lower_s, "median_s": median_s, "takes_s": takes_s, "reserve_s": reserve_s},
    )


def too_late(*, lower_s: float, takes_s: float) -> Reason:
    """Less is left than the stop takes; it is tried all the same."""
    return Reason(
        "too_late",
        f"stopping at once, in short. The battery may last only {duration_text(lower_s)}, and "
        f"this stop and what follows it take {duration_text(takes_s)}: it may not end in time.",
        {"lower_s": lower_s, "takes_s": takes_s},
    )


def battery_low(unit: str) -> Reason:
    """The unit itself says that its battery is low, twice."""
    return Reason(
        "battery_low",
        f"stopping at once, in short. {unit} says on two readings that its battery is low.",
    )


def countdown(unit: str) -> Reason:
    """Somebody else has set the unit to switch its output off."""
    return Reason(
        "countdown",
        f"stopping at once, in short. {unit} counts down to switching its output off, and lastwatt "
        "did not ask for that (upsAlarmShutdownPending).",
    )


def unit_lost(unit: str, silent_s: float) -> Reason:
    """The unit does not answer, and the file says to stop then."""
    return Reason(
        "unit_lost",
        f"stopping now. {unit} has not answered for {duration_text(silent_s)}, and the site's "
        "file says to stop then.",
        {"silent_s": silent_s},
    )


def runtime_below(*, lower_s: float, threshold_s: float, quantile: float) -> Reason:
    """The owner's threshold of runtime is passed."""
    return Reason(
        "runtime_below",
        f"stopping now, as its owner wishes: the battery lasts at least {duration_text(lower_s)} "
        f"({sureness_text(quantile)}), which is less than {duration_text(threshold_s)}.",
        {"lower_s": lower_s, "threshold_s": threshold_s},
    )


def charge_below(*, charge: float, threshold: float) -> Reason:
    """The owner's threshold of charge is passed."""
    return Reason(
        "charge_below",
        f"stopping now, as its owner wishes: the battery is at {100 * charge:.0f} %, below "
        f"{100 * threshold:.0f} %.",
        {"charge": charge, "threshold": threshold},
    )


def on_battery_for(*, lasting_s: float, threshold_s: float) -> Reason:
    """The owner's limit of time on battery is reached."""
    return Reason(
        "on_battery_for",
        f"stopping now, as its owner wishes: on battery for {duration_text(lasting_s)}, the limit "
        f"being {duration_text(threshold_s)}.",
        {"lasting_s": lasting_s, "threshold_s": threshold_s},
    )


def spares(other: str, why: Reason) -> Reason:
    """What it writes to would not come to rest, and is left with nothing to write at least."""
    return Reason(
        "spares_other",
        f"cutting it, so that {other}, which would not come to rest, has nothing to write when its "
        f"power goes: {why.sentence}",
        why.figures,
    )


def gives_way(*, to: str, lower_s: float, wanted_s: float, needed_s: float) -> Reason:
    """Its power keeps something worth more running for as long as its owner wishes."""
    return Reason(
        "gives_way",
        f"giving it up so that {to} can stay on: as things are the battery lasts at least "
        f"{duration_text(lower_s)}, and {duration_text(needed_s)} are needed "
        f"({duration_text(wanted_s)} as wished, an orderly stop, and the reserve).",
        {"lower_s": lower_s, "wanted_s": wanted_s, "needed_s": needed_s},
    )


def planned_way(
    *, to: str, watts: float, lower_s: float, quantile: float, until_s: float, age_s: float
) -> Reason:
    """By the plan its power is worth more elsewhere.

    Args:
        to: what gains most by it; "" where that is no single device.
        watts: what it draws.
        lower_s: how long the battery then lasts at least, by the plan, in s.
        quantile: how sure that is.
        until_s: for how long *to* can then stay on, in s.
        age_s: how old the plan is, in s.
    """
    lasts = f"at least {duration_text(lower_s)} ({sureness_text(quantile)})"
    gain = f"the battery then lasts {lasts}"
    if to and math.isfinite(until_s):
        gain = f"{to} can then stay on for {duration_text(until_s)}, the battery lasting {lasts}"
    made = f"made {duration_text(age_s)} ago" if age_s >= 1.0 else "made just now"
    return Reason(
        "gives_way",
        f"giving it up, by the plan {made}: its {watts:.0f} W are worth more to what stays on; "
        f"{gain}.",
        {"lower_s": lower_s, "until_s": until_s, "watts": watts, "age_s": age_s},
    )


def overload(unit: str, lasting_s: float) -> Reason:
    """The unit is overloaded, on mains or not; an exception to leaving a steady site alone."""
    return Reason(
        "overload",
        f"giving it up: {unit} has been overloaded for {duration_text(lasting_s)} "
        "(upsAlarmOutputOverload), and may switch everything off.",
        {"lasting_s": lasting_s},
    )


def goes_with(other: str, why: Reason) -> Reason:
    """Something that it is fed by, reached through or needs is about to stop."""
    return Reason(
        "goes_with", f"stopping now, before {other}, which stops: {why.sentence}", why.figures
    )


def mains_back(steady_s: float) -> Reason:
    """Mains is back and steady; the device is owed its return."""
    return Reason(
        MAINS_BACK,
        f"starting again: mains has been steady for {duration_text(steady_s)}.",
        {"steady_s": steady_s},
    )


def floor(why: str) -> Reason:
    """The planning code itself failed."""
    return Reason(
        "floor",
        f"stopping now, by the plain order of the site's file: the planning code failed ({why}).",
    )


def by_hand(task: Task, who: str) -> Reason:
    """Somebody asked for it."""
    if task is Task.START:
        return Reason(BY_HAND, f"starting, as {who} asked by hand.")
    sentence = f"stopping now, as {who} asked by hand; it stays so until it is started by hand."
    return Reason(BY_HAND, sentence)


def drill(task: Task, who: str) -> Reason:
    """Somebody wants to see whether it works."""
    if task is Task.START:
        return Reason(DRILL, f"starting again: a drill, as {who} asked.")
    return Reason(DRILL, f"stopping now: a drill, as {who} asked; it is started again after that.")


def output_armed(unit: str, halted: int, drops_s: float, returns_s: float) -> Reason:
    """All that a unit feeds is at rest: its output may drop, so that they start with their power.

    The delay before it returns buys time, not charge: RFC 1628 knows no least charge.
    """
    what = "the device" if halted == 1 else f"all {halted} devices"
    return Reason(
        "output_armed",
        f"{unit} is to switch its output off in {duration_text(drops_s)}: {what} that lastwatt "
        "stopped there can start when power comes back. It returns with mains, "
        f"{duration_text(returns_s)} from now at the earliest, whatever the battery holds by then.",
        {"drops_s": drops_s, "returns_s": returns_s},
    )


def output_cycled(unit: str, names: str) -> Reason:
    """Mains came back before the output dropped, and something starts only when power comes."""
    return Reason(
        "output_cycled",
        f"mains is back, and {names} can only start when power comes: {unit} switches its output "
        "off and on again on purpose.",
    )


def output_withdrawn(why: str) -> Reason:
    """An output that is armed must not drop after all."""
    return Reason("output_withdrawn", why)


def output_stuck(unit: str) -> Reason:
    """A countdown that lastwatt began cannot be withdrawn, and something runs."""
    return Reason(
        "countdown",
        f"stopping at once, in short. {unit} counts down to switching its output off, and does not "
        "let that be withdrawn.",
    )


def box_leaves(units: str, takes_s: float) -> Reason:
    """The agent's own box goes last."""
    return Reason(
        "box_leaves",
        f"powering itself off, which takes {duration_text(takes_s)}: right after that {units} "
        "drops its output, and it starts again when power comes back.",
        {"takes_s": takes_s},
    )
