"""Orders by hand: what the commands pause, stop and start ask the running agent for.

They take the way of every order: folded, journalled, carried out, with their reason. What decides
whether one may be given is `policies.by_hand`; what `stop` has begun goes on whether or not the
command waits for it.
"""

from __future__ import annotations

import asyncio
import math
import pwd
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from typing import Any

import structlog

from agent.by_hand.pause import Pause
from agent.conduct.perform import first
from agent.conduct.result import Result
from agent.conduct.steps import HEARD
from agent.control import Ask
from agent.engine import Engine
from drivers.base import Clock, Verdict
from drivers.errors import LastwattError
from drivers.transports.threads import in_own_thread
from policies.by_hand import (
    PAUSE_MOST_S,
    PAUSE_S,
    Plan,
    rest_deadline_at,
    start_deadline_at,
    start_plan,
    stop_plan,
    stopped_again,
)
from policies.events import Ending, Event, OrderClosed, OrderGiven
from policies.graph import graph_of
from policies.model import Order, Reason, Starts, Task
from policies.reasons import by_hand, duration_text, names_text
from policies.state import OpenOrder, Phase

log = structlog.get_logger()

JOBS_KEPT = 50
"""So many of the latest orders by hand can be asked about."""

WHO_MOST = 64
READY_WITHIN_S = 10.0
"""Longest wait for the agent to have taken up what an earlier run left; it takes a second."""

_LOOK_S = 5.0
_NAME_WITHIN_S = 1.0
_WENT_WELL = frozenset({Ending.AT_REST, Ending.RUNNING, Ending.ASSUMED})


@dataclass(slots=True)
class _Job:
    """One order by hand, and whom it takes along.

    Attributes:
        results: by device, once its own order has ended, or will not be given.
    """

    name: str
    task: Task
    devices: tuple[str, ...]
    results: dict[str, Result] = field(default_factory=dict)
    runs: dict[str, asyncio.Task[Result]] = field(default_factory=dict)

    @property
    def is_done(self) -> bool:
        return len(self.results) == len(self.devices)


class SignedIn(str):
    """The name of somebody who signed in at the page; no request can bring along one of these."""

    __slots__ = ()


