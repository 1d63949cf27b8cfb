"""The live estimate of every unit's battery: fed by each reading, asked by each decision.

What it needs is imported when the first reading on battery comes: numpy is most of the agent's
memory, and mains fails seldom. Until that is done, and whenever the estimate fails, the simple
belief answers; who asks need not know.
"""

from __future__ import annotations

import asyncio
import math
import threading
import traceback
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import structlog

from policies.battery import as_fitted
from policies.belief import Belief
from policies.events import BatteryFitted, Event, ReadingTaken
from policies.model import Site
from policies.runtime import LoadStep
from policies.state import SiteState
from policies.supply import UnitState, belief_of

if TYPE_CHECKING:
    from agent.battery.estimate_start import Start
    from policies.estimate import EnergyBand, Estimate

log = structlog.get_logger()

SAVED_EVERY_SHARE = 0.01
"""Of a whole discharge: what a crash may forget."""

SAVED_EVERY_S = 300.0
_MOST_WAITING = 300

Body = Callable[[], bytes]
"""Makes what is kept, in the thread that writes it."""

Keep = Callable[[str, Body | None], None]
"""Keeps what is known of a unit's battery; None = forgets it. Must not block."""

Say = Callable[[str, str, str], None]
"""Told severity, unit and sentence; must not block."""

Work = Callable[[], "Start"]
Done = Callable[["Start | Exception"], None]
Aside = Callable[[Work, Done], None]
"""Does some work aside, then tells on the loop what came of it."""


def at_once(work: Work, done: Done) -> None:
    """Do the work here and now: for a loop that uses no threads."""
    try:
        result: Start | Exception = work()
    except Exception as error:
        result = error
    done(result)


def in_thread(work: Work, done: Done) -> None:
    """Do the work in a thread of its own, which nothing waits for; call it on the loop."""
    loop = asyncio.get_running_loop()

    def run() -> None:
        try:
            result: Start | Exception = work()
        except Exception as error:
            result = error
        with suppress(RuntimeError):  # the loop has ended
            loop.call_soon_threadsafe(done, result)

    threading.Thread(target=run, name="estimate", daemon=True).start()


@dataclass(slots=True)
class _Held:
    """What is held of one unit.

    Attributes:
        waiting: readings on battery that came while the start was worked out.
        is_starting: that is under way; asked: how often it was asked for.
        has_failed: in this discharge; the simple belief is in its place.
        said_refuted: it was said that the battery outlasts every guess.
        saved_passed, saved_at: how far the discharge was when it was last kept.
    """

    estimate: Estimate | None = None
    waiting: deque[UnitState] = field(default_factory=lambda: deque(maxlen=_MOST_WAITING))
    is_starting: bool = False
    asked: int = 0
    has_failed: bool = False
    said_refuted: bool = False
    saved_passed: float = -math.inf
    saved_at: float = -math.inf


