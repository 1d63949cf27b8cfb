"""Checks that every driver passes, whoever wrote it; they ship with the drivers and need no pytest.

A `Case` says how a driver of a kind is built for an address and a port. Each of CHECKS takes it,
puts a small hostile server on loopback (mute, refusing, garbage, endless, …), and raises
AssertionError where the driver does not hold what `drivers.base` promises. PEER_CHECKS want a
well-behaved device besides, for cases that bring one. Awaited within a test of any framework::

    @pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
    async def test_driver_conforms(check: Check) -> None:
        await check(CASE)
"""

from __future__ import annotations

import asyncio
import base64
import io
import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import (
    AbstractAsyncContextManager,
    AsyncExitStack,
    asynccontextmanager,
    redirect_stderr,
    redirect_stdout,
    suppress,
)
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from enum import StrEnum
from urllib.parse import quote

from drivers.base import Act, Clock, Driver, Outcome, Remembering, Repeat, Verdict
from drivers.conformance_servers import (
    Behaviour,
    Server,
    dribble,
    each_twice,
    garbage,
    in_bytes,
    listening_for_anything,
    mute,
    nobody,
    nobody_for_datagrams,
    reset,
    serving,
    serving_datagrams,
    stalling,
    unanswering,
)

OVERRUN_S = 0.25
"""How much later than its deadline an act may return."""

LIMIT_S = 0.5
"""Deadline that most checks give an act; long enough to connect and send on any machine."""

SECRET = "planted/Kx7+vQ2ZrT"
"""Planted as every credential of a driver; must turn up nowhere."""

_OUT_OF_TIME_S = 20.0
_CLOSES_WITHIN_S = 1.0


class LoopClock:
    """The running loop's own time, as drivers see it under the checks."""

    def monotonic(self) -> float:
        """Return the loop's time, in s."""
        return asyncio.get_running_loop().time()

    def utc(self) -> datetime:
        """Return the wall time."""
        return datetime.now(UTC)

    async def sleep(self, seconds: float) -> None:
        """Return after *seconds*."""
        await asyncio.sleep(max(0.0, seconds))


class Hears(StrEnum):
    """What tells a driver that it has reached its device."""

    REPLY = "reply"  # an answer in its own language
    DATAGRAM = "datagram"  # the same, over UDP
    CONNECTION = "connection"  # that a connection is taken
    NOTHING = "nothing"  # it only sends: datagrams, say


@dataclass(frozen=True, slots=True)
class Target:
    """What a driver is to be built for.

    Attributes:
        secret: to be used as every password, token and passphrase that the driver takes.
    """

    address: str
    port: int
    clock: Clock = field(default_factory=LoopClock)
    dry_run: bool = False
    secret: str = field(default=SECRET, repr=False)


Make = Callable[[Target], Driver]


@dataclass(frozen=True, slots=True)
class Peer:
    """A well-behaved device on loopback, and how a driver is built that it lets in."""

    address: str
    port: int
    make: Make


@dataclass(frozen=True, slots=True)
class Case:
    """How a kind of driver is put to the checks.

    Attributes:
        make: builds a driver that can do *act*, without I/O.
        act: the act that is tried; one that sends something, where the driver has one.
        greeting: how a device of this kind begins its answer; the stalling server says only this.
        peer: opens a well-behaved device; None = PEER_CHECKS do not apply.
    """

    make: Make
    act: Act = Act.STOP
    hears: Hears = Hears.REPLY
    greeting: bytes = b""
    peer: Callable[[], AbstractAsyncContextManager[Peer]] | None = None


Check = Callable[[Case], Awaitable[None]]

# Performing under watch.


