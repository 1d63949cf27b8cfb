"""Run one rehearsal through, on a loop of its own, at a pace that can be watched or at once."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import date
from typing import Any

from agent import status
from agent.clock import real_monotonic
from agent.config import LoadedSite
from agent.grades.settings import fingerprints
from agent.rehearsal.known import Known, at_peace
from agent.rehearsal.result import Result
from agent.rehearsal.scenario import LEAD_S, in_order_of_feeds, scenario_of
from agent.rehearsal.stage import RehearsalStage
from agent.rehearsal.terms import LONGEST_S, Progress, Terms, digest_of
from agent.simulation.pace import JumpingLoop, SteadyPace

LOOK_EVERY_S = 10.0
REST_HOLDS_S = 60.0
"""So long everything must be at rest before mains comes back by itself."""

SETTLED_AFTER_S = 60.0
WAIT_MOST_S = 10 * 3600.0
"""How long the return is waited for, at most: a battery has to hold enough for one more stop."""

TELL_EVERY_S = 0.4
"""Real time between two reports of how far it is."""


Tell = Callable[[Progress], None]


def rehearse(
    loaded: LoadedSite, known: Known, terms: Terms, tell: Tell = lambda progress: None
) -> Result:
    """Return what comes of an outage in which nothing is sent. Blocks; call it where that may be.

    The same site, knowledge and terms give the same result, at whatever pace.

    Args:
        loaded: the site's file.
        known: what the live run knows.
        terms: what is asked for.
        tell: told how far it is, now and then, in this thread.
    """

    def loop() -> JumpingLoop:
        if terms.pace is None:
            return JumpingLoop()
        return JumpingLoop(SteadyPace(terms.pace, real=real_monotonic, sleep=time.sleep))

    with asyncio.Runner(loop_factory=loop) as runner:
        return runner.run(_Rehearsal(loaded, known, terms, tell).run())


class _Rehearsal:
    def __init__(self, loaded: LoadedSite, known: Known, terms: Terms, tell: Tell) -> None:
        self._loaded, self._known, self._terms, self._tell = loaded, at_peace(known), terms, tell
        self._remarks = _remarks(loaded, known)
        self._told_at = -TELL_EVERY_S
        self._mains_back_s: float | None = None
        self._left: dict[str, float] = {}

    async def run(self) -> Result:
        loaded, terms = self._loaded, self._terms
        site = in_order_of_feeds(loaded.site)
        scenario = scenario_of(
            loaded, site, self._known, begins=terms.begins, strength=terms.strength
        )
        self._stage = stage = RehearsalStage(
            loaded, scenario, self._known, on_news=self._report_now
        )
        stage.begin()
        looking = asyncio.create_task(self._keep_looking())
        await asyncio.sleep(LEAD_S)
        await self._until_mains()
        stage.return_mains()
        self._mains_back_s, self._left = stage.at_s, stage.left()
        await self._until_settled()
        looking.cancel()
        stage.pump()
        stage.take_samples()
        return self._result()

    async def _until_mains(self) -> None:
        stage, after_s = self._stage, self._terms.mains_after_s
        if after_s is not None:
            await asyncio.sleep(after_s)
            return
        rested_at: float | None = None
        while stage.at_s < LONGEST_S:
            await asyncio.sleep(LOOK_EVERY_S)
            if not stage.is_at_rest:
                rested_at = None
                continue
            rested_at = stage.at_s if rested_at is None else rested_at
            if stage.at_s - rested_at >= REST_HOLDS_S:
                return

    async def _until_settled(self) -> None:
        stage = self._stage
        await asyncio.sleep(self._loaded.site.mains_steady_s + SETTLED_AFTER_S)
        until_s = stage.at_s + WAIT_MOST_S
        while stage.at_s < until_s:
            if stage.is_settled:
                return
            await asyncio.sleep(LOOK_EVERY_S)

    async def _keep_looking(self) -> None:
        while True:
            self._stage.take_samples()
            self._report()
            await asyncio.sleep(LOOK_EVERY_S)

    # Telling

    def _report_now(self) -> None:
        self._told_at = -TELL_EVERY_S

    def _report(self) -> None:
        if real_monotonic() - self._told_at < TELL_EVERY_S:
            return
        self._told_at = real_monotonic()
        stage = self._stage
        is_away = stage.at_s >= 0.0 and self._mains_back_s is None
        self._tell(Progress(round(stage.at_s, 1), is_away, self._status(), stage.record.orders))

    def _status(self) -> dict[str, Any]:
        engine, lives = self._stage.lives.engine, self._stage.lives
        if engine is None:
            return {}
        return status.document(
            engine.site,
            engine.state,
            engine.decision,
            now=lives.now,
            dry_run=True,
            today=self._today(),
            learnt=engine.learnt,
            plan=lives.plan,
        )

    def _today(self) -> date:
        return self._terms.begins.astimezone(self._loaded.time_zone).date()

    def _result(self) -> Result:
        stage, terms = self._stage, self._terms
        assert self._mains_back_s is not None
        return Result(
            name=terms.name,
            site=self._loaded.site.name,
            made_utc=self._known.utc,
            who=terms.who,
            begins=terms.begins.astimezone(self._loaded.time_zone),
            mains_back_s=round(self._mains_back_s, 1),
            ended_s=round(stage.at_s, 1),
            strength=terms.strength.value,
            file=digest_of(self._loaded),
            units=stage.record.units(self._left),
            devices=stage.record.devices(
                fingerprints(self._loaded), mains_back_s=self._mains_back_s
            ),
            orders=stage.record.orders,
            written=tuple(stage.record.written),
            notices=tuple(stage.record.notices),
            remarks=self._remarks,
            failures=tuple(stage.record.failures),
        )


def _remarks(loaded: LoadedSite, known: Known) -> tuple[str, ...]:
    """Return what is to be known of the present that the rehearsal leaves out, or takes for so."""
    said = []
    state = known.state
    if state.paused_until_at is not None and state.paused_until_at > known.at:
        said.append(
            f"{state.paused_by or 'somebody'} has paused automatic orders: while that lasts, none "
            "of these would be given; the rehearsal is without the pause"
        )
    if state.watches_only:
        why = "; ".join(state.watches_only.values())
        said.append(f"the agent only watches at present ({why}), and would give none of these")
    dry = [name for name, device in loaded.site.devices.items() if device.dry_run]
    if dry:
        said.append(
            f"the file has {', '.join(dry)} in dry run: a real outage sends nothing there either, "
            "and so it is taken here"
        )
    if not any(unit.reading is not None for unit in state.units.values()):
        said.append(
            "no agent has watched this site yet, so nothing but its file is known: batteries are "
            "taken to be full, and all devices to run"
        )
    return tuple(said)
