"""Bring one device to rest, or back, with proof.

An act that may have taken effect already is looked into before it goes out again, and one that
must never be repeated never does.
"""

from __future__ import annotations

import asyncio
from dataclasses import replace

from agent.conduct.coming_back import start
from agent.conduct.perform import Cue
from agent.conduct.result import Result, in_words
from agent.conduct.steps import (
    ASKED_FOR,
    HEARD,
    LOOK_S,
    MOST_TRIES,
    SHOWN,
    WITHOUT_EFFECT,
    NoLongerWantedError,
    Steps,
    is_set,
)
from drivers.base import Act, Outcome, Repeat, Stage, Verdict
from policies.events import Ending
from policies.load_evidence import Says
from policies.model import HOLDS_DATA, Task
from policies.reasons import duration_text
from policies.short import Part, may_skip
from policies.timeline import MARGIN_S

LOAD_LOOK_S = 1.0
"""How often it is looked what the load of a unit says."""


async def carry_out(steps: Steps) -> Result:
    """Carry the order of *steps* out; ends soon after its deadline at the latest."""
    try:
        result = await (_rest(steps) if steps.order.task is Task.REST else start(steps))
    except NoLongerWantedError as error:
        return Result(Ending.WITHDRAWN, str(error))
    if steps.device.dry_run and result.ending in (Ending.AT_REST, Ending.RUNNING):
        # Whatever a driver says in a dry run, it is no proof for live devices.
        return replace(result, ending=Ending.ASSUMED)
    return result


async def _rest(steps: Steps) -> Result:
    """Quiesce, confirm, stop, verify gone; where that fails, cut."""
    can_stop = steps.can(Act.STOP)
    if can_stop and any(act == Act.CUT for act, _ in steps.earlier):
        steps.is_past_stopping = True  # an earlier run of the agent was at that, and warned
        return await _cut(steps)
    tell = True
    if Act.STOP in steps.told or steps.was_off:
        tell = await _is_to_be_told(steps, has_looked=False)
    quiesced: Outcome | None = None
    stop_began = any(act == Act.STOP for act, _ in steps.earlier)
    unread = await _remember(steps)
    if unread is not None:
        return unread
    if steps.can(Act.QUIESCE) and (not can_stop or (tell and not stop_began)):
        quiesced = await _quiesce(steps, can_stop=can_stop)
        if not can_stop:
            return _result_of_quiesce(quiesced)
    if not can_stop:
        return Result(Ending.FAILED, "nothing in the site's file says how to bring it to rest")
    is_shown = quiesced is None or quiesced.verdict in SHOWN
    if quiesced is not None and not is_shown and steps.device.is_cut:
        return await _cut_unproven(steps, quiesced, tell=tell)
    result = await _stop(steps, tell=tell)
    if result.ending is Ending.FAILED and steps.can(Act.CUT):
        return await _cut_after(steps, quiesced, result)
    if quiesced is None or is_shown:
        return result
    return replace(result, evidence=f"{result.evidence}; quiescing it: {in_words(quiesced)}")


async def _cut_unproven(steps: Steps, quiesced: Outcome, *, tell: bool) -> Result:
    """Cut what is not known to be quiesced, if that saves another; else it goes on running."""
    saved = steps.saved_by_cut()
    if not saved:
        return Result(Ending.FAILED, f"{_KEEPS}: {in_words(quiesced)}")
    await _warn_of_cut(steps, saved)
    result = await _stop(steps, tell=tell)
    cut = f"; {_CUT_UNPROVEN}: {saved}" if result.ending is Ending.AT_REST else ""
    return replace(result, evidence=f"{result.evidence}{cut}; quiescing it: {in_words(quiesced)}")


_KEEPS = "it keeps its power and goes on running, since it may still write"
_CUT_UNPROVEN = "cut though it may still have written, to save another"


async def _warn_of_cut(steps: Steps, saved: str) -> None:
    """Tell people before: should the agent end amid the cut, nobody would know of the disk."""
    why = f"is now {_CUT_UNPROVEN}: {saved}"
    await steps.warn(f"{why}; see that its disk is sound")