async def _perform(driver: Driver, act: Act, *, limit_s: float = LIMIT_S) -> Outcome:
    """Perform *act*; assert what holds for each outcome, whatever came of it."""
    loop = asyncio.get_running_loop()
    began_at = loop.time()
    try:
        async with asyncio.timeout(max(0.0, limit_s) + 2 * OVERRUN_S):
            outcome = await driver.perform(act, deadline_at=began_at + limit_s)
    except TimeoutError:
        raise AssertionError(
            f"{act} did not end by its deadline, {limit_s} s from its call"
        ) from None
    took_s = loop.time() - began_at
    assert took_s <= max(0.0, limit_s) + OVERRUN_S, f"{act}: {took_s:.2f} s for {limit_s} s"
    assert outcome.act is act, f"the outcome of {act} says {outcome.act}"
    assert outcome.evidence.strip(), f"{act} gave {outcome.verdict} without evidence"
    assert "\n" not in outcome.evidence, "evidence is one line"
    assert 0.0 <= outcome.took_s <= took_s + 0.05, f"took_s says {outcome.took_s}, not {took_s}"
    return outcome


@asynccontextmanager
async def _built(make: Make, target: Target) -> AsyncIterator[Driver]:
    """Build a driver, and close it whatever comes."""
    driver = make(target)
    try:
        yield driver
    finally:
        await driver.close()


@asynccontextmanager
async def _facing(
    case: Case, opening: AbstractAsyncContextManager[Server], *, dry_run: bool = False
) -> AsyncIterator[tuple[Server, Driver]]:
    """Open a server, and build the case's driver for it; all of it within bounds."""
    async with asyncio.timeout(_OUT_OF_TIME_S), opening as server:
        target = Target(server.address, server.port, dry_run=dry_run)
        async with _built(case.make, target) as driver:
            yield server, driver


async def _against(
    case: Case, opening: AbstractAsyncContextManager[Server], *allowed: Verdict
) -> None:
    """Perform the case's act against a server; assert the verdict and that nothing is left open."""
    async with _facing(case, opening) as (server, driver):
        outcome = await _perform(driver, case.act)
        assert outcome.verdict in allowed, f"{outcome.verdict} ({outcome.evidence}), not {allowed}"
        assert await server.all_closed(), "the act left its connection open"


_NOT_HEARD = (Verdict.NO_ANSWER, Verdict.UNCERTAIN)
_NOT_UNDERSTOOD = (Verdict.GARBLED, *_NOT_HEARD)


def _allowed(case: Case, *, if_reply: tuple[Verdict, ...]) -> tuple[Verdict, ...]:
    """What may come of a server that takes connections but does not answer as it should."""
    return if_reply if case.hears in _REPLIES else (Verdict.DONE,)


_REPLIES = (Hears.REPLY, Hears.DATAGRAM)


def _serving(case: Case, behave: Behaviour) -> AbstractAsyncContextManager[Server]:
    """Return a server of the case's transport."""
    return serving_datagrams(behave) if case.hears is Hears.DATAGRAM else serving(behave)


def _nobody(case: Case) -> AbstractAsyncContextManager[Server]:
    return nobody_for_datagrams() if case.hears is Hears.DATAGRAM else nobody()


def _hanging(case: Case) -> AbstractAsyncContextManager[Server]:
    """Return the server that the case's act hangs on."""
    return unanswering() if case.hears is Hears.CONNECTION else _serving(case, mute)


# The checks.


async def check_silence_is_an_outcome(case: Case) -> None:
    """A device that takes the connection and says nothing is no answer; nothing is raised."""
    await _against(case, _serving(case, mute), *_allowed(case, if_reply=_NOT_HEARD))


async def check_unanswered_connection_is_an_outcome(case: Case) -> None:
    """A device that does not even take the connection is no answer."""
    is_deaf = case.hears is Hears.NOTHING
    await _against(case, unanswering(), Verdict.DONE if is_deaf else Verdict.NO_ANSWER)


async def check_refused_connection_is_an_outcome(case: Case) -> None:
    """A port that refuses is no answer, at once: trying again can help."""
    is_deaf = case.hears is Hears.NOTHING
    await _against(case, _nobody(case), Verdict.DONE if is_deaf else Verdict.NO_ANSWER)


