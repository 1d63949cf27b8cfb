"""Bring one device back: its power, its start, and what its quiescing had changed.

Nothing is started blindly a second time that may have been told already.
"""

from __future__ import annotations

from dataclasses import replace

from agent.conduct.result import Result, in_words
from agent.conduct.steps import LOOK_S, SHOWN, WITHOUT_EFFECT, Steps
from drivers.base import Act, Outcome, Repeat, Verdict
from policies.events import Ending


async def start(steps: Steps) -> Result:
    """Give its power back where that was cut, start it, and put back what quiescing it changed."""
    if Act.CUT in steps.owed and steps.can(Act.UNCUT):
        given = await steps.insist(Act.UNCUT)
        assert given is not None, "nothing cuts it short"
        if given.verdict not in SHOWN:
            return Result(Ending.FAILED, in_words(given))
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
    said = f"{result.evidence}, but its recording was not put back: {in_words(restored)}"
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
            return Result(Ending.FAILED, in_words(outcome))
    if not can_look:
        return _result_of_unseen_start(outcome)
    running = await steps.insist(Act.CONFIRM_RUNNING)
    assert running is not None, "nothing cuts a look short"
    if running.verdict in SHOWN:
        if outcome is None and _is_idle(steps):
            return Result(Ending.FAILED, f"{running.evidence}; {_IDLE}")
        ending = Ending.RUNNING if running.verdict is Verdict.DONE else Ending.ASSUMED
        return Result(ending, running.evidence)
    return Result(Ending.FAILED, in_words(running))


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
    """Whether the device was quiesced and then not stopped, so that being on proves little.

    A stop of which nobody knows that it was sent, and that was not seen to work, undoes nothing.
    """
    if _is_to_be_restored(steps):
        return False
    is_stopped = Act.STOP in steps.told and not steps.is_stop_in_doubt
    is_halted = is_stopped or Act.CUT in steps.told or steps.was_off
    return Act.QUIESCE in steps.told and not is_halted


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