class Hands:
    """Answers the asks of people who give orders by hand.

    Attributes:
        pause: the pause, which they set.
    """

    def __init__(self, engine: Engine, *, clock: Clock, zone: tzinfo) -> None:
        """Prepare; gives no order of its own.

        Args:
            engine: whose way every order takes.
            clock: what deadlines are counted by.
            zone: the site's, for what people are told.
        """
        self.pause = Pause(engine, clock=clock, zone=zone)
        self._engine = engine
        self._clock = clock
        self._jobs: deque[_Job] = deque(maxlen=JOBS_KEPT)
        self._given = 0

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by them."""
        return {
            "pause": self._answer_pause,
            "stop": self._answer_stop,
            "start": self._answer_start,
            "job": self._answer_job,
        }

    async def close(self) -> None:
        """Wait for no order any more; those under way are the conductor's."""
        runs = [run for job in self._jobs for run in job.runs.values()]
        for run in runs:
            run.cancel()
        await asyncio.gather(*runs, return_exceptions=True)

    # Answers

    async def _answer_pause(self, request: dict[str, Any]) -> dict[str, Any]:
        for_s = request.get("for_s", PAUSE_S)
        if not _is_number(for_s) or not 0.0 < for_s <= PAUSE_MOST_S:
            return _no(f"a pause lasts {duration_text(PAUSE_MOST_S)} at most, and longer than 0 s")
        who = await self.who(request)
        if request.get("end") is True:
            return await self.pause.end(who=who)
        return await self.pause.begin(for_s=float(for_s), who=who)

    async def _answer_stop(self, request: dict[str, Any]) -> dict[str, Any]:
        name, with_users = request.get("device"), request.get("with_users") is True
        if not isinstance(name, str) or name not in self._engine.site.devices:
            return self.unknown(name)
        who = await self.who(request)
        await self.until_ready()
        plan = stop_plan(self._engine.site, self._engine.state, name, with_users=with_users)
        if plan.refusal:
            return _no(plan.refusal)
        if request.get("preview") is True:
            return self._preview(plan, self._ways_back(plan))
        return await self._begin(Task.REST, name, plan, who)

    async def _answer_start(self, request: dict[str, Any]) -> dict[str, Any]:
        name, with_users = request.get("device"), request.get("with_users") is True
        if not isinstance(name, str) or name not in self._engine.site.devices:
            return self.unknown(name)
        who = await self.who(request)
        await self.until_ready()
        plan = start_plan(self._engine.site, self._engine.state, name, with_users=with_users)
        refusal = plan.refusal or self.stopped_again(name)
        if refusal:
            return _no(refusal)
        if request.get("preview") is True:
            return self._preview(plan, self._hands_needed(plan))
        if (answer := await self._as_it_runs(name)) is not None:
            return answer
        plan = start_plan(self._engine.site, self._engine.state, name, with_users=with_users)
        return _no(plan.refusal) if plan.refusal else await self._begin(Task.START, name, plan, who)

    async def _answer_job(self, request: dict[str, Any]) -> dict[str, Any]:
        job = next((job for job in self._jobs if job.name == request.get("job")), None)
        if job is None:
            raise LastwattError(
                "the agent was started anew meanwhile; `lastwatt status` and `lastwatt journal` "
                "say what came of the order"
            )
        devices = [self._progress(job, name) for name in job.devices]
        return {"job": job.name, "done": job.is_done, "devices": devices}

    def _progress(self, job: _Job, name: str) -> dict[str, Any]:
        result, known = job.results.get(name), self._engine.state.devices[name]
        opened = known.order if known.order and known.order.order.task is job.task else None
        act, verdict = opened.steps[-1] if opened and opened.steps else (None, None)
        return {
            "name": name,
            "task": job.task.value,
            "act": act,
            "verdict": verdict,
            "ending": None if result is None else result.ending.value,
            "evidence": "" if result is None else result.evidence,
        }

    # Who, and whether at all

    def unknown(self, name: object) -> dict[str, Any]:
        """Return the answer to an ask about a device that there is not."""
        listed = names_text(list(self._engine.site.devices), most=20)
        error = f"the site's file lists no device {name!r}; it lists: {listed}"
        return {"ok": False, "unknown": True, "error": error}

    async def who(self, request: Mapping[str, Any]) -> str:
        """Return who asks: the name that was given, and the user at the other end of the socket.

        Whoever asks at the page is known by the name of the sign-in.
        """
        given = request.get("who")
        if isinstance(given, SignedIn):
            return f"{given} (at the page)"
        user = await self._user(request.get("peer_uid"))
        if given is None:
            return user
        if not isinstance(given, str) or not given.strip() or not given.isprintable():
            raise LastwattError("who asks is a name of printable characters, such as Ana")
        if len(given) > WHO_MOST:
            raise LastwattError(f"who asks is a name of at most {WHO_MOST} characters")
        given = given.strip()
        return given if given == user else f"{given} (as {user})"

    async def _user(self, uid: object) -> str:
        if not isinstance(uid, int):
            return "somebody"
        # The user directory may be one of the network, which an outage takes away.
        asking = asyncio.ensure_future(
            in_own_thread(lambda: pwd.getpwuid(uid).pw_name, name="user name")
        )
        try:
            await first(asking, self._clock.sleep(_NAME_WITHIN_S))
            return asking.result() if asking.done() else f"user {uid}"
        except (KeyError, OSError):
            return f"user {uid}"
        finally:
            asking.cancel()

    async def until_ready(self) -> None:
        """Wait until what an earlier run of the agent left open is taken up again."""
        until_at = self._clock.monotonic() + READY_WITHIN_S
        while self._engine.decision is None and self._clock.monotonic() < until_at:
            await self._clock.sleep(0.1)

    def stopped_again(self, name: str) -> str:
        """Return why the device would be stopped at once if it ran; "" where it would not."""
        now, engine = self._clock.monotonic(), self._engine
        beliefs = engine.beliefs(now)
        why = stopped_again(engine.site, engine.state, name, beliefs, now)
        return f"{name} would be stopped again at once: {why.sentence}" if why is not None else ""

    async def _as_it_runs(self, name: str) -> dict[str, Any] | None:
        """Return what to answer of a device that is taken to run; None = the start is to be sent.

        What starts one device switches another off: so it is looked at first.
        """
        known = self._engine.state.devices[name]
        if known.phase is not Phase.RUNNING or known.owed:
            return None
        look = await self._engine.conductor.is_running(name, within_s=_LOOK_S)
        if look is None:
            return _no(
                f"{name} is taken to run, and nothing in the site's file can tell; no start was "
                "sent, since it might switch it off"
            )
        if look.verdict in (Verdict.DONE, Verdict.ASSUMED):
            return {"job": None, "evidence": f"{name} runs already: {look.evidence}"}
        if look.verdict in HEARD:
            raise LastwattError(
                f"{name} is on, though not as it should be: {look.evidence}; no start was sent"
            )
        return None

    # Previews

    def _preview(self, plan: Plan, notes: list[str]) -> dict[str, Any]:
        devices = self._engine.site.devices
        return {
            "devices": list(plan.devices),
            "dark": list(plan.dark),
            "dry": [name for name in plan.devices if devices[name].dry_run],
            "notes": notes,
        }

    def _ways_back(self, plan: Plan) -> list[str]:
        """What a stop leaves people to do."""
        devices = self._engine.site.devices
        by_hand = [n for n in plan.devices if devices[n].starts is not Starts.BY_ORDER]
        notes = ["what is stopped by hand stays so, whatever mains does, until `lastwatt start`"]
        if by_hand:
            notes.append(
                f"no order starts {names_text(by_hand)}: somebody has to give it power, or press "
                "its button"
            )
        return notes

    def _hands_needed(self, plan: Plan) -> list[str]:
        devices = self._engine.site.devices
        by_hand = [n for n in plan.devices if devices[n].starts is not Starts.BY_ORDER]
        if not by_hand:
            return []
        return [f"no order starts {names_text(by_hand)}: its return is only watched for"]

    # Orders

    async def _begin(self, task: Task, asked: str, plan: Plan, who: str) -> dict[str, Any]:
        self._given += 1
        # Its moment makes it another one than that of an earlier run of the agent.
        job = _Job(f"{self._given}-{self._clock.monotonic():.3f}", task, plan.devices)
        self._jobs.append(job)
        log.info("took_order_by_hand", task=task.value, devices=list(plan.devices), who=who)
        graph = graph_of(self._engine.site)
        waits_for = graph.users if task is Task.REST else graph.uses
        for name in plan.devices:
            after = {n: run for n, run in job.runs.items() if n in waits_for[name]}
            job.runs[name] = asyncio.create_task(
                self._carry(job, name, who, after), name=f"by hand {name}"
            )
        severity, text = "info", f"is started by hand, as {who} asked"
        if task is Task.REST:
            severity = "warning"
            text = f"is brought to rest by hand, as {who} asked, until `lastwatt start`"
        await self._engine.notice(severity, asked, f"{names_text(plan.devices)} {text}")
        return {"job": job.name, "devices": list(plan.devices)}

    async def _carry(
        self, job: _Job, name: str, who: str, after: Mapping[str, asyncio.Task[Result]]
    ) -> Result:
        try:
            result = await self._told_after(job.task, name, who, after)
        except Exception as error:  # it must have an end that its command can be told
            log.exception("failed_order_by_hand", device=name)
            why = f"lastwatt's own code failed ({type(error).__name__})"
            result = Result(Ending.FAILED, why)
        job.results[name] = result
        return result

    async def _told_after(
        self, task: Task, name: str, who: str, after: Mapping[str, asyncio.Task[Result]]
    ) -> Result:
        for other, run in after.items():
            if (await run).ending not in _WENT_WELL:
                what = "did not come to rest" if task is Task.REST else "does not run"
                return Result(Ending.WITHDRAWN, f"it was told nothing, since {other} {what}")
        # The world may have changed since the plan was made.
        state, site = self._engine.state, self._engine.site
        make = stop_plan if task is Task.REST else start_plan
        refusal = make(site, state, name).refusal
        if not refusal and task is Task.START:
            refusal = self.stopped_again(name)
        if refusal:
            return Result(Ending.WITHDRAWN, f"it was told nothing: {refusal}")
        return await self.give(task, name, by_hand(task, who))

    async def give(self, task: Task, name: str, reason: Reason) -> Result:
        """Give one order, or join one of the same task that is under way; return how it ended."""
        engine, now = self._engine, self._clock.monotonic()
        known = engine.state.devices[name]
        if known.order is not None and known.order.order.task is task:
            return await self._join(known.order, replace(known.order.order, reason=reason))
        events: list[Event] = []
        if known.order is not None:
            opened, why = known.order, "it gave way to an order by hand"
            ended = Ending.WITHDRAWN
            events.append(OrderClosed(now, opened.order_id, name, opened.order.task, ended, why))
        order = Order(name, task, self._deadline_at(task, name, now), reason)
        order_id = f"{name}#{engine.state.orders + 1}"
        events.append(OrderGiven(now, order_id, order))
        rested = self._rested_already(task, name)
        if rested is not None:
            events.append(OrderClosed(now, order_id, name, task, rested.ending, rested.evidence))
        await engine.record(*events)
        if rested is not None:
            return rested
        if not self._is_open(name, order_id):
            return Result(Ending.WITHDRAWN, "it gave way to another order")
        return await self._ended(engine.conductor.give(order_id, order))

    async def _join(self, opened: OpenOrder, order: Order) -> Result:
        """Add a reason by hand to an order under way; it goes on as it was given."""
        # Told first, while it is sure to be under way: once it has ended, this would begin another.
        run = self._engine.conductor.give(opened.order_id, order)
        now = self._clock.monotonic()
        await self._engine.record(OrderGiven(now, opened.order_id, order))
        return await self._ended(run)

    async def _ended(self, run: asyncio.Task[Result]) -> Result:
        await asyncio.wait({run})
        if run.cancelled():
            return Result(Ending.WITHDRAWN, "it gave way to another order")
        return run.result()

    def _deadline_at(self, task: Task, name: str, now: float) -> float:
        engine = self._engine
        if task is Task.START:
            return start_deadline_at(engine.site, name, now)
        course = None if engine.decision is None else engine.decision.timeline
        return rest_deadline_at(engine.site, name, course, now)

    def _rested_already(self, task: Task, name: str) -> Result | None:
        """How a stop ends whose device is at rest: it is told nothing, and stays so."""
        known, device = self._engine.state.devices[name], self._engine.site.devices[name]
        if task is not Task.REST or known.phase is not Phase.AT_REST:
            return None
        if known.is_assumed and not device.dry_run:
            return None
        ending = Ending.ASSUMED if known.is_assumed else Ending.AT_REST
        return Result(ending, f"it was at rest already ({known.evidence}), and stays so now")

    def _is_open(self, name: str, order_id: str) -> bool:
        opened = self._engine.state.devices[name].order
        return opened is not None and opened.order_id == order_id


def _no(why: str) -> dict[str, Any]:
    """Return the answer to an order that is not given, whoever asks."""
    return {"ok": False, "refused": True, "error": why}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