async def check_garbage_is_an_outcome(case: Case) -> None:
    """What is not this language is garbled, or uncertain where something was sent before."""
    garbled = (Verdict.GARBLED, Verdict.UNCERTAIN)
    await _against(case, _serving(case, garbage), *_allowed(case, if_reply=garbled))


async def check_endless_reply_ends_at_the_deadline(case: Case) -> None:
    """A byte now and then, for ever, does not stretch the deadline."""
    await _against(case, _serving(case, dribble), *_allowed(case, if_reply=_NOT_UNDERSTOOD))


async def check_stalled_reply_ends_at_the_deadline(case: Case) -> None:
    """A peer that begins well and then is gone, with no word to say so, is not waited for."""
    await _against(
        case, _serving(case, stalling(case.greeting)), *_allowed(case, if_reply=_NOT_UNDERSTOOD)
    )


async def check_reset_is_an_outcome(case: Case) -> None:
    """A connection reset in the middle is an outcome."""
    if case.hears is not Hears.DATAGRAM:  # which has nothing to reset
        await _against(case, serving(reset), *_allowed(case, if_reply=_NOT_UNDERSTOOD))


async def check_past_deadline_sends_nothing(case: Case) -> None:
    """An act that comes too late is not begun."""
    async with _facing(case, listening_for_anything()) as (server, driver):
        outcome = await _perform(driver, case.act, limit_s=-1.0)
        await asyncio.sleep(0.1)

        assert outcome.verdict is not Verdict.DONE
        assert not server.taken, "it was sent after its deadline"


async def check_cancellation_passes_through(case: Case) -> None:
    """Cancelled in mid-act, it raises CancelledError at once and lets go of the connection."""
    async with _facing(case, _hanging(case)) as (server, driver):
        loop = asyncio.get_running_loop()
        task = asyncio.create_task(driver.perform(case.act, deadline_at=loop.time() + 10.0))
        with suppress(TimeoutError):
            await asyncio.wait_for(server.came.wait(), 0.2)
        task.cancel()
        cancelled_at = loop.time()
        await asyncio.wait({task})

        assert task.cancelled() or case.hears is Hears.NOTHING, "cancellation was swallowed"
        assert loop.time() - cancelled_at <= OVERRUN_S, "cancellation was slow"
        assert await server.all_closed(), "a cancelled act left its connection open"


async def check_same_act_twice(case: Case) -> None:
    """A second time, and two at a time, an act ends as the first did."""
    async with _facing(case, _nobody(case)) as (_, driver):
        first = await _perform(driver, case.act)
        second = await _perform(driver, case.act)
        pair = await asyncio.gather(*(_perform(driver, case.act) for _ in range(2)))

        assert {o.verdict for o in (second, *pair)} == {first.verdict}
        assert second.sent == first.sent


async def check_acts_are_declared(case: Case) -> None:
    """What it can do is declared; the rest is refused, and nothing is sent for it."""
    async with _facing(case, listening_for_anything()) as (server, driver):
        acts = driver.acts
        assert case.act in acts, f"the case tries {case.act}, which the driver does not declare"
        assert all(isinstance(repeat, Repeat) for repeat in acts.values())
        for act in set(Act) - set(acts):
            outcome = await _perform(driver, act)
            assert outcome.verdict is Verdict.REFUSED, f"{act} is not declared but {outcome}"
        await asyncio.sleep(0.05)

        assert not server.taken, "something was sent for an act that is not declared"


async def check_hung_device_delays_no_other(case: Case) -> None:
    """Eight hung conversations leave the ninth as quick as it is alone."""
    async with AsyncExitStack() as stack:
        _, free = await stack.enter_async_context(_facing(case, _nobody(case)))
        alone = await _perform(free, case.act)
        hung, first = await stack.enter_async_context(_facing(case, _hanging(case)))
        target = Target(hung.address, hung.port)
        more = [await stack.enter_async_context(_built(case.make, target)) for _ in range(7)]
        hanging = [
            asyncio.create_task(_perform(driver, case.act, limit_s=2.0))
            for driver in (first, *more)
        ]
        await asyncio.sleep(0.1)
        beside = await _perform(free, case.act)
        await asyncio.gather(*hanging)

        assert beside.took_s <= alone.took_s + OVERRUN_S, "hung devices held up another one"