async def _cut_after(steps: Steps, quiesced: Outcome | None, failed: Result) -> Result:
    """Take the power of what would not stop, at its feed, where the file has that as a second way.

    Only after quiescing was tried; what is not known to be quiesced goes on running, unless its
    cut saves another. With mains back, or where it serves nothing, it is left as it is.
    """
    steps.is_past_stopping = True
    if steps.unwanted():
        return replace(failed, evidence=f"{failed.evidence}; {_NOT_WITH_MAINS}")
    if not steps.cut_serves:
        not_cut = "not cut: that would save nothing but power"
        return replace(failed, evidence=f"{failed.evidence}; {not_cut}")
    after = f"its stop had failed: {failed.evidence}"
    if quiesced is None and steps.can(Act.QUIESCE):
        quiesced = await _quiesce(steps, can_stop=False, may_hurry=False)
    is_proven = steps.device.role not in HOLDS_DATA
    if not is_proven and (quiesced is None or quiesced.verdict not in SHOWN):
        said = (
            "nothing can quiesce it" if quiesced is None else f"quiescing it: {in_words(quiesced)}"
        )
        saved = steps.saved_by_cut()
        if not saved:
            return Result(Ending.FAILED, f"{failed.evidence}; {_KEEPS}; {said}")
        await _warn_of_cut(steps, saved)
        after = f"{_CUT_UNPROVEN}: {saved}; {said}; {after}"
    result = await _cut(steps)
    return replace(result, evidence=f"{result.evidence}; {after}")


async def _cut(steps: Steps) -> Result:
    """Cut its power at its feed, and see that it no longer answers then.

    Mains may have come back since that was wanted: while it was quiesced, or the agent away.
    """
    if Act.CUT not in steps.told and steps.unwanted():
        return Result(Ending.FAILED, _NOT_WITH_MAINS)
    read = await steps.remember(Stage.CUT)
    if read is not None and read.verdict not in SHOWN:
        return Result(Ending.FAILED, f"{_UNREAD}: {in_words(read)}")
    outcome = await steps.insist(Act.CUT)
    assert outcome is not None, "nothing cuts it short"
    if outcome.verdict not in SHOWN:
        return Result(Ending.FAILED, in_words(outcome))
    if steps.can(Act.CONFIRM_RUNNING):
        until_at = min(steps.now + LOOK_S, max(steps.now, steps.deadline_at))
        look = await steps.step(Act.CONFIRM_RUNNING, until_at)
        if look.verdict is Verdict.DONE:
            still = "yet it goes on running, so something else feeds it as well"
            return Result(Ending.FAILED, f"{outcome.evidence}, {still}: {look.evidence}")
    return Result(Ending.AT_REST, outcome.evidence)


_NOT_WITH_MAINS = "not cut, since mains is back"


async def _remember(steps: Steps) -> Result | None:
    """Keep what is about to be changed; what cannot be put back is not changed.

    Returns:
        How the order ends where it could not be read, else None.
    """
    for stage in (Stage.QUIESCE, Stage.STOP):
        read = await steps.remember(stage)
        if read is not None and read.verdict not in SHOWN:
            return Result(Ending.FAILED, f"{_UNREAD}: {in_words(read)}")
    return None


_UNREAD = "nothing was changed, since what it is set to could not be read"


