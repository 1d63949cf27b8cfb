"""Bring one device to rest, or back, with proof.

An act that may have taken effect already is looked into before it goes out again, and one that
must never be repeated never does.
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, replace

from agent.conduct.steps import (
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
from policies.model import Task
from policies.reasons import duration_text
from policies.short import Part, may_skip
from policies.timeline import MARGIN_S

LOAD_LOOK_S = 1.0
"""How often it is looked what the load of a unit says."""


@dataclass(frozen=True, slots=True)
class Result:
    """How an order ended, and how that is known.

    Attributes:
        alarm: what people are to be told although it ended well; "" = nothing.
    """

    ending: Ending
    evidence: str
    alarm: str = ""


async def carry_out(steps: Steps) -> Result:
    """Carry the order of *steps* out; ends soon after its deadline at the latest."""
    try:
        result = await (_rest(steps) if steps.order.task is Task.REST else _start(steps))
    except NoLongerWantedError as error:
        return Result(Ending.WITHDRAWN, str(error))
    if steps.device.dry_run and result.ending in (Ending.AT_REST, Ending.RUNNING):
        # Whatever a driver says in a dry run, it is no proof for live devices.
        return replace(result, ending=Ending.ASSUMED)
    return result


async def _rest(steps: Steps) -> Result:
    """Quiesce, confirm, stop, verify gone."""
    can_stop = steps.can(Act.STOP)
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
    if quiesced is None or quiesced.verdict in SHOWN:
        return await _stop(steps, tell=tell)
    if steps.device.is_cut:
        return await _cut_unproven(steps, quiesced, tell=tell)
    result = await _stop(steps, tell=tell)
    return replace(result, evidence=f"{result.evidence}; quiescing it: {_said(quiesced)}")


async def _cut_unproven(steps: Steps, quiesced: Outcome, *, tell: bool) -> Result:
    """Cut what is not known to be quiesced, if that saves another; else it goes on running."""
    saved = steps.saved_by_cut()
    if not saved:
        why = "it keeps its power and goes on running, since it may still write"
        return Result(Ending.FAILED, f"{why}: {_said(quiesced)}")
    result = await _stop(steps, tell=tell)
    if result.ending is not Ending.AT_REST:
        return replace(result, evidence=f"{result.evidence}; quiescing it: {_said(quiesced)}")
    why = f"cut though it may still have written, to save another: {saved}"
    evidence = f"{result.evidence}; {why}; quiescing it: {_said(quiesced)}"
    return Result(result.ending, evidence, alarm=f"{why}; see that its disk is sound")


async def _remember(steps: Steps) -> Result | None:
    """Keep what is about to be changed; what cannot be put back is not changed.

    Returns:
        How the order ends where it could not be read, else None.
    """
    for stage in (Stage.QUIESCE, Stage.STOP):
        read = await steps.remember(stage)
        if read is not None and read.verdict not in SHOWN:
            why = "nothing was changed, since what it is set to could not be read"
            return Result(Ending.FAILED, f"{why}: {_said(read)}")
    return None


async def _quiesce(steps: Steps, *, can_stop: bool) -> Outcome | None:
    """Quiesce and wait until confirmed; None where a hurried order leaves it out."""
    device, repeat = steps.device, steps.repeat(Act.QUIESCE)
    can_look = steps.can(Act.CONFIRM_QUIESCED)
    hurry = steps.hurried if may_skip(device, Part.QUIESCE) else None
    kept_s = (device.stop_s or 0.0) + device.settle_s + MARGIN_S if can_stop else 0.0
    until_at = max(steps.now + (device.quiesce_s or 0.0), steps.order.deadline_at - kept_s)
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
    steps: Steps, outcome: Outcome, until_at: float, hurry: asyncio.Event | None
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
                return Result(Ending.FAILED, _said(outcome))
            is_sure = is_sure or outcome.verdict is Verdict.DONE
        gone = await _confirm_gone(steps, is_sure=is_sure)
        if gone.verdict in SHOWN:
            ending = Ending.AT_REST if gone.verdict is Verdict.DONE else Ending.ASSUMED
            return Result(ending, gone.evidence)
        if not await steps.pause(tries, steps.order.deadline_at):
            return Result(Ending.FAILED, _said(gone))
        tell = await _is_to_be_told(steps, has_looked=can_look)
        if not (tell or can_look):
            return Result(Ending.FAILED, _said(gone))
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
    until_at = min(steps.now + LOOK_S, steps.order.deadline_at)
    look = await steps.step(Act.CONFIRM_RUNNING, until_at)
    return look.verdict in HEARD


async def _confirm_gone(steps: Steps, *, is_sure: bool) -> Outcome:
    """Wait until the device is gone, and its path is not; bounded by one stop's time."""
    act = Act.CONFIRM_GONE
    takes_s = (steps.device.stop_s or 0.0) + steps.device.settle_s
    if not steps.can(act):
        return await _confirm_by_load(steps, takes_s, is_sure=is_sure)
    until_at = min(steps.order.deadline_at, steps.now + takes_s + MARGIN_S)
    async with steps.paths.over(steps.device):
        outcome = await steps.insist(act, until_at)
        assert outcome is not None, "nothing cuts a look short"
        if outcome.verdict is not Verdict.DONE:
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


async def _confirm_by_load(steps: Steps, takes_s: float, *, is_sure: bool) -> Outcome:
    """Wait until the load of the unit shows that the device is off, where nothing else can tell.

    Where that says nothing either, a device that took its stop is given its time.
    """
    act = Act.CONFIRM_GONE
    until_at = min(steps.order.deadline_at, steps.now + takes_s)
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


