import asyncio
import itertools
import random
import socket
import threading
import time
from collections.abc import Coroutine, Iterator, Mapping
from fractions import Fraction
from typing import Any

import pytest

from agent.clock import LoopClock
from agent.units.source import UnitIdentity
from agent.virtual.pace import (
    PacedLoop,
    PacedSource,
    Ready,
    SpedUpPace,
    paced_drivers,
    real_pace,
)
from drivers.base import Act, Outcome, Repeat, Stage, Verdict
from policies.model import Reading


class HandDriven:
    """A real clock that a test moves by hand."""

    def __init__(self, at: float = 1000.0) -> None:
        self.at = at

    def __call__(self) -> float:
        return self.at


def run_paced(main: Coroutine[Any, Any, Any], *, factor: float = 60.0) -> float:
    """Run *main* on a paced loop and return the real seconds that it took."""
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(factor))) as runner:
        began = time.monotonic()
        runner.run(main)
        return time.monotonic() - began


@pytest.fixture
def slow_peer() -> Iterator[tuple[str, int]]:
    """A real server in a thread that takes 50 ms of real time over each answer."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with peer:
                time.sleep(0.05)
                peer.sendall(b"here\n")

    threading.Thread(target=serve, daemon=True).start()
    yield listener.getsockname()
    listener.shutdown(socket.SHUT_RDWR)
    listener.close()


async def ask(peer: tuple[str, int]) -> bytes:
    reader, writer = await asyncio.open_connection(*peer)
    try:
        async with asyncio.timeout(1.0):
            return await reader.readline()
    finally:
        writer.close()


def test_an_hour_of_the_site_passes_in_a_minute() -> None:
    """The demo would last as long as the outage that it shows."""
    real = HandDriven()
    pace = SpedUpPace(60.0, real=real)
    began = pace.now()

    real.at += 60.0

    assert pace.now() - began == 3600.0


def test_a_conversation_is_judged_in_real_seconds() -> None:
    """A handshake of 0.4 s would be taken for one of 24 s, and time out."""
    real = HandDriven()
    pace = SpedUpPace(60.0, real=real)
    began = pace.now()

    with pace.at_real_pace():
        real.at += 0.5
    real.at += 1.0

    assert pace.now() - began == 60.5


def test_time_stays_slow_until_the_last_conversation_ends() -> None:
    """The first of two devices to finish would rush the other's handshake."""
    real = HandDriven()
    pace = SpedUpPace(60.0, real=real)
    began = pace.now()

    with pace.at_real_pace():
        with pace.at_real_pace():
            real.at += 1.0
        real.at += 1.0

    assert pace.now() - began == 2.0


def test_a_conversation_that_only_waits_lets_time_hurry() -> None:
    """A driver that watches a device go off for a minute would take a real minute."""
    real = HandDriven()
    pace = SpedUpPace(60.0, real=real)
    began = pace.now()

    with pace.at_real_pace():
        real.at += 1.0
        with pace.resting():
            real.at += 1.0
        real.at += 1.0

    assert pace.now() - began == 62.0
    assert pace.rate == 60.0


def test_one_that_waits_does_not_rush_another_that_talks() -> None:
    """Two devices are told at once: one's waiting must not cost the other its handshake."""
    pace = SpedUpPace(60.0, real=HandDriven())
    seen: list[float] = []

    async def wait(talking: asyncio.Event, waiting: asyncio.Event) -> None:
        with pace.at_real_pace(), pace.resting():
            waiting.set()
            await talking.wait()

    async def talk(talking: asyncio.Event, waiting: asyncio.Event) -> None:
        await waiting.wait()
        seen.append(pace.rate)
        with pace.at_real_pace():
            seen.append(pace.rate)
            talking.set()
            await asyncio.sleep(0)
        seen.append(pace.rate)

    async def both() -> None:
        events = asyncio.Event(), asyncio.Event()
        await asyncio.gather(wait(*events), talk(*events))

    asyncio.run(both())
    assert seen == [60.0, 1.0, 60.0]


def test_resting_outside_any_conversation_changes_nothing() -> None:
    """The clock's every sleep would upset the count of those who talk."""
    pace = SpedUpPace(60.0, real=HandDriven())

    with pace.resting():
        outside = pace.rate
    with pace.at_real_pace():
        inside = pace.rate

    assert (outside, inside, pace.rate) == (60.0, 1.0, 60.0)