async def _quiesce(steps: Steps, *, can_stop: bool, may_hurry: bool = True) -> Outcome | None:
    """Quiesce and wait until confirmed; None where a hurried order leaves it out."""
    device, repeat = steps.device, steps.repeat(Act.QUIESCE)
    can_look = steps.can(Act.CONFIRM_QUIESCED)
    hurry = steps.hurried if may_hurry and may_skip(device, Part.QUIESCE) else None
    kept_s = (device.stop_s or 0.0) + device.settle_s + MARGIN_S if can_stop else 0.0
    until_at = max(steps.now + (device.quiesce_s or 0.0), steps.deadline_at - kept_s)
    tell = Act.QUIESCE not in steps.told or (not can_look and repeat is Repeat.SAFE)
    if not tell and not can_look:
        return await _given_time(steps, _quiesced_before(steps), until_at, hurry)
    outcome: Outcome | None = None
    for tries in range(1, MOST_TRIES):
        if tell:
            outcome = await steps.insist(Act.QUIESCE, until_at, hurry=hurry)
            if outcome is None or outcome.verdict in WITHOUT_EFFECT:
                return outcome
            if not can_look and outcome.verdict is Verdict.DONE:
                return await _given_time(steps, outcome, until_at, hurry)
        if can_look and not is_set(hurry):
            look_at = min(until_at, steps.now + steps.patience_s(Act.CONFIRM_QUIESCED))
            outcome = await steps.insist(Act.CONFIRM_QUIESCED, look_at, hurry=hurry) or outcome
        if outcome is None or outcome.verdict in SHOWN or outcome.verdict is Verdict.REFUSED:
            return outcome
        if is_set(hurry) or not (can_look or repeat is Repeat.SAFE):
            return outcome
        if not await steps.pause(tries, until_at, hurry=hurry):
            return outcome
        tell = repeat is not Repeat.NEVER
    return outcome


async def _given_time(
    steps: Steps, outcome: Outcome, until_at: float, hurry: Cue | None
) -> Outcome:
    """Wait as long as quiescing takes, where nothing can tell that it is over."""
    takes_s = steps.device.quiesce_s or 0.0
    if may_skip(steps.device, Part.CONFIRM):
        takes_s = min(takes_s, until_at - steps.now)
    if outcome.verdict is not Verdict.DONE or takes_s <= 0.0:
        return outcome
    await steps.wait(takes_s, hurry=hurry)
    why = f"{outcome.evidence}; it was given {duration_text(takes_s)}, nothing can confirm it"
    return replace(outcome, evidence=why)


def _quiesced_before(steps: Steps) -> Outcome:
    """What to say of a quiescing that must not be repeated blindly, and cannot be looked at."""
    if steps.was_done(Act.QUIESCE):
        why = "it was quiesced before the agent was restarted"
        return Outcome(Act.QUIESCE, Verdict.DONE, why)
    why = "it may have been told already, must not be told twice, and nothing can confirm it"
    return Outcome(Act.QUIESCE, Verdict.UNCERTAIN, why)


async def _stop(steps: Steps, *, tell: bool) -> Result:
    """Stop and verify gone, again while the deadline and the act's nature allow."""
    can_look = steps.can(Act.CONFIRM_GONE)
    is_sure = steps.was_done(Act.STOP)
    for tries in range(1, MOST_TRIES):
        if tell:
            outcome = await steps.insist(Act.STOP)
            assert outcome is not None, "nothing cuts a stop short"
            if outcome.verdict is Verdict.ASSUMED:
                return Result(Ending.ASSUMED, outcome.evidence)
            if Act.STOP not in steps.told and not steps.was_off:
                return Result(Ending.FAILED, in_words(outcome))
            is_sure = is_sure or outcome.verdict is Verdict.DONE
        gone = await _confirm_gone(steps, is_sure=is_sure)
        if gone.verdict in SHOWN:
            ending = Ending.AT_REST if gone.verdict is Verdict.DONE else Ending.ASSUMED
            return Result(ending, gone.evidence)
        if not await steps.pause(tries, steps.deadline_at):
            return Result(Ending.FAILED, in_words(gone))
        tell = await _is_to_be_told(steps, has_looked=can_look)
        if not (tell or can_look):
            return Result(Ending.FAILED, in_words(gone))
    raise AssertionError("the deadline ends it")


async def _is_to_be_told(steps: Steps, *, has_looked: bool) -> bool:
    """Whether a stop is to be sent to a device that may be off, or on its way down, by now.

    Only where the device is heard, since one that is silent may just be that; what nobody can look
    at is told where that is harmless, or where it was seen to be there.
    """
    repeat, was_told = steps.repeat(Act.STOP), Act.STOP in steps.told
    if repeat is None or (repeat is Repeat.NEVER and was_told):
        return False
    if not steps.can(Act.CONFIRM_RUNNING):
        return has_looked or not was_told or repeat is Repeat.SAFE
    until_at = min(steps.now + LOOK_S, steps.deadline_at)
    look = await steps.step(Act.CONFIRM_RUNNING, until_at)
    return look.verdict in HEARD