class Estimator:
    """Holds one estimate a unit; a fault of it is said once, and costs precision, no more."""

    def __init__(
        self,
        site: Site,
        *,
        fits: Mapping[str, Path | None],
        kept: Mapping[str, bytes],
        today: Callable[[], date],
        keep: Keep,
        say: Say,
        aside: Aside = at_once,
    ) -> None:
        """Prepare; nothing is read or imported before it is needed.

        Args:
            site: whose units.
            fits: unit -> file of what its full runs taught, or None.
            kept: unit -> what the journal has of its battery.
            today: the date at the site.
            keep: keeps what is known.
            say: told what went wrong, once.
            aside: does what takes long.
        """
        self._site = site
        self._fits = fits
        self._kept = dict(kept)
        self._today = today
        self._keep = keep
        self._say = say
        self._aside = aside
        self._held = {name: _Held() for name in site.units}

    def hear(self, event: Event, state: SiteState) -> None:
        """Learn from a reading; a new battery is a stranger; other events change nothing.

        Args:
            event: as it was folded.
            state: the site after it.
        """
        match event:
            case ReadingTaken(reading=reading) if reading.unit in self._held:
                try:
                    self._hear_reading(reading.unit, state.units[reading.unit])
                except Exception as error:  # an estimate that fails is done without
                    self._fail(reading.unit, error)
            case BatteryFitted(unit=unit, is_first=False) if unit in self._held:
                self._forget(unit)

    def beliefs(self, site: Site, state: SiteState, now: float) -> dict[str, Belief]:
        """Return the belief of every unit that runs on battery, as `decide.beliefs_of` does."""
        found: dict[str, Belief] = {}
        for name, unit_state in state.units.items():
            if not unit_state.is_on_battery:
                continue
            found[name] = belief_of(site.units[name], unit_state, now)
            live = self._live(name, unit_state, now)
            if live is not None:
                found[name] = _Guarded(live, found[name], self._fail_of(name))
        return found

    def energy_wh_band(self, unit: str) -> EnergyBand | None:
        """Return what is believed of the full battery's energy.

        None where nothing was learnt, or what was learnt is refuted by now.
        """
        estimate = self._held[unit].estimate
        if estimate is None or estimate.particles.is_refuted:
            return None
        from policies.estimate import energy_wh_band

        return energy_wh_band(estimate)

    # Readings

    def _hear_reading(self, name: str, after: UnitState) -> None:
        held = self._held[name]
        is_in_use = after.on_battery_at is not None or after.sign_at is not None
        if not is_in_use:
            held.has_failed, held.said_refuted = False, False
        if held.has_failed:
            return
        if held.is_starting:
            held.waiting.append(after)
        elif is_in_use and self._wants_start(name):
            held.waiting.append(after)
            self._start(name, after)
        elif held.estimate is not None:
            self._take(name, after)

    def _wants_start(self, name: str) -> bool:
        """Whether a discharge begins with nothing known, or a fit may have been made since."""
        estimate = self._held[name].estimate
        if estimate is None:
            return True
        return not estimate.is_drawing and self._fits.get(name) is not None

    def _take(self, name: str, after: UnitState) -> None:
        from policies.estimate import heard

        held = self._held[name]
        assert held.estimate is not None and after.heard_at is not None
        unit = as_fitted(self._site.units[name], after.battery, after.heard_at)
        held.estimate = heard(held.estimate, unit, after)
        if held.estimate.particles.is_refuted and not held.said_refuted:
            held.said_refuted = True
            self._say(
                "warning",
                name,
                f"the battery of {name} lasts longer than anything that was believed of it; until "
                "mains is back it is judged by what the unit says and by what was drawn alone",
            )
        self._save_if_due(name, after)

    def _save_if_due(self, name: str, after: UnitState) -> None:
        held = self._held[name]
        estimate = held.estimate
        assert estimate is not None
        passed, at = estimate.particles.passed, estimate.heard_at
        is_over = not estimate.is_drawing
        if at == held.saved_at or not (
            is_over
            or abs(passed - held.saved_passed) >= SAVED_EVERY_SHARE
            or at - held.saved_at >= SAVED_EVERY_S
        ):
            return
        held.saved_passed, held.saved_at = passed, at
        unit, fitted_on = self._site.units[name], after.battery.fitted_on

        def body() -> bytes:
            from agent.battery.estimate_codec import battery_key, encode

            day = "" if fitted_on is None else fitted_on.isoformat()
            return encode(estimate, battery=battery_key(unit), fitted_on=day)

        self._keep(name, body)

    # Starting

    def _start(self, name: str, after: UnitState) -> None:
        held = self._held[name]
        held.is_starting = True
        held.asked += 1
        asked = held.asked
        unit = as_fitted(self._site.units[name], after.battery, after.heard_at or 0.0)
        fit_file, kept = self._fits.get(name), self._kept.get(name)
        fitted_on, today = after.battery.fitted_on, self._today()

        def work() -> Start:
            from agent.battery.estimate_start import start_of

            return start_of(unit, fit_file=fit_file, fitted_on=fitted_on, today=today, kept=kept)

        def done(result: Start | Exception) -> None:
            if asked == held.asked and held.is_starting:
                held.is_starting = False
                try:
                    self._started(name, result)
                except Exception as error:
                    self._fail(name, error)

        self._aside(work, done)

    def _started(self, name: str, result: Start | Exception) -> None:
        """Go on from what was found, with the readings that came meanwhile."""
        from policies.estimate import begun, is_drawing

        if isinstance(result, Exception):
            raise result
        held = self._held[name]
        self._kept.pop(name, None)
        for trouble in result.troubles:
            self._say("warning", name, trouble)
        if held.estimate is None:
            held.estimate = result.kept
        if held.estimate is not None and held.estimate.origin != result.origin.name:
            held.estimate = None  # full runs were made since: they know more
        while held.waiting:
            after = held.waiting.popleft()
            if held.estimate is not None:
                self._take(name, after)
            elif is_drawing(after):
                unit = as_fitted(self._site.units[name], after.battery, after.heard_at or 0.0)
                held.estimate = begun(unit, result.origin, after)

    def _forget(self, name: str) -> None:
        """Another battery is in place: nothing that is known of the old one holds for it."""
        asked = self._held[name].asked + 1  # what is being worked out is no longer wanted
        self._held[name] = _Held(asked=asked)
        self._kept.pop(name, None)
        self._keep(name, None)
        log.info("dropped_estimate", unit=name)

    # Asking, failing

    def _live(self, name: str, state: UnitState, now: float) -> Belief | None:
        held = self._held[name]
        estimate = held.estimate
        if estimate is None or held.has_failed or held.is_starting or not estimate.is_drawing:
            return None
        if estimate.particles.is_refuted or estimate.heard_at != state.heard_at:
            return None
        from policies.estimate import belief_from

        try:
            unit = as_fitted(self._site.units[name], state.battery, now)
            return belief_from(estimate, unit, now=now)
        except Exception as error:
            self._fail(name, error)
            return None

    def _fail_of(self, name: str) -> Callable[[Exception], None]:
        return lambda error: self._fail(name, error)

    def _fail(self, name: str, error: Exception) -> None:
        """Do without the estimate until mains is back; say so once."""
        held = self._held[name]
        if held.has_failed:
            return
        self._held[name] = _Held(asked=held.asked + 1, has_failed=True)
        self._kept.pop(name, None)
        # Where it was, in a line: a traceback with thousands of guesses takes the loop's time.
        frames = traceback.extract_tb(error.__traceback__)
        where = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else ""
        log.error("failed_estimate", unit=name, error=repr(error), where=where)
        self._say(
            "error",
            name,
            f"the estimate of the battery of {name} failed ({type(error).__name__}: {error}): "
            "until mains is back it is judged by what the unit says and by what was drawn alone; "
            "report this",
        )


@dataclass(frozen=True, slots=True)
class _Guarded:
    """The live belief, or the simple one from the moment that the live one fails."""

    live: Belief
    simple: Belief
    on_failure: Callable[[Exception], None]
    _failed: list[Exception] = field(default_factory=list)

    @property
    def bound_quantile(self) -> float:
        return (self.simple if self._failed else self.live).bound_quantile

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        if not self._failed:
            try:
                end_s = self.live.end_after_s(load_steps, quantile)
                if math.isnan(end_s):
                    raise ValueError("it is no number")
            except Exception as error:  # a decision must not fall over an estimate
                self._failed.append(error)
                self.on_failure(error)
            else:
                return end_s
        return self.simple.end_after_s(load_steps, quantile)