def test_a_task_that_outlives_the_conversation_it_came_from_holds_nothing() -> None:
    """A driver's forgotten task would leave the site at real pace for ever."""
    pace = SpedUpPace(60.0, real=HandDriven())

    async def linger(go: asyncio.Event) -> None:
        with pace.resting():
            await go.wait()

    async def main() -> tuple[float, float]:
        go = asyncio.Event()
        with pace.at_real_pace():
            task = asyncio.create_task(linger(go))
            await asyncio.sleep(0)
        after = pace.rate
        go.set()
        await task
        return after, pace.rate

    assert asyncio.run(main()) == (60.0, 60.0)


def test_a_conversation_that_fails_lets_time_go_again() -> None:
    """One refused login would leave the rest of the demo at real pace."""
    pace = SpedUpPace(60.0, real=HandDriven())

    with pytest.raises(ConnectionError), pace.at_real_pace():
        raise ConnectionError

    assert pace.rate == 60.0


def test_no_second_is_lost_or_gained_over_many_changes_of_pace() -> None:
    """Each poll would shift the battery's clock against the real one; exact sum as the oracle."""
    draw = random.Random(4)
    real = HandDriven()
    pace = SpedUpPace(60.0, real=real)
    began, exact = pace.now(), Fraction(0)
    for _ in range(20_000):
        before = pace.now()
        step = draw.uniform(0.0, 0.01)
        was, real.at = real.at, real.at + step
        exact += (Fraction(real.at) - Fraction(was)) * 60
        with pace.at_real_pace():
            step = draw.uniform(0.0, 0.01)
            was, real.at = real.at, real.at + step
            exact += Fraction(real.at) - Fraction(was)
        assert pace.now() >= before

    assert pace.now() - began == pytest.approx(float(exact), abs=1e-6)


def test_time_never_runs_backwards_while_threads_change_its_pace() -> None:
    """A timer would fire twice, or a deadline come back, when an SSH thread ends its talk."""
    pace = SpedUpPace(60.0)
    ends_at = time.monotonic() + 0.3

    def talk() -> None:
        while time.monotonic() < ends_at:
            with pace.at_real_pace():
                pace.now()

    talkers = [threading.Thread(target=talk) for _ in range(3)]
    for talker in talkers:
        talker.start()
    seen = []
    while time.monotonic() < ends_at:
        seen.append(pace.now())
    for talker in talkers:
        talker.join()

    assert len(seen) > 100
    assert all(a <= b for a, b in itertools.pairwise(seen))


def test_slower_than_real_is_refused() -> None:
    """A factor of nought would stop the demo's clock without a word."""
    with pytest.raises(ValueError, match="factor of 1 or more"):
        SpedUpPace(0.0)


def test_sockets_are_waited_for_in_real_seconds() -> None:
    """The loop would sleep sixty times too long, and every timer come late."""
    waited: list[float | None] = []

    def select(timeout: float | None) -> Ready:
        waited.append(timeout)
        return []

    pace = SpedUpPace(60.0, real=HandDriven())
    pace.wait(select, 90.0)
    pace.wait(select, None)
    pace.wait(select, 0.0)
    with pace.at_real_pace():
        pace.wait(select, 90.0)

    assert waited == [1.5, None, 0.0, 90.0]


def test_timers_of_the_loop_hurry() -> None:
    """Sixty virtual seconds must cost one real second (six of them a tenth), no more, no less."""
    took_s = run_paced(asyncio.sleep(12.0))

    assert 0.19 <= took_s < 2.0


def test_timers_of_the_loop_slow_down_in_a_conversation() -> None:
    """A time-out inside a conversation would strike after a sixtieth of its time."""

    async def converse() -> None:
        with real_pace():
            await asyncio.sleep(0.2)

    assert run_paced(converse()) >= 0.2


def test_a_real_peer_meets_its_time_out_only_at_real_pace(slow_peer: tuple[str, int]) -> None:
    """Without the slower pace, a healthy device would be reported as silent."""
    run_paced(_expect_silence(slow_peer))
    run_paced(_expect_answer(slow_peer))


