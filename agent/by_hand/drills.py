"""Drills: one device is stopped and started for real, and every step of it is measured.

The orders go the way of every order, with a reason of their own: should the agent end in mid-drill,
the next run brings the device back as after an outage. What a drill measured is learnt by the fold
as from any order; what it showed is kept as a grade, see `agent.grades.grading`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

import structlog

from agent.by_hand.hands import Hands
from agent.conduct.perform import Performer
from agent.control import Ask
from agent.engine import Engine
from drivers.base import Act, Clock, Driver, Stage, Verdict
from drivers.errors import LastwattError
from policies.drill import cautions, is_of, measured, refusal
from policies.events import Ending, Event
from policies.grades import Grade, Standing
from policies.model import Device, Role, Site, Starts, Task
from policies.reasons import drill as drill_reason
from policies.reasons import duration_text
from policies.state import Phase

log = structlog.get_logger()

PROVE_WITHIN_S = 15.0
"""Longest that the proof of a way back may take."""

_LOOK = "look at the recorder itself: that it records, and that what it recorded before is there"

EVENTS_MOST = 2000
"""A drill has a few dozen events; one that never ends must not fill the memory."""


@dataclass(slots=True)
class _Drill:
    """One drill, under way or over.

    Attributes:
        standing_in: phase in words, for whoever waits.
        rest, start: how its orders ended, "" = not given.
        is_drilled: it was seen to be gone, and seen to run again.
    """

    name: str
    device: str
    who: str
    way_back: str
    events: list[Event] = field(default_factory=list)
    now_doing: str = "comes to rest"
    rest: str = ""
    start: str = ""
    evidence: str = ""
    is_drilled: bool = False
    is_done: bool = False


class Drills:
    """Answers those who ask for a drill; one at a time."""

    def __init__(
        self,
        engine: Engine,
        hands: Hands,
        drivers: Mapping[str, Mapping[Stage, Driver]],
        *,
        file_site: Site,
        clock: Clock,
        standing: Callable[[str], Standing],
        settings: Mapping[str, str],
    ) -> None:
        """Prepare; gives no order of its own.

        Args:
            engine: whose way every order takes.
            hands: gives them.
            drivers: by device and stage, to prove a way back.
            file_site: the site as its file has it, without what was learnt.
            clock: what steps are measured by.
            standing: the grade of a device.
            settings: fingerprints of the devices' settings, which the file of whoever asks must
                have too.
        """
        self._engine = engine
        self._hands = hands
        self._drivers = drivers
        self._file_site = file_site
        self._clock = clock
        self._standing = standing
        self._settings = settings
        self._performer = Performer(clock=clock)
        self._drill: _Drill | None = None
        self._run: asyncio.Task[None] | None = None
        self._given = 0

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by them."""
        return {"drill": self._answer_drill, "drilled": self._answer_drilled}

    def hear(self, event: Event) -> None:
        """Keep what the device of the drill did."""
        drill = self._drill
        if drill is None or drill.is_done or not is_of(event, drill.device):
            return
        if len(drill.events) < EVENTS_MOST:
            drill.events.append(event)

    async def close(self) -> None:
        """Wait for no drill any more: its device comes back as after an outage."""
        if self._run is not None:
            self._run.cancel()
            await asyncio.gather(self._run, return_exceptions=True)
        await self._performer.close()

    # Answers

    async def _answer_drill(self, request: dict[str, Any]) -> dict[str, Any]:
        name = request.get("device")
        if not isinstance(name, str) or name not in self._engine.site.devices:
            return self._hands.unknown(name)
        who = await self._hands.who(request)
        await self._hands.until_ready()
        why = self._refusal(name, request.get("settings"))
        way_back = "" if why else await self._way_back(name, on_site=request.get("on_site") is True)
        # The look took its time, and the world may have changed.
        why = why or self._refusal(name, request.get("settings"))
        if not why and not way_back:
            why = self._no_way_back(name)
        if why:
            return {"ok": False, "refused": True, "error": why}
        said = list(cautions(self._file_site.devices[name]))
        if request.get("preview") is True:
            return {"device": name, "way_back": way_back, "cautions": said}
        job = self._begin(name, who, way_back).name
        return {"job": job, "way_back": way_back, "cautions": said}

    def _refusal(self, name: str, settings: object) -> str:
        if self._drill is not None and not self._drill.is_done:
            return f"{self._drill.device} is being drilled: one device at a time"
        if settings is not None and settings != self._settings.get(name):
            return (
                f"the agent runs by another version of what the site's file says of {name}: "
                "start it anew by this file first"
            )
        site, state = self._engine.site, self._engine.state
        return refusal(site, state, name) or self._hands.stopped_again(name)

    async def _way_back(self, name: str, *, on_site: bool) -> str:
        """Return how it is known that the device can be started again; "" where it is not."""
        standing = self._standing(name)
        if standing.grade is Grade.DRILLED:
            return f"it was {standing.sentence}, and came back"
        device, stages = self._engine.site.devices[name], self._drivers.get(name, {})
        driver = stages.get(Stage.QUIESCE if device.stop_s is None else Stage.START)
        if driver is not None and Act.PROBE in driver.acts:
            deadline_at = self._clock.monotonic() + PROVE_WITHIN_S
            found = await self._performer.perform(driver, Act.PROBE, deadline_at=deadline_at)
            if found.verdict is Verdict.DONE:
                advice = f" ({found.advice})" if found.advice else ""
                return f"what starts it answers: {found.evidence}{advice}"
        return "somebody is on site, who can start it" if on_site else ""

    def _no_way_back(self, name: str) -> str:
        device = self._engine.site.devices[name]
        why = "what the site's file starts it by does not answer as it should"
        if device.stop_s is not None and device.starts is not Starts.BY_ORDER:
            why = "no order starts it, and no drill has shown that it comes back"
        return (
            f"nothing proves that {name} can be started again: {why}; mend that, or have somebody "
            "at the device, and say so by --on-site"
        )

    async def _answer_drilled(self, request: dict[str, Any]) -> dict[str, Any]:
        drill = self._drill
        if drill is None or drill.name != request.get("job"):
            raise LastwattError(
                "the agent was started anew meanwhile, and brings the device back as after an "
                "outage; `lastwatt status` and `lastwatt journal` say what came of it"
            )
        device, known = self._file_site.devices[drill.device], self._engine.state
        found = measured(device, drill.events)
        planned = self._engine.site.devices[drill.device]
        used = {"quiesce": planned.quiesce_s, "stop": planned.stop_s, "start": planned.start_s}
        return {
            "done": drill.is_done,
            "doing": drill.now_doing,
            "device": drill.device,
            "drilled": drill.is_drilled,
            "rest": drill.rest,
            "start": drill.start,
            "evidence": drill.evidence,
            "advice": _LOOK if device.role is Role.RECORDER and drill.start else "",
            "gap_s": self._gap_s(device, known.devices[drill.device].gap.lasting_s(self._now)),
            "grade": self._standing(drill.device).sentence,
            "steps": [_rounded(asdict(step)) for step in found.steps],
            "stages": [
                _rounded({**asdict(s), "longer": s.is_longer, "planned_s": used[s.stage]})
                for s in found.stages
            ],
        }

    def _gap_s(self, device: Device, lasting_s: float) -> float | None:
        return round(lasting_s, 1) if lasting_s > 0.0 else None

    @property
    def _now(self) -> float:
        return self._clock.monotonic()

    # The drill

    def _begin(self, name: str, who: str, way_back: str) -> _Drill:
        self._given += 1
        drill = _Drill(f"{self._given}-{self._now:.3f}", name, who, way_back)
        self._drill = drill
        self._run = asyncio.create_task(self._carry(drill), name=f"drill {name}")
        return drill

    async def _carry(self, drill: _Drill) -> None:
        log.info("began_drill", device=drill.device, who=drill.who, way_back=drill.way_back)
        try:
            await self._stop_and_start(drill)
        except Exception as error:  # it must have an end that its command can be told
            log.exception("failed_drill", device=drill.device)
            drill.evidence = f"lastwatt's own code failed ({type(error).__name__})"
        severity = "info" if drill.is_drilled else "warning"
        came = "was drilled" if drill.is_drilled else "was not drilled through"
        try:
            text = f"{drill.device} {came}: {drill.evidence}"
            await self._engine.notice(severity, drill.device, text)
        finally:
            drill.is_done = True

    async def _stop_and_start(self, drill: _Drill) -> None:
        name, began_at = drill.device, self._now
        text = f"{name} is drilled, as {drill.who} asked: stopped and started for real"
        await self._engine.notice("warning", name, text)
        rest = await self._hands.give(Task.REST, name, drill_reason(Task.REST, drill.who))
        drill.rest, drill.evidence = rest.ending.value, rest.evidence
        known = self._engine.state.devices[name]
        if self._engine.state.outage_at is not None:
            drill.evidence = f"an outage came between; it comes back after that ({rest.evidence})"
            return
        if known.by_hand:
            drill.evidence = f"it was stopped by hand meanwhile, and stays so: {rest.evidence}"
            return
        if rest.ending is Ending.WITHDRAWN or (known.phase is Phase.RUNNING and not known.owed):
            return
        drill.now_doing = "is started"
        if self._engine.site.devices[name].starts is not Starts.BY_ORDER:
            drill.now_doing = "is waited for: start it now"
        start = await self._hands.give(Task.START, name, drill_reason(Task.START, drill.who))
        drill.start = start.ending.value
        self._judge(drill, rest.ending, rest.evidence, start.evidence, began_at)

    def _judge(
        self, drill: _Drill, rested: Ending, rest_said: str, start_said: str, began_at: float
    ) -> None:
        """Say what the drill has shown: that it works is what was seen, both ways."""
        back_at = self._engine.state.devices[drill.device].seen_back_at
        drill.is_drilled = back_at is not None and back_at > began_at
        if drill.is_drilled:
            took = duration_text(self._now - began_at)
            drill.evidence = f"it went in order and came back, in {took} altogether: {start_said}"
        elif rested is not Ending.AT_REST:
            drill.evidence = f"it did not come to rest: {rest_said}; then: {start_said}"
        elif drill.start != Ending.RUNNING.value:
            drill.evidence = f"it is not back: {start_said}"
        else:
            drill.evidence = (
                "nothing could tell that it was gone, or that it runs again, so nothing is proven: "
                f"{rest_said}; then: {start_said}"
            )


def _rounded(fields: dict[str, Any]) -> dict[str, Any]:
    return {
        name: round(value, 2) if isinstance(value, float) else value
        for name, value in fields.items()
    }
