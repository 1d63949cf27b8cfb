"""The conformance checks catch what they are for: a driver with one sin fails the check of it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from enum import StrEnum

import pytest

from drivers import conformance
from drivers.base import Act, Outcome, Repeat, Verdict
from drivers.conformance import CHECKS, PEER_CHECKS, Case, Check, Peer, Target


class Sin(StrEnum):
    NONE = "none"
    RAISES = "raises past its door"
    HANGS = "ignores the deadline"
    STRETCHES = "counts the deadline from the last byte"
    BELIEVES = "takes any reply for a yes"
    BELIEVES_SILENCE = "takes silence for a yes"
    BEGINS_LATE = "sends after its deadline"
    SWALLOWS = "swallows cancellation"
    LEAKS_SOCKET = "leaves its connection open"
    DOES_ALL = "does acts that it does not declare"
    TELLS = "shows its secret"
    SHOWS = "shows its secret in its repr"
    REHEARSES_LIVE = "sends in a dry run"
    MISDESCRIBES = "sends other than it describes"
    CLOSES_ONCE = "cannot be closed twice"
    ONE_READ = "takes the first packet for the whole reply"
    ONE_AT_A_TIME = "lets one hung device delay the others"
    NO_EVIDENCE = "gives no evidence"


_shared = asyncio.Lock()


class LineDriver:
    """Says "stop" and a password to a device that answers "ok", each on a line."""

    def __init__(self, target: Target, sin: Sin) -> None:
        self._target = target
        self._sin = sin
        self._sent: list[str] = []
        self._kept: list[asyncio.StreamWriter] = []
        self._is_closed = False

    def __repr__(self) -> str:
        return f"LineDriver({self._target.secret if self._sin is Sin.SHOWS else '***'})"

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        return {Act.STOP: Repeat.SAFE}

    async def close(self) -> None:
        assert not (self._sin is Sin.CLOSES_ONCE and self._is_closed)
        self._is_closed = True
        for writer in self._kept:
            writer.close()
            with suppress(OSError):
                await writer.wait_closed()

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        began_at = asyncio.get_running_loop().time()
        self._sent = []
        if act is not Act.STOP and self._sin is not Sin.DOES_ALL:
            return Outcome(act, Verdict.REFUSED, "cannot")
        try:
            verdict = await self._stop(deadline_at)
        except ConnectionRefusedError:
            if self._sin is Sin.RAISES:
                raise
            verdict = Verdict.NO_ANSWER
        except OSError:
            verdict = Verdict.UNCERTAIN if self._sent else Verdict.NO_ANSWER
            if self._sin is Sin.BELIEVES_SILENCE:
                verdict = Verdict.DONE
        except asyncio.CancelledError:
            if self._sin is not Sin.SWALLOWS:
                raise
            verdict = Verdict.NO_ANSWER
        evidence = {
            Sin.TELLS: f"said {self._target.secret}",
            Sin.NO_EVIDENCE: "",
        }.get(self._sin, f"it ended as {verdict}")
        took_s = asyncio.get_running_loop().time() - began_at
        return Outcome(act, verdict, evidence, sent=tuple(self._sent), took_s=took_s)

    async def _stop(self, deadline_at: float) -> Verdict:
        loop = asyncio.get_running_loop()
        if self._target.dry_run and self._sin is not Sin.REHEARSES_LIVE:
            self._sent.append("halt" if self._sin is Sin.MISDESCRIBES else "stop ***")
            return Verdict.ASSUMED
        if loop.time() >= deadline_at and self._sin is not Sin.BEGINS_LATE:
            return Verdict.NO_ANSWER
        end_at = deadline_at + (9.0 if self._sin in (Sin.HANGS, Sin.BEGINS_LATE) else 0.0)
        async with asyncio.timeout_at(end_at) as limit:
            if self._sin is Sin.ONE_AT_A_TIME:
                async with _shared:
                    return await self._converse(limit)
            return await self._converse(limit)

    async def _converse(self, limit: asyncio.Timeout) -> Verdict:
        reader, writer = await asyncio.open_connection(self._target.address, self._target.port)
        try:
            writer.write(f"stop {self._target.secret}\n".encode())
            self._sent.append("stop ***")
            if self._sin is Sin.ONE_READ:
                reply = await reader.read(100)
            else:
                reply = await self._line(reader, limit)
        finally:
            if self._sin is Sin.LEAKS_SOCKET:
                self._kept.append(writer)
            else:
                writer.close()
        if self._target.dry_run:
            return Verdict.ASSUMED
        if reply == b"ok\n" or self._sin is Sin.BELIEVES:
            return Verdict.DONE
        return Verdict.GARBLED if reply else Verdict.UNCERTAIN

    async def _line(self, reader: asyncio.StreamReader, limit: asyncio.Timeout) -> bytes:
        reply = b""
        while not reply.endswith(b"\n") and (byte := await reader.read(1)):
            reply += byte
            if self._sin is Sin.STRETCHES:
                limit.reschedule(asyncio.get_running_loop().time() + 2.0)
        return reply


@asynccontextmanager
async def obedient_device(sin: Sin) -> AsyncIterator[Peer]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if await reader.readline():
            writer.write(b"ok\n")
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    address, port = server.sockets[0].getsockname()
    try:
        yield Peer(address, port, lambda target: LineDriver(target, sin))
    finally:
        server.close()
        await server.wait_closed()


def case_of(sin: Sin) -> Case:
    return Case(
        lambda target: LineDriver(target, sin),
        greeting=b"o",
        peer=lambda: obedient_device(sin),
    )


def _name(check: object) -> str:
    return getattr(check, "__name__", "")


@pytest.mark.parametrize("check", (*CHECKS, *PEER_CHECKS), ids=_name)
async def test_sound_driver_passes(check: Check) -> None:
    """A check that fails a sound driver would be switched off by whoever wrote it."""
    await check(case_of(Sin.NONE))


@pytest.mark.parametrize(
    ("sin", "check"),
    [
        (Sin.RAISES, conformance.check_refused_connection_is_an_outcome),
        (Sin.HANGS, conformance.check_silence_is_an_outcome),
        (Sin.HANGS, conformance.check_unanswered_connection_is_an_outcome),
        (Sin.HANGS, conformance.check_stalled_reply_ends_at_the_deadline),
        (Sin.STRETCHES, conformance.check_endless_reply_ends_at_the_deadline),
        (Sin.BELIEVES, conformance.check_garbage_is_an_outcome),
        (Sin.BELIEVES_SILENCE, conformance.check_silence_is_an_outcome),
        (Sin.BELIEVES_SILENCE, conformance.check_unanswered_connection_is_an_outcome),
        (Sin.BELIEVES_SILENCE, conformance.check_reset_is_an_outcome),
        (Sin.BELIEVES_SILENCE, conformance.check_close_in_mid_act_is_quick),
        (Sin.BEGINS_LATE, conformance.check_past_deadline_sends_nothing),
        (Sin.SWALLOWS, conformance.check_cancellation_passes_through),
        (Sin.LEAKS_SOCKET, conformance.check_silence_is_an_outcome),
        (Sin.NO_EVIDENCE, conformance.check_same_act_twice),
        (Sin.DOES_ALL, conformance.check_acts_are_declared),
        (Sin.ONE_AT_A_TIME, conformance.check_hung_device_delays_no_other),
        (Sin.TELLS, conformance.check_secret_is_never_shown),
        (Sin.SHOWS, conformance.check_secret_is_never_shown),
        (Sin.REHEARSES_LIVE, conformance.check_dry_run_sends_nothing),
        (Sin.MISDESCRIBES, conformance.check_sent_is_what_was_described),
        (Sin.MISDESCRIBES, conformance.check_device_is_understood),
        (Sin.CLOSES_ONCE, conformance.check_close_can_be_repeated),
        (Sin.ONE_READ, conformance.check_reply_in_pieces_is_understood),
    ],
    ids=lambda value: value.value if isinstance(value, Sin) else _name(value),
)
async def test_sinful_driver_is_caught(sin: Sin, check: Check) -> None:
    """A check that nothing fails proves nothing."""
    with pytest.raises((AssertionError, ConnectionRefusedError)):
        await check(case_of(sin))
