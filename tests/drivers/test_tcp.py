"""Whether a device is gone, judged by one of its ports: when silence counts, and when not."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import pytest
from pydantic import ValidationError

from agent.clock import LoopClock
from drivers.base import Act, Driver, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.tcp import KIND, TcpVerify
from tests.peers.sshd import free_port


def watch(port: int, *, address: str = "127.0.0.1", **table: object) -> Driver:
    """Return a driver that watches a port, impatiently."""
    settings = {"port": port, "settle": "0.4s", "interval": "0.1s", **table}
    return KIND.build(
        Fitting(
            device="gate recorder",
            address=address,
            access=KIND.access.model_validate({}),
            stages={Stage.VERIFY: KIND.stages[Stage.VERIFY].model_validate(settings)},
            clock=LoopClock(),
        )
    )


async def perform(driver: Driver, act: Act, *, within_s: float) -> Outcome:
    now = asyncio.get_running_loop().time()
    return await driver.perform(act, deadline_at=now + within_s)


@asynccontextmanager
async def device(port: int, address: str = "127.0.0.1") -> AsyncIterator[None]:
    """A device that takes connections at a port."""
    server = await asyncio.start_server(lambda _, writer: writer.close(), address, port)
    async with server:
        yield


@asynccontextmanager
async def silent_device() -> AsyncIterator[int]:
    """A port that neither takes nor refuses: on loopback only a full backlog is silent."""
    with socket.socket() as full, socket.socket() as first, socket.socket() as second:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        for filler in (first, second):
            filler.setblocking(False)
            with suppress(BlockingIOError):
                filler.connect(full.getsockname())
        yield full.getsockname()[1]


@pytest.mark.alone
async def test_device_that_answers_is_not_gone() -> None:
    """A stop that did not work must be seen as such, by the deadline."""
    port = free_port()
    async with device(port):
        outcome = await perform(watch(port), Act.CONFIRM_GONE, within_s=0.8)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.evidence == (
        f"127.0.0.1 port {port} took a connection at the last look: still there"
    )
    assert 0.75 <= outcome.took_s <= 1.05


@pytest.mark.alone
async def test_gone_only_after_the_whole_settling_time() -> None:
    """The network of a PC goes down before its last files are written."""
    port = free_port()
    outcome = await perform(watch(port), Act.CONFIRM_GONE, within_s=5.0)

    assert outcome.verdict is Verdict.DONE
    assert outcome.evidence == f"127.0.0.1 port {port} refused for 0 s: gone"
    assert 0.4 <= outcome.took_s <= 0.9


async def test_sign_of_life_starts_the_settling_anew() -> None:
    """A service that restarts during the stop must not make a device count as gone."""
    port = free_port()
    loop = asyncio.get_running_loop()
    began_at = loop.time()
    task = asyncio.create_task(perform(watch(port), Act.CONFIRM_GONE, within_s=5.0))
    await asyncio.sleep(0.25)
    async with device(port):
        await asyncio.sleep(0.25)
    outcome = await task

    assert outcome.verdict is Verdict.DONE
    assert loop.time() - began_at >= 0.85


async def test_settling_that_the_deadline_cuts_short_is_not_gone() -> None:
    """Where there was no time to be sure, nobody is told that it is safe to cut."""
    port = free_port()
    outcome = await perform(watch(port, settle="60s"), Act.CONFIRM_GONE, within_s=0.5)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.evidence.startswith(f"127.0.0.1 port {port} refused for ")
    assert outcome.evidence.endswith("; gone only after 60 s")


async def test_silence_is_told_from_refusal() -> None:
    """Evidence says which: somebody who refuses is still there in some way."""
    async with silent_device() as port:
        outcome = await perform(watch(port, settle="0.6s"), Act.CONFIRM_GONE, within_s=5.0)

    assert outcome.verdict is Verdict.DONE
    assert f"port {port} was silent for" in outcome.evidence


async def test_refusal_may_be_set_to_count_as_life() -> None:
    """On a real network the kernel of a machine that shuts down refuses while services write."""
    port = free_port()
    outcome = await perform(watch(port, refused="alive"), Act.CONFIRM_GONE, within_s=0.8)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.evidence == f"127.0.0.1 port {port} refused at the last look: still there"


@pytest.mark.parametrize(
    ("address", "refused", "is_life"),
    [
        ("192.0.2.7", None, True),
        ("2001:db8::7", None, True),
        ("gate.example", None, True),
        ("192.0.2.7", "gone", False),
        ("127.0.0.3", None, False),
        ("::1", None, False),
        ("127.0.0.3", "alive", True),
    ],
)
def test_refusal_counts_as_life_except_on_loopback(
    address: str, refused: str | None, is_life: bool
) -> None:
    """The safe reading is the default wherever a device can be silent."""
    settings = TcpVerify.model_validate({"port": 22, "refused": refused})

    assert settings.refusal_is_life(address) is is_life


async def test_own_network_down_is_no_proof() -> None:
    """An agent cut off from the site sees silence everywhere; that is no device gone.

    The kernel refuses to connect to the broadcast address by itself, as it does without a route.
    """
    outcome = await perform(watch(22, address="255.255.255.255"), Act.CONFIRM_GONE, within_s=0.8)

    assert outcome.verdict is Verdict.NO_ANSWER
    assert "this box's own network" in outcome.evidence


async def test_name_that_does_not_resolve_is_no_proof() -> None:
    """A name server that went down takes no recorder with it. `.invalid`: RFC 6761."""
    outcome = await perform(watch(22, address="gate.invalid"), Act.CONFIRM_GONE, within_s=1.0)

    assert outcome.verdict is Verdict.NO_ANSWER


@pytest.mark.alone
async def test_running_is_confirmed_as_soon_as_the_port_opens() -> None:
    """A return is not held up longer than the device needs."""
    port = free_port()
    task = asyncio.create_task(perform(watch(port), Act.CONFIRM_RUNNING, within_s=5.0))
    await asyncio.sleep(0.3)
    async with device(port):
        outcome = await task

    assert outcome.verdict is Verdict.DONE
    assert outcome.took_s <= 0.8


async def test_device_that_stays_away_is_no_answer() -> None:
    """What did not come back is named."""
    port = free_port()
    outcome = await perform(watch(port), Act.CONFIRM_RUNNING, within_s=0.5)

    assert outcome.verdict is Verdict.NO_ANSWER
    assert outcome.evidence == f"127.0.0.1 port {port} refused"
    assert outcome.advice == f"see whether the device is on and takes connections at port {port}"


@pytest.mark.alone
async def test_probe_looks_once() -> None:
    """A probe of a dead device must not take the whole deadline."""
    outcome = await perform(watch(free_port()), Act.PROBE, within_s=5.0)

    assert outcome.verdict is Verdict.NO_ANSWER
    assert outcome.took_s < 0.5


async def test_ipv6_device_is_seen() -> None:
    """Half the sites of the next years."""
    port = free_port("::1")
    async with device(port, "::1"):
        outcome = await perform(watch(port, address="::1"), Act.PROBE, within_s=2.0)

    assert outcome.verdict is Verdict.DONE


def test_all_acts_are_safe_to_repeat() -> None:
    """Looking changes nothing."""
    assert dict(watch(22).acts) == {
        Act.PROBE: Repeat.SAFE,
        Act.CONFIRM_GONE: Repeat.SAFE,
        Act.CONFIRM_RUNNING: Repeat.SAFE,
    }


@pytest.mark.parametrize(
    "table", [{}, {"port": 0}, {"port": 22, "settle": 60}, {"port": 22, "refused": "perhaps"}]
)
def test_faulty_table_is_refused(table: dict[str, object]) -> None:
    """A verification that means something else is worse than none."""
    with pytest.raises(ValidationError):
        TcpVerify.model_validate(table)


def test_patient_by_default() -> None:
    """A minute of silence before anybody cuts power, unless the owner knows better."""
    settings = TcpVerify(port=22)

    assert (settings.settle, settings.interval) == (60.0, 2.0)