async def _expect_silence(peer: tuple[str, int]) -> None:
    with pytest.raises(TimeoutError):
        await ask(peer)


async def _expect_answer(peer: tuple[str, int]) -> None:
    with real_pace():
        assert await ask(peer) == b"here\n"


def test_a_thread_that_ends_its_talk_wakes_the_loop() -> None:
    """The loop would sleep on at the slow pace that it began with: 12 s instead of 0.2 s."""
    with asyncio.Runner(loop_factory=PacedLoop) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, PacedLoop)
        held = threading.Event()
        asleep = threading.Event()

        def talk() -> None:
            with loop.at_real_pace():
                held.set()
                asleep.wait(2.0)
                time.sleep(0.05)

        async def doze() -> None:
            talker = threading.Thread(target=talk)
            talker.start()
            held.wait(2.0)
            loop.call_soon(asleep.set)
            await asyncio.sleep(12.0)
            talker.join()

        began = time.monotonic()
        runner.run(doze())

        assert time.monotonic() - began < 6.0


async def test_on_an_ordinary_loop_real_pace_changes_nothing() -> None:
    """The agent of a real site would need the virtual site's loop."""
    loop = asyncio.get_running_loop()
    with real_pace():
        began = loop.time()
        await asyncio.sleep(0.05)

    assert 0.05 <= loop.time() - began < 2.0


def test_a_closed_loop_lets_go_of_its_pace() -> None:
    """A pace shared by two loops would wake a dead one, and fail."""
    pace = SpedUpPace(60.0)
    loop = PacedLoop(pace)
    loop.close()
    loop.close()

    with pace.at_real_pace():
        pass

    assert loop.is_closed()


class WatchingDriver:
    """A driver that looks, waits a virtual minute by the agent's own clock, and looks again."""

    def __init__(self) -> None:
        self.rates: list[float] = []
        self.closed = 0
        self.acts: Mapping[Act, Repeat] = {Act.CONFIRM_GONE: Repeat.SAFE}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        clock, pace = LoopClock(), _pace()
        self.rates.append(pace.rate)
        waiting = asyncio.ensure_future(clock.sleep(60.0))
        await asyncio.sleep(0)
        self.rates.append(pace.rate)
        await waiting
        self.rates.append(pace.rate)
        return Outcome(act, Verdict.DONE, f"by {deadline_at:g}")

    async def close(self) -> None:
        self.closed += 1


def _pace() -> SpedUpPace:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, PacedLoop)
    return loop.pace


def test_a_paced_driver_talks_at_real_pace_and_waits_at_full() -> None:
    """The demo would either time out healthy devices, or last as long as their shutdowns."""
    inner = WatchingDriver()
    paced = paced_drivers({"PC": {Stage.STOP: inner, Stage.VERIFY: inner}})["PC"]

    async def act() -> None:
        outcome = await paced[Stage.STOP].perform(Act.CONFIRM_GONE, deadline_at=7.0)
        assert outcome.evidence == "by 7"
        await paced[Stage.STOP].close()

    took_s = run_paced(act())

    assert inner.rates == [1.0, 60.0, 1.0]
    assert 1.0 <= took_s < 20.0
    assert inner.closed == 1
    assert paced[Stage.STOP] is paced[Stage.VERIFY]
    assert paced[Stage.STOP].acts == inner.acts


class SlowSource:
    """A source that notes the pace at which it is asked."""

    def __init__(self) -> None:
        self.rates: list[float] = []

    async def read(self, *, deadline_at: float) -> Reading:
        self.rates.append(_pace().rate)
        return Reading("cabinet", at=deadline_at)

    async def identify(self, *, deadline_at: float) -> UnitIdentity:
        self.rates.append(_pace().rate)
        return UnitIdentity(name="cabinet")

    async def close(self) -> None:
        self.rates.append(0.0)


def test_a_paced_source_is_asked_at_real_pace() -> None:
    """A unit that answers in 20 ms would be taken for one that needs more than a second."""
    inner = SlowSource()

    async def read() -> None:
        paced = PacedSource(inner)
        assert (await paced.read(deadline_at=5.0)).at == 5.0
        assert (await paced.identify(deadline_at=5.0)).name == "cabinet"
        await paced.close()

    run_paced(read())

    assert inner.rates == [1.0, 1.0, 0.0]
