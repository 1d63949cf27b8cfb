"""The estimator in the agent: what it is fed, when it answers, and how it fails."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from agent.battery.estimate_start import start_of
from agent.battery.estimator import Aside, Done, Estimator, Work, at_once, in_thread
from agent.battery.fit_store import StoredFit, StoredRun, save_fit
from agent.journal.journal import Journal
from policies.belief import Belief, SimpleBelief
from policies.draws import Draws
from policies.events import BatteryFitted, ReadingTaken
from policies.model import Device, Reading, RunPoint, Site
from policies.runtime import LoadStep
from policies.state import SiteState, fold, initial
from tests.agent import half_an_outage
from tests.agent.journals import given, held, open_journal
from tests.fakes import FakeClock
from tests.policies.discharges import CELLS, INVERTER, UNIT, Truth, holding, on_mains

TODAY = date(2026, 11, 25)
STEPS = [LoadStep(0.0, 200.0)]
SITE = Site("boatyard", {"cabinet": UNIT}, {"nvr": Device("nvr", feeds=("cabinet",), watts=200.0)})


class Bench:
    """A site with an estimator and a journal, without an engine."""

    def __init__(
        self,
        *,
        fit: Path | None = None,
        kept: dict[str, bytes] | None = None,
        state: SiteState | None = None,
        aside: Aside = at_once,
        site: Site = SITE,
    ) -> None:
        self.site = site
        self.state = initial(site) if state is None else state
        self.said: list[tuple[str, str]] = []
        self.kept = dict(kept or {})
        self.saves = 0
        self.estimator = Estimator(
            site,
            fits={"cabinet": fit},
            kept=self.kept,
            today=lambda: TODAY,
            keep=self._keep,
            say=lambda severity, about, text: self.said.append((severity, text)),
            aside=aside,
        )

    def _keep(self, unit: str, body: object) -> None:
        self.saves += 1
        if callable(body):
            self.kept[unit] = body()
        else:
            self.kept.pop(unit, None)

    def hear(self, event: ReadingTaken | BatteryFitted) -> None:
        self.state = fold(self.site, self.state, event)
        self.estimator.hear(event, self.state)

    def read(self, reading: Reading) -> None:
        self.hear(ReadingTaken(reading.at, reading))

    def outage(self, truth: Truth, until_s: float, *, since_s: float = 2.0) -> None:
        if since_s == 2.0:
            self.read(on_mains(truth.began_at - 5.0))
        at = truth.began_at + since_s
        while at <= truth.began_at + until_s:
            self.read(truth.reading(at))
            at += 5.0

    @property
    def now(self) -> float:
        heard_at = self.state.units["cabinet"].heard_at
        assert heard_at is not None
        return heard_at

    def belief(self) -> Belief:
        return self.estimator.beliefs(self.site, self.state, self.now)["cabinet"]

    def ends_s(self, quantile: float = 0.05) -> float:
        return self.belief().end_after_s(STEPS, quantile)


def test_an_outage_is_learnt_from() -> None:
    """A battery stronger than its file says is known to be so by the middle of an outage."""
    bench = Bench()
    truth = Truth(cells=holding(1.4))
    bench.outage(truth, 0.6 * truth.left_s(truth.began_at))

    assert bench.ends_s(0.5) == pytest.approx(truth.left_s(bench.now), rel=0.15)
    assert bench.ends_s(0.01) < truth.left_s(bench.now)
    band = bench.estimator.energy_wh_band("cabinet")
    assert band is not None
    assert band.lower_wh < 1.4 * CELLS.energy_wh < 1.2 * band.upper_wh


def test_on_mains_there_is_nothing_to_believe() -> None:
    """A unit on mains is asked for no belief, and learns nothing."""
    bench = Bench()
    bench.read(on_mains(10.0))

    assert bench.estimator.beliefs(SITE, bench.state, 10.0) == {}
    assert bench.estimator.energy_wh_band("cabinet") is None


def test_numpy_waits_for_the_first_reading_on_battery() -> None:
    """It is most of the agent's memory, and a small box pays only for what it uses."""
    code = (
        "import sys; from agent.wiring import Agent; "
        "loaded = sorted(m for m in sys.modules if m.split('.')[0] == 'numpy'); "
        "print(len(loaded))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "0"


def test_until_it_is_there_the_simple_belief_answers() -> None:
    """The import takes its time on a small box; the first decision does not wait."""
    waiting: list[tuple[Work, Done]] = []
    bench = Bench(aside=lambda work, done: waiting.append((work, done)))
    truth = Truth()
    bench.outage(truth, 30.0)
    assert isinstance(bench.belief(), SimpleBelief)

    ((work, done),) = waiting
    done(work())

    assert not isinstance(bench.belief(), SimpleBelief)
    at_once_too = Bench()
    at_once_too.outage(truth, 30.0)
    assert bench.ends_s() == pytest.approx(at_once_too.ends_s())


async def test_it_starts_in_a_thread_and_is_told_on_the_loop() -> None:
    """Nothing that takes long is done where readings come in."""
    bench = Bench(aside=in_thread)
    bench.outage(Truth(), 30.0)
    assert isinstance(bench.belief(), SimpleBelief)
    for _ in range(400):
        await asyncio.sleep(0.05)
        if not isinstance(bench.belief(), SimpleBelief):
            break

    assert bench.ends_s() > 0.0


def test_a_start_that_fails_is_said_once_and_done_without() -> None:
    """The recorder is stopped by the simple belief, and somebody hears why."""

    def failing(work: Work, done: Done) -> None:
        done(MemoryError("no room"))

    bench = Bench(aside=failing)
    bench.outage(Truth(), 60.0)

    assert isinstance(bench.belief(), SimpleBelief)
    assert [severity for severity, _ in bench.said] == ["error"]
    assert "no room" in bench.said[0][1]


def test_a_belief_that_fails_in_a_decision_gives_way_to_the_simple_one() -> None:
    """A fault in the estimate must not bring the floor upon the site."""
    bench = Bench()
    bench.outage(Truth(), 60.0)
    simple = Bench(aside=lambda work, done: None)
    simple.outage(Truth(), 60.0)

    backwards = [LoadStep(9.0, 1.0), LoadStep(3.0, 1.0)]
    belief = bench.belief()
    with pytest.raises(ValueError, match="rising"):
        belief.end_after_s(backwards, 0.05)  # the simple one refuses it too

    assert belief.end_after_s(STEPS, 0.05) == simple.ends_s()
    assert len(bench.said) == 1
    bench.outage(Truth(), 120.0, since_s=62.0)
    assert isinstance(bench.belief(), SimpleBelief)
    assert len(bench.said) == 1


def test_a_battery_beyond_belief_is_judged_by_the_simple_one() -> None:
    """Unheard for five hours, and still on battery: no guess is left, and that is said once."""
    bench = Bench()
    truth = Truth(cells=holding(20.0))
    bench.outage(truth, 30.0)
    for at in (5 * 3600.0, 5 * 3600.0 + 5.0):
        bench.read(truth.reading(truth.began_at + at))

    assert isinstance(bench.belief(), SimpleBelief)
    assert [severity for severity, _ in bench.said] == ["warning"]


# Carried over


def test_killed_in_mid_outage_it_goes_on_as_before() -> None:
    """Saved as it went, rebuilt from the journal: the belief after is that before."""
    truth = Truth(cells=holding(1.3))
    half_s = 0.5 * truth.left_s(truth.began_at)
    lived = Bench()
    lived.outage(truth, half_s)
    killed = Bench(kept=lived.kept, state=lived.state)
    anew = Bench(state=lived.state)

    for bench in (lived, killed, anew):
        bench.outage(truth, half_s + 30.0, since_s=half_s + 5.0)

    for quantile in (0.01, 0.05, 0.5):
        assert killed.ends_s(quantile) == pytest.approx(lived.ends_s(quantile), rel=0.05)
    assert abs(anew.ends_s() - lived.ends_s()) > 2.0 * abs(killed.ends_s() - lived.ends_s())


def believed_by_one_that_is_killed(folder: Path) -> list[float]:
    command = [sys.executable, "-m", "tests.agent.half_an_outage", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr
    ends_s: list[float] = json.loads(done.stdout)
    return ends_s


async def test_a_process_killed_in_mid_outage_leaves_what_it_had_learnt(tmp_path: Path) -> None:
    """SIGKILL between two readings; the next process reads the journal, and believes the same."""
    before = believed_by_one_that_is_killed(tmp_path)

    journal = open_journal(tmp_path, FakeClock(at=2000.0), boot=half_an_outage.BOOT)
    state = journal.recall(half_an_outage.SITE).state
    estimator = half_an_outage.estimator_of(journal)
    reading = half_an_outage.TRUTH.reading(half_an_outage.TRUTH.began_at + 1005.0)
    event = ReadingTaken(reading.at, reading)
    state = fold(half_an_outage.SITE, state, event)
    estimator.hear(event, state)
    belief = estimator.beliefs(half_an_outage.SITE, state, reading.at)["cabinet"]

    assert not isinstance(belief, SimpleBelief)
    for quantile, ended_s in zip(half_an_outage.QUANTILES, before, strict=True):
        now_s = belief.end_after_s(half_an_outage.STEPS, quantile)
        assert now_s == pytest.approx(ended_s - 5.0, rel=0.08)
    await journal.close()


def test_it_is_saved_seldom() -> None:
    """A hundred and sixty kilobytes with every reading would wear out a card."""
    bench = Bench()
    truth = Truth()
    bench.outage(truth, 0.9 * truth.left_s(truth.began_at))

    assert 10 < bench.saves < 120


async def test_it_is_kept_in_the_journal(tmp_path: Path) -> None:
    """As bytes beside the events, for this kind of run only, and gone with the battery."""
    clock = FakeClock(at=100.0)
    journal = open_journal(tmp_path, clock)
    journal.keep_estimate("cabinet", lambda: b"first")
    journal.keep_estimate("cabinet", lambda: b"second")
    journal.keep_estimate("shed", lambda: b"third")
    await journal.commit()
    journal.keep_estimate("shed", None)
    await journal.close()

    assert await recalled(open_journal(tmp_path, clock)) == {"cabinet": b"second"}
    assert await recalled(open_journal(tmp_path, clock, dry_run=True)) == {}


async def recalled(journal: Journal) -> dict[str, bytes]:
    found = journal.recall_estimates()
    await journal.close()
    return found


async def test_what_cannot_be_put_down_holds_up_nothing(tmp_path: Path) -> None:
    """Orders wait for the journal; they must not wait for an estimate that has no form."""

    def broken() -> bytes:
        raise ValueError("nan")

    journal = open_journal(tmp_path, FakeClock(at=100.0))
    journal.keep_estimate("cabinet", broken)
    await journal.commit(given(100.0))
    await journal.close()

    assert [row.kind for row in held(tmp_path)] == ["gave_order"]


@pytest.mark.parametrize("body", [b"", b"nonsense", b'{"format":1}\n'])
def test_a_damaged_one_is_said_and_learnt_anew(body: bytes) -> None:
    """A bad sector costs what was learnt, and nothing else."""
    bench = Bench(kept={"cabinet": body})
    bench.outage(Truth(), 30.0)

    assert not isinstance(bench.belief(), SimpleBelief)
    assert ["learnt anew" in text for _, text in bench.said] == [True]


# Another battery


def fitted(at: float, *, is_first: bool = False) -> BatteryFitted:
    return BatteryFitted(at, "cabinet", TODAY, at, "ana", is_first)


def learnt(truth: Truth) -> Bench:
    """An outage of a strong battery, and mains back."""
    bench = Bench()
    bench.outage(truth, 0.7 * truth.left_s(truth.began_at))
    for later_s in (5.0, 10.0):
        bench.read(on_mains(bench.now + later_s))
    return bench


def test_another_battery_is_a_stranger() -> None:
    """What the old one could do must not be promised of the new one, but for its age."""
    bench = learnt(Truth(cells=holding(1.4)))
    assert "cabinet" in bench.kept
    bench.hear(fitted(bench.now))
    assert bench.kept == {}
    assert bench.estimator.energy_wh_band("cabinet") is None
    next_outage = Truth(began_at=bench.now + 86400.0)
    bench.outage(next_outage, 12.0)

    fresh = Bench()
    fresh.outage(next_outage, 12.0)
    assert bench.ends_s(0.5) == pytest.approx(fresh.ends_s(0.5), rel=0.05)


def test_the_first_word_of_a_battery_is_no_change_of_it() -> None:
    """Told the date of what is in it all along, a unit has learnt nothing wrong."""
    bench = learnt(Truth(cells=holding(1.4)))
    bench.hear(fitted(bench.now, is_first=True))

    assert bench.estimator.energy_wh_band("cabinet") is not None


# Full runs


def stored(path: Path, *, energy: float, runs: int, made_on: date = TODAY) -> Path:
    chance = np.random.default_rng(1)
    n = 500
    draws = Draws(
        energy * CELLS.energy_wh * np.exp(0.03 * chance.standard_normal(n)),
        np.full(n, CELLS.available_share),
        np.full(n, CELLS.flow_per_h),
        np.full(n, INVERTER.own_draw_w),
        np.full(n, INVERTER.efficiency),
    )
    run = StoredRun(200.0, 0.5, 1.0, 0.01)
    save_fit(path, StoredFit(draws, (run,) * runs, made_on, unit="cabinet"))
    return path


def test_two_full_runs_are_believed_and_make_the_bound_bolder(tmp_path: Path) -> None:
    """A fit of two runs: half as much energy again, and the 5 % bound to act on."""
    bench = Bench(fit=stored(tmp_path / "fit.json", energy=1.5, runs=2))
    truth = Truth(cells=holding(1.5))
    bench.outage(truth, 30.0)

    assert bench.belief().bound_quantile == 0.05
    assert bench.ends_s(0.05) > 0.8 * truth.left_s(bench.now)


def test_one_full_run_leaves_the_careful_bound(tmp_path: Path) -> None:
    """1 % until two are known."""
    bench = Bench(fit=stored(tmp_path / "fit.json", energy=1.5, runs=1))
    bench.outage(Truth(), 30.0)

    assert bench.belief().bound_quantile == 0.01


def test_runs_made_since_count_from_the_next_outage(tmp_path: Path) -> None:
    """The agent runs for years; `lastwatt fit` beside it must reach it."""
    path = stored(tmp_path / "fit.json", energy=1.0, runs=1)
    bench = Bench(fit=path)
    truth = Truth()
    bench.outage(truth, 0.3 * truth.left_s(truth.began_at))
    for later_s in (5.0, 10.0):
        bench.read(on_mains(bench.now + later_s))
    path.unlink()
    stored(path, energy=1.5, runs=2)

    bench.outage(Truth(cells=holding(1.5), began_at=bench.now + 86400.0), 30.0)

    assert bench.belief().bound_quantile == 0.05
    assert bench.ends_s(0.5) > 1.3 * Truth().left_s(100.0)


def test_a_fit_of_the_battery_before_is_not_believed(tmp_path: Path) -> None:
    """Runs of the old battery are no measure of the one put in since."""
    path = stored(tmp_path / "fit.json", energy=1.5, runs=2, made_on=date(2026, 5, 1))

    of_old = start_of(UNIT, fit_file=path, fitted_on=TODAY, today=TODAY, kept=None)
    of_this = start_of(UNIT, fit_file=path, fitted_on=date(2026, 4, 1), today=TODAY, kept=None)

    assert (of_old.origin.full_runs, of_this.origin.full_runs) == (0, 2)


def test_a_fit_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    """The owner believes that his runs count; they do not."""
    path = tmp_path / "fit.json"
    path.write_text("{}")
    bench = Bench(fit=path)
    bench.outage(Truth(), 30.0)

    assert bench.belief().bound_quantile == 0.01
    assert ["lastwatt fit" in text for _, text in bench.said] == [True]


def test_a_table_of_runtimes_counts_as_runs() -> None:
    """As the simple belief has it: two points of a table, and the bolder bound."""
    cells = holding(1.3)
    points = tuple(
        RunPoint(watts, Truth(cells=cells, load_w=watts).left_s(100.0)) for watts in (60.0, 300.0)
    )
    unit = replace(UNIT, battery=replace(UNIT.battery, table=points))
    bench = Bench(site=replace(SITE, units={"cabinet": unit}))
    truth = Truth(cells=cells)
    bench.outage(truth, 30.0)

    assert bench.belief().bound_quantile == 0.05
    assert 0.75 < bench.ends_s(0.05) / truth.left_s(bench.now) < 1.0