async def check_secret_is_never_shown(case: Case) -> None:
    """A planted secret is in no outcome, log, `repr` or output, also if the device repeats it."""
    records = _Records()
    root = logging.getLogger()
    level = root.level
    root.addHandler(records)
    root.setLevel(logging.DEBUG)
    printed = io.StringIO()
    shown: list[str] = []
    try:
        with redirect_stdout(printed), redirect_stderr(printed):
            for behave in (mute, garbage, _echoing_secret, stalling(case.greeting)):
                for dry_run in (False, True):
                    async with _facing(case, _serving(case, behave), dry_run=dry_run) as (
                        _,
                        driver,
                    ):
                        for act in driver.acts:
                            shown.append(repr(await _perform(driver, act, limit_s=0.3)))
                        shown += [repr(driver), *map(repr, getattr(driver, "__dict__", {}).items())]
    finally:
        root.removeHandler(records)
        root.setLevel(level)
    shown += [printed.getvalue(), *records.texts]
    for form in _forms(SECRET):
        assert not any(form in text for text in shown), f"the secret is shown, as {form!r}"


class _Records(logging.Handler):
    """Keeps what is logged."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the text of a record."""
        self.texts.append(self.format(record))


async def _echoing_secret(writer: asyncio.StreamWriter) -> None:
    """Be a device that repeats the secret, in clear and as HTTP Basic does, in its refusal."""
    basic = base64.b64encode(f"watch:{SECRET}".encode())
    writer.write(b"401 denied: " + SECRET.encode() + b" " + basic + b"\r\n\r\n")
    await writer.drain()
    writer.write_eof()


def _forms(secret: str) -> set[str]:
    """Return how a secret may look: plain, quoted, hex, and base64 wherever it begins."""
    raw = secret.encode()
    in_base64 = {
        # The ends depend on what stands beside it, so they are left off.
        base64.b64encode(b"\0" * shift + raw).decode()[4 if shift else 0 : -4]
        for shift in range(3)
    }
    return {secret, quote(secret), quote(secret, safe=""), raw.hex(), *in_base64}


async def check_dry_run_sends_nothing(case: Case) -> None:
    """A rehearsal touches nothing, says what would be sent, and ends as assumed."""
    async with _facing(case, listening_for_anything(), dry_run=True) as (server, driver):
        for act in driver.acts:
            outcome = await _perform(driver, act)
            assert outcome.verdict is Verdict.ASSUMED, f"dry {act} ended as {outcome.verdict}"
            assert outcome.sent, f"dry {act} does not say what it would send"
        await asyncio.sleep(0.1)

        assert not server.taken, "a dry run reached the device"


async def check_sent_is_what_was_described(case: Case) -> None:
    """As far as a conversation came, it sent what the dry run said, line by line."""
    behave = garbage if case.hears in _REPLIES else mute
    async with _facing(case, _serving(case, behave)) as (server, driver):
        described = await _described(case.make, Target(server.address, server.port), case.act)
        sent = (await _perform(driver, case.act)).sent

        assert sent == described[: len(sent)]
        assert case.hears in _REPLIES or sent == described


async def _described(make: Make, target: Target, act: Act) -> tuple[str, ...]:
    async with _built(make, replace(target, dry_run=True)) as driver:
        return (await _perform(driver, act)).sent


async def check_close_can_be_repeated(case: Case) -> None:
    """Closing, before any act, twice, or after one, is quick and raises nothing."""
    for acts in ((), (case.act,)):
        async with _facing(case, _nobody(case)) as (_, driver):
            for act in acts:
                await _perform(driver, act)
            for _ in range(2):
                async with asyncio.timeout(_CLOSES_WITHIN_S):
                    await driver.close()


