"""When a unit is polled, and what becomes of its answers."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

import pytest
import structlog

from agent.clock import LoopClock
from agent.errors import BackupUnitError, UnitTrouble
from agent.units.snmp_source import SnmpSource
from agent.units.watch import Source, UnitIdentity, Watch
from drivers.base import Clock
from drivers.transports.snmp import SnmpHub
from policies.model import OutputSource, Reading
from tests.fakes import FakeClock
from tests.peers.snmp_settings import as_user
from tests.peers.snmpd import ON_BATTERY, Snmpd


class Script:
    """A source of another kind: it does what the test says, poll by poll, the last for ever."""

    def __init__(self, clock: Clock, *acts: Callable[[], object]) -> None:
        self._clock = clock
        self._acts = list(acts)
        self.polled_at: list[float] = []
        self.deadlines: list[float] = []
        self.takes_s = 0.0

    async def read(self, *, deadline_at: float) -> Reading:
        self.polled_at.append(self._clock.monotonic())
        self.deadlines.append(deadline_at)
        await self._clock.sleep(self.takes_s)
        act = self._acts.pop(0) if len(self._acts) > 1 else self._acts[0]
        act()
        return Reading(unit="cabinet", at=self._clock.monotonic())

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        return UnitIdentity()

    async def close(self) -> None:
        pass


def answers() -> None:
    """Answer."""


def keeps_silent() -> None:
    raise BackupUnitError("nothing heard", trouble=UnitTrouble.SILENT, advice="look")


def trips() -> None:
    raise KeyError("a mistake of ours")


class Owner:
    """Somebody who watches a unit, and keeps what comes."""

    def __init__(self, source: Source, clock: Clock, *, pace_s: float = 10.0) -> None:
        self.pace_s = pace_s
        self.readings: list[Reading] = []
        self.silences: list[tuple[BackupUnitError, float]] = []
        self.heard = asyncio.Event()
        self.watch = Watch(
            source,
            clock=clock,
            unit="cabinet",
            pace=lambda: self.pace_s,
            on_reading=self._on_reading,
            on_silence=self._on_silence,
        )

    async def _on_reading(self, reading: Reading) -> None:
        self.readings.append(reading)
        self.heard.set()

    async def _on_silence(self, error: BackupUnitError, at: float) -> None:
        self.silences.append((error, at))
        self.heard.set()


@contextlib.asynccontextmanager
async def running(owner: Owner) -> AsyncIterator[None]:
    task = asyncio.ensure_future(owner.watch.run())
    try:
        yield
        assert not task.done()
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock(at=100.0)


async def test_the_pace_counts_from_one_beginning_to_the_next(clock: FakeClock) -> None:
    """A slow unit is not polled more seldom for being slow."""
    source = Script(clock, answers)
    source.takes_s = 1.5
    async with running(Owner(source, clock)):
        await clock.advance(35.0)

    assert source.polled_at == [100.0, 110.0, 120.0, 130.0]


async def test_the_pace_is_asked_after_each_poll(clock: FakeClock) -> None:
    """On battery the engine wants to hear more often, from the next poll on."""
    source = Script(clock, answers)
    owner = Owner(source, clock)
    async with running(owner):
        await clock.advance(5.0)
        owner.pace_s = 2.0
        await clock.advance(10.0)

    assert source.polled_at == [100.0, 110.0, 112.0, 114.0]


async def test_a_hastened_poll_is_made_at_once(clock: FakeClock) -> None:
    """A trap brings the news forward."""
    source = Script(clock, answers)
    owner = Owner(source, clock)
    async with running(owner):
        await clock.advance(3.0)
        owner.watch.hasten()
        await clock.advance(8.0)

    assert source.polled_at == [100.0, 103.0]


async def test_hastening_often_makes_one_poll(clock: FakeClock) -> None:
    """A burst of traps is one reason to look."""
    source = Script(clock, answers)
    owner = Owner(source, clock)
    async with running(owner):
        await clock.advance(3.0)
        for _ in range(20):
            owner.watch.hasten()
        await clock.advance(1.0)

    assert source.polled_at == [100.0, 103.0]


async def test_hastening_in_mid_poll_makes_another_one(clock: FakeClock) -> None:
    """The answer under way may be older than what the trap was about."""
    source = Script(clock, answers)
    source.takes_s = 2.0
    owner = Owner(source, clock)
    async with running(owner):
        await clock.advance(1.0)
        owner.watch.hasten()
        await clock.advance(4.0)

    assert len(source.polled_at) == 2
    assert source.polled_at[1] < 103.0


async def test_silence_and_mistakes_are_handed_on_and_polling_goes_on(clock: FakeClock) -> None:
    """Nothing that a unit does, and no mistake in reading it, may end the watch over it."""
    source = Script(clock, answers, keeps_silent, trips, answers)
    owner = Owner(source, clock)
    with structlog.testing.capture_logs() as logged:
        async with running(owner):
            await clock.advance(35.0)

    assert [reading.at for reading in owner.readings] == [100.0, 130.0]
    assert [(error.trouble, at) for error, at in owner.silences] == [
        (UnitTrouble.SILENT, 110.0),
        (UnitTrouble.GARBLED, 120.0),
    ]
    assert all(error.advice for error, _ in owner.silences)
    assert [line["event"] for line in logged] == ["failed_poll"]


async def test_a_source_that_never_ends_is_given_up_on(clock: FakeClock) -> None:
    """Its deadline is the source's to keep; the watch keeps it for those that do not."""
    source = Script(clock, answers)
    source.takes_s = 1e9
    owner = Owner(source, clock)
    async with running(owner):
        await clock.advance(12.0)

    assert source.deadlines[0] == 105.0
    assert [at for _, at in owner.silences] == [106.0]
    assert source.polled_at == [100.0, 110.0]


async def test_a_pace_of_nothing_does_not_spin(clock: FakeClock) -> None:
    """A zero, as for a poll that confirms, still leaves the loop to others in between."""
    source = Script(clock, answers)
    async with running(Owner(source, clock, pace_s=0.0)):
        await clock.advance(0.1)

    assert 2 <= len(source.polled_at) <= 21


# With a real unit


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[Snmpd]:
    with Snmpd(tmp_path / "unit") as started:
        yield started


@pytest.mark.peer
async def test_a_real_unit_is_watched_through_mains_silence_and_battery(unit: Snmpd) -> None:
    """net-snmp's agent, version 3: three pictures of one outage, each as soon as asked for."""
    hub, clock = SnmpHub(), LoopClock()
    peer = hub.peer("127.0.0.1", as_user(unit, timeout="0.2s"))
    owner = Owner(SnmpSource(peer, unit="cabinet", clock=clock), clock, pace_s=60.0)

    async def next_poll() -> None:
        owner.heard.clear()
        owner.watch.hasten()
        await asyncio.wait_for(owner.heard.wait(), 10.0)

    async with running(owner):
        await asyncio.wait_for(owner.heard.wait(), 10.0)
        unit.freeze()
        await next_poll()
        unit.thaw()
        unit.put(ON_BATTERY)
        await next_poll()
    hub.close()

    assert [reading.output_source for reading in owner.readings] == [
        OutputSource.NORMAL,
        OutputSource.BATTERY,
    ]
    assert [error.trouble for error, _ in owner.silences] == [UnitTrouble.SILENT]