async def _confirm_gone(steps: Steps, *, is_sure: bool) -> Outcome:
    """Wait until the device is gone, and its path is not; bounded by one stop's time."""
    act = Act.CONFIRM_GONE
    takes_s = (steps.device.stop_s or 0.0) + steps.device.settle_s
    if not steps.can(act):
        return await _confirm_by_load(steps, takes_s, is_sure=is_sure)
    until_at = min(steps.deadline_at, steps.now + takes_s + MARGIN_S)
    async with steps.paths.over(steps.device):
        outcome, is_by_load = await _silent_or_without_load(steps, until_at)
        if is_by_load or outcome.verdict is not Verdict.DONE:
            return outcome
        silent_since_at = steps.now - steps.device.settle_s
        gap = await steps.paths.gap_in(steps.device, since_at=silent_since_at)
    if gap is None:
        return outcome
    silent = f"it no longer answers, but neither did its path all the time ({gap})"
    load = steps.load_says()
    if load.says is Says.FELL:
        return replace(outcome, evidence=f"{silent}; {load.sentence}")
    return replace(outcome, verdict=Verdict.NOT_YET, evidence=f"{silent}: no proof of rest")


async def _silent_or_without_load(steps: Steps, until_at: float) -> tuple[Outcome, bool]:
    """Wait until its silence has lasted, or the load shows before that it is off; and which.

    No network lies between a load and its unit, so then the rest of the silence proves nothing
    more, and what waits for the device may go on. Whoever asked by hand wants to see it measured.
    """
    act, fell = Act.CONFIRM_GONE, Cue("since the load shows that it is off")
    if steps.device.dry_run or steps.order.reason.code in ASKED_FOR:
        outcome = await steps.insist(act, until_at)
        assert outcome is not None, "nothing cuts it short"
        return outcome, False
    watching = asyncio.create_task(_watch_load(steps, fell), name="load watch")
    try:
        seen = await steps.insist(act, until_at, hurry=fell)
    finally:
        watching.cancel()
    if seen is not None and (seen.verdict is Verdict.DONE or not fell.is_set()):
        return seen, False
    return Outcome(act, Verdict.DONE, steps.load_says().sentence), True


async def _watch_load(steps: Steps, fell: Cue) -> None:
    """Set *fell* once the load of the unit shows that the device is off, if it can."""
    while (load := steps.load_says()).is_metered:
        if load.says is Says.FELL:
            fell.set()
            return
        await steps.wait(LOAD_LOOK_S)


async def _confirm_by_load(steps: Steps, takes_s: float, *, is_sure: bool) -> Outcome:
    """Wait until the load of the unit shows that the device is off, where nothing else can tell.

    Where that says nothing either, a device that took its stop is given its time.
    """
    act = Act.CONFIRM_GONE
    until_at = min(steps.deadline_at, steps.now + takes_s)
    load = steps.load_says()
    waits = is_sure or load.is_metered
    while waits and load.says is not Says.FELL and steps.now < until_at:
        await steps.wait(min(LOAD_LOOK_S, until_at - steps.now))
        load = steps.load_says()
    match load.says:
        case Says.FELL:
            return Outcome(act, Verdict.DONE, load.sentence)
        case Says.STAYED:
            return Outcome(act, Verdict.NOT_YET, load.sentence)
        case Says.NOTHING if not is_sure:
            return Outcome(act, Verdict.NO_ANSWER, "nothing can tell whether it took effect")
        case Says.NOTHING:
            why = f"it took the stop, and was given {duration_text(takes_s)}; nothing can verify it"
            return Outcome(act, Verdict.DONE, why)


def _result_of_quiesce(outcome: Outcome | None) -> Result:
    """A device that is only quiesced is at rest when that is done: it may then lose power."""
    assert outcome is not None, "only a device with a stop skips its quiescing"
    match outcome.verdict:
        case Verdict.DONE:
            return Result(Ending.AT_REST, f"{outcome.evidence}; it may lose power now")
        case Verdict.ASSUMED:
            return Result(Ending.ASSUMED, outcome.evidence)
        case _:
            return Result(Ending.FAILED, in_words(outcome))