async def check_close_in_mid_act_is_quick(case: Case) -> None:
    """Closing while an act hangs returns within a second; the act still ends by its deadline."""
    async with _facing(case, _hanging(case)) as (_, driver):
        task = asyncio.create_task(_perform(driver, case.act, limit_s=1.5))
        await asyncio.sleep(0.1)
        async with asyncio.timeout(_CLOSES_WITHIN_S):
            await driver.close()

        outcome = await task
        assert case.hears is Hears.NOTHING or outcome.verdict is not Verdict.DONE


CHECKS: tuple[Check, ...] = (
    check_silence_is_an_outcome,
    check_unanswered_connection_is_an_outcome,
    check_refused_connection_is_an_outcome,
    check_garbage_is_an_outcome,
    check_endless_reply_ends_at_the_deadline,
    check_stalled_reply_ends_at_the_deadline,
    check_reset_is_an_outcome,
    check_past_deadline_sends_nothing,
    check_cancellation_passes_through,
    check_same_act_twice,
    check_acts_are_declared,
    check_hung_device_delays_no_other,
    check_secret_is_never_shown,
    check_dry_run_sends_nothing,
    check_sent_is_what_was_described,
    check_close_can_be_repeated,
    check_close_in_mid_act_is_quick,
)


# With a well-behaved device.


async def check_device_is_understood(case: Case) -> None:
    """The act is done at a well-behaved device, and sends exactly what the dry run said."""
    async with asyncio.timeout(_OUT_OF_TIME_S), _peer(case) as peer:
        target = Target(peer.address, peer.port)
        described = await _described(peer.make, target, case.act)
        async with _built(peer.make, target) as driver:
            outcome = await _perform(driver, case.act, limit_s=10.0)

            assert outcome.verdict is Verdict.DONE, outcome.evidence
            assert outcome.sent == described


async def check_reply_in_pieces_is_understood(case: Case) -> None:
    """The same device, its answers coming byte by byte, or as datagrams twice, is understood."""
    async with (
        asyncio.timeout(_OUT_OF_TIME_S),
        _peer(case) as peer,
        _relay(case)(peer.address, peer.port) as relay,
        _built(peer.make, Target(relay.address, relay.port)) as driver,
    ):
        outcome = await _perform(driver, case.act, limit_s=10.0)

        assert outcome.verdict is Verdict.DONE, outcome.evidence
        assert relay.taken, "the driver went past the relay"


async def check_what_was_changed_is_put_back(case: Case) -> None:
    """What a driver remembers before it changes it is, once undone, exactly that again."""
    async with (
        asyncio.timeout(_OUT_OF_TIME_S),
        _peer(case) as peer,
        _built(peer.make, Target(peer.address, peer.port)) as driver,
    ):
        if Act.REMEMBER not in driver.acts:
            return
        assert isinstance(driver, Remembering), "what it remembers cannot be given back to it"
        undo = Act.RESTORE if case.act is Act.QUIESCE else Act.START
        before = await _perform(driver, Act.REMEMBER, limit_s=10.0)
        changed = await _perform(driver, case.act, limit_s=10.0)
        after = await _perform(driver, Act.REMEMBER, limit_s=10.0)
        driver.recall(before.was)
        undone = await _perform(driver, undo, limit_s=10.0)
        again = await _perform(driver, Act.REMEMBER, limit_s=10.0)

        assert before.was and changed.verdict is Verdict.DONE, changed.evidence
        assert after.was != before.was, "it changed nothing that it remembers"
        assert undone.verdict is Verdict.DONE, undone.evidence
        assert again.was == before.was


def _relay(case: Case) -> Callable[[str, int], AbstractAsyncContextManager[Server]]:
    return each_twice if case.hears is Hears.DATAGRAM else in_bytes


PEER_CHECKS: tuple[Check, ...] = (
    check_device_is_understood,
    check_reply_in_pieces_is_understood,
    check_what_was_changed_is_put_back,
)


def _peer(case: Case) -> AbstractAsyncContextManager[Peer]:
    assert case.peer is not None, "this case has no well-behaved device"
    return case.peer()