async def _start(steps: Steps) -> Result:
    """Start it, and put back what its quiescing changed."""
    if not _is_to_be_restored(steps):
        return await _started(steps)
    can_be_seen = steps.can(Act.CONFIRM_RUNNING) or steps.can(Act.START)
    result = Result(Ending.RUNNING, "it was left running")
    if can_be_seen or Act.STOP in steps.owed:
        result = await _started(steps)
    if result.ending not in (Ending.RUNNING, Ending.ASSUMED):
        return result
    restored = await _restored(steps)
    if restored.verdict in SHOWN:
        return replace(result, evidence=f"{result.evidence}; {restored.evidence}")
    said = f"{result.evidence}, but its recording was not put back: {_said(restored)}"
    return Result(Ending.FAILED, said)


async def _restored(steps: Steps) -> Outcome:
    """Undo its quiescing, unless somebody did already."""
    if steps.can(Act.CONFIRM_QUIESCED):
        look = await steps.step(Act.CONFIRM_QUIESCED, steps.now + LOOK_S)
        if look.verdict is Verdict.NOT_YET:
            return replace(look, verdict=Verdict.DONE, evidence="it is no longer quiesced")
    outcome = await steps.insist(Act.RESTORE)
    assert outcome is not None, "nothing cuts it short"
    return outcome


def _is_to_be_restored(steps: Steps) -> bool:
    return Act.QUIESCE in steps.owed and steps.can(Act.RESTORE)


async def _started(steps: Steps) -> Result:
    """Start where an order can, then wait until the device is seen to run."""
    can_look = steps.can(Act.CONFIRM_RUNNING)
    runs = await _runs_already(steps) if can_look else None
    if runs is not None:
        return runs
    outcome: Outcome | None = None
    if _may_be_started(steps, has_looked=can_look):
        outcome = await steps.insist(Act.START)
        assert outcome is not None, "nothing cuts a start short"
        if outcome.verdict in WITHOUT_EFFECT:
            return Result(Ending.FAILED, _said(outcome))
    if not can_look:
        return _result_of_unseen_start(outcome)
    running = await steps.insist(Act.CONFIRM_RUNNING)
    assert running is not None, "nothing cuts a look short"
    if running.verdict in SHOWN:
        if outcome is None and _is_idle(steps):
            return Result(Ending.FAILED, f"{running.evidence}; {_IDLE}")
        ending = Ending.RUNNING if running.verdict is Verdict.DONE else Ending.ASSUMED
        return Result(ending, running.evidence)
    return Result(Ending.FAILED, _said(running))


async def _runs_already(steps: Steps) -> Result | None:
    """What to say of a device that is on already, though its start is due; None where it is not.

    Asked where a start may have been sent before, or where the device was never seen to be off and
    a start is not harmless: its stop may have failed.
    """
    repeat = steps.repeat(Act.START)
    is_doubt = Act.START in steps.told or not (steps.was_off or repeat in (None, Repeat.SAFE))
    if not is_doubt or not steps.can(Act.STOP):
        return None  # what was only quiesced is on in any case
    look = await steps.step(Act.CONFIRM_RUNNING, steps.now + LOOK_S)
    if look.verdict is not Verdict.DONE:
        return None
    if not _is_idle(steps):
        return Result(Ending.RUNNING, look.evidence)
    return Result(Ending.FAILED, f"{look.evidence}; {_IDLE}") if repeat is Repeat.NEVER else None


def _is_idle(steps: Steps) -> bool:
    """Whether the device was quiesced and then not stopped, so that being on proves little."""
    if _is_to_be_restored(steps):
        return False
    return {Act.QUIESCE} <= steps.told and Act.STOP not in steps.told and not steps.was_off


_IDLE = "but it was quiesced and never stopped: see that it records again"


def _may_be_started(steps: Steps, *, has_looked: bool) -> bool:
    """Whether a start is to be sent: where an order can, and not blindly a second time."""
    match steps.repeat(Act.START):
        case None:
            return False
        case Repeat.SAFE:
            return True
        case Repeat.LOOK_FIRST:
            return Act.START not in steps.told or has_looked
        case Repeat.NEVER:
            return Act.START not in steps.told


def _said(outcome: Outcome) -> str:
    return f"{outcome.evidence}; {outcome.advice}" if outcome.advice else outcome.evidence


def _result_of_quiesce(outcome: Outcome | None) -> Result:
    """A device that is only quiesced is at rest when that is done: it may then lose power."""
    assert outcome is not None, "only a device with a stop skips its quiescing"
    match outcome.verdict:
        case Verdict.DONE:
            return Result(Ending.AT_REST, f"{outcome.evidence}; it may lose power now")
        case Verdict.ASSUMED:
            return Result(Ending.ASSUMED, outcome.evidence)
        case _:
            return Result(Ending.FAILED, _said(outcome))


def _result_of_unseen_start(outcome: Outcome | None) -> Result:
    if outcome is None:
        return Result(Ending.FAILED, "nothing starts it now, and nothing can tell whether it runs")
    said = f"{outcome.evidence}; nothing can confirm that it runs"
    match outcome.verdict:
        case Verdict.DONE:
            return Result(Ending.RUNNING, said)
        case Verdict.ASSUMED:
            return Result(Ending.ASSUMED, said)
        case _:
            return Result(Ending.FAILED, said)
