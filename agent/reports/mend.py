"""What is to be mended after an outage, worst first; each a sentence that says what to do."""

from __future__ import annotations

from collections.abc import Iterator

from agent.reports.fates import Fate, FateTold
from agent.reports.pen import Pen
from agent.story.model import DeviceStory, Outage, UnitStory
from policies.model import HOLDS_DATA
from policies.reasons import duration_text, names_text
from policies.state import Phase

_TROUBLE = frozenset({"refused", "no answer", "failed"})


def to_mend(outage: Outage, fates: list[FateTold], pen: Pen) -> list[str]:
    """Return what is to be mended, without repeating anything."""
    found = [
        *_lost(fates),
        *_hands(outage),
        *_owed(outage),
        *_bounds(outage, pen),
        *_batteries(outage),
        *_unmet(outage, fates),
        *_talks(outage),
        *_watching(outage, pen),
        *_said(outage),
    ]
    return list(dict.fromkeys(found))


def _lost(fates: list[FateTold]) -> Iterator[str]:
    for told in fates:
        if told.fate is Fate.LOST:
            yield (
                f"{told.name} lost its power while running. Look through its recordings and its "
                "disk, then see by `lastwatt plan` why its stop did not come in time."
            )
        elif told.fate is Fate.FAILED:
            yield (
                f"{told.name} could not be brought to rest: {told.evidence}. Try its stop by "
                "`lastwatt drill` in a maintenance window."
            )


def _hands(outage: Outage) -> Iterator[str]:
    waiting = [d.name for d in outage.devices.values() if d.phase is Phase.NEEDS_HAND]
    if waiting:
        is_one = len(waiting) == 1
        yield (
            f"{names_text(waiting)} {'has' if is_one else 'have'} to be started by hand: "
            f"lastwatt tried, and did not see {'it' if is_one else 'them'} run."
        )
    unseen = [
        d.name
        for d in outage.devices.values()
        if outage.is_over and d.facts.role in HOLDS_DATA and d.dark_at is not None
        and d.phase is Phase.RUNNING and d.spans[-1].began_at <= d.dark_at
    ]  # fmt: skip
    if unseen:
        yield f"Nobody has seen {names_text(unseen)} run since the power ended: look."


def _owed(outage: Outage) -> Iterator[str]:
    if not outage.is_over:
        return
    for device in outage.devices.values():
        if device.owed and device.phase is not Phase.NEEDS_HAND:
            what = " and ".join(device.owed)
            if device.phase is Phase.RUNNING:
                yield (
                    f"{device.name} came back by itself after it was {what}: see that it records, "
                    "then say so by `lastwatt start`."
                )
            else:
                yield (
                    f"{device.name} is still {what}; owed.txt says what undoes it, and "
                    "`lastwatt restore` does it."
                )


def _bounds(outage: Outage, pen: Pen) -> Iterator[str]:
    for unit in outage.units.values():
        if unit.ended_at is None or not unit.beliefs:
            continue
        first = unit.beliefs[0]
        bound_at = first.at + first.lower_s
        if unit.ended_at < bound_at - 60.0 and not _grew(first.load_w, unit):
            yield (
                f"The battery of {unit.name} ended {duration_text(bound_at - unit.ended_at)} "
                f"before its lower bound ({pen.clock(bound_at)}). Do not trust it: measure a full "
                "run on a dummy load (`lastwatt fit`), or have it replaced by somebody trained "
                "for it."
            )


def _grew(first_w: float, unit: UnitStory) -> bool:
    """Whether it carried more than was reckoned with, so that the bound was not for that."""
    loads = [point.load_w for point in unit.on_battery if point.load_w is not None]
    return bool(loads) and sum(loads) / len(loads) > 1.05 * first_w


def _batteries(outage: Outage) -> Iterator[str]:
    for unit in outage.units.values():
        if unit.judged:
            why = unit.judged[-1].why
            yield f"The battery of {unit.name} ages: {why}."


def _unmet(outage: Outage, fates: list[FateTold]) -> Iterator[str]:
    told = {fate.name: fate for fate in fates}
    for device in outage.devices.values():
        short_s = _short_s(outage, device)
        if short_s >= 60.0 and told[device.name].fate is not Fate.LOST:
            yield (
                f"{device.name} was to stay on {duration_text(short_s)} longer than it did. "
                "`lastwatt plan` shows what would buy that, `lastwatt size` which battery."
            )


def _short_s(outage: Outage, device: DeviceStory) -> float:
    """By how much it fell short of its hold time while mains was away."""
    foretold = device.foretold
    if foretold is None or foretold.hold_until_at <= outage.began_at + 1.0:
        return 0.0
    stops = [gap.began_at for gap in device.gaps if gap.began_at is not None]
    stops += [device.dark_at] if device.dark_at is not None else []
    if not stops:
        return 0.0
    ends_at = outage.until_at if outage.returned_at is None else outage.returned_at
    return min(foretold.hold_until_at, ends_at) - min(stops)


def _talks(outage: Outage) -> Iterator[str]:
    """Conversations that went wrong, each kind once a device."""
    for device in outage.devices.values():
        seen = set()
        for order in device.orders:
            for step in order.steps:
                # What is looked for while it starts or ends is not there yet; that is no trouble.
                is_look = step.act.startswith("confirm")
                if step.verdict in _TROUBLE and step.act not in seen and not is_look:
                    seen.add(step.act)
                    tries = sum(
                        1 for o in device.orders for s in o.steps
                        if s.act == step.act and s.verdict in _TROUBLE
                    )  # fmt: skip
                    times = "" if tries == 1 else f" ({tries} times)"
                    advice = f" {step.advice[:1].upper()}{step.advice[1:]}." if step.advice else ""
                    act = step.act.replace("_", " ")
                    yield f"{device.name}, {act}: {step.verdict}{times}. {step.evidence}.{advice}"


def _watching(outage: Outage, pen: Pen) -> Iterator[str]:
    ends = [unit.ended_at for unit in outage.units.values() if unit.interruptions]
    dark_at = None if None in ends else max((at for at in ends if at is not None), default=None)
    for begin, end in outage.absences:
        if dark_at is not None and begin >= dark_at - 60.0:
            continue  # nothing was left to be looked after
        yield (
            f"lastwatt itself was away from {pen.clock(begin)} to {pen.clock(end)}, "
            f"{duration_text(end - begin)}. Give its box a feed that outlives what it looks after."
        )
    if pen.story.moment(outage.began_at).is_synced is False:
        yield (
            "The clock of the agent's box was not synchronised: times of day in this report may "
            "be off, durations are not. Give the box a time source that outlives an outage."
        )


_KNOWN = ("mains has failed", "could not be", "is not heard from", "needs a hand")


def _said(outage: Outage) -> Iterator[str]:
    """Errors that were told at the time and that nothing above speaks of."""
    devices = set(outage.devices)
    for notice in outage.heard:
        is_known = notice.about in devices or any(known in notice.text for known in _KNOWN)
        if notice.severity == "error" and not is_known:
            yield f"{notice.about}: {notice.text.rstrip('.')}."
