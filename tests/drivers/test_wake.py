"""Waking a machine: the packet to the byte, and what really arrives."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from agent.clock import LoopClock
from drivers.base import Act, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.wake import KIND, magic_packet
from tests.peers.dissector import dissecting

MAC = "02:00:5e:10:00:01"


@contextmanager
def listening(address: str = "127.0.0.1") -> Iterator[socket.socket]:
    """Listen for datagrams on a free port."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as receiver:
        receiver.bind((address, 0))
        receiver.settimeout(2.0)
        yield receiver


async def woken(act: Act = Act.START, *, dry_run: bool = False, **table: Any) -> Outcome:
    """Return the outcome of one act with that access table."""
    if "password" in table:
        table["password"] = SecretStr(table["password"])
    driver = KIND.build(
        Fitting(
            device="mooring PC",
            address="127.0.0.1",
            access=KIND.access.model_validate({"mac": MAC, **table}),
            stages={Stage.START: KIND.stages[Stage.START].model_validate({})},
            clock=LoopClock(),
            dry_run=dry_run,
        )
    )
    outcome = await driver.perform(act, deadline_at=LoopClock().monotonic() + 5.0)
    await driver.close()
    return outcome


def test_the_packet_is_six_ff_and_the_address_sixteen_times() -> None:
    """AMD, "Magic Packet Technology", publication 20213, November 1995, technology overview."""
    packet = magic_packet("11:22:33:44:55:66")

    assert packet == bytes.fromhex("ff ff ff ff ff ff" + "11 22 33 44 55 66" * 16)
    assert len(packet) == 102


async def test_three_packets_arrive() -> None:
    """Sent is all that can be known, and the evidence says so."""
    with listening() as receiver:
        port = receiver.getsockname()[1]
        outcome = await woken(address="127.0.0.1", port=port)
        packets = [receiver.recv(2000) for _ in range(3)]

    assert outcome.verdict is Verdict.DONE
    assert outcome.evidence == "3 magic packets were sent; nothing ever confirms one"
    assert packets == [magic_packet(MAC)] * 3
    assert len(outcome.sent) == 3


@pytest.mark.peer
async def test_an_independent_dissector_reads_the_frame() -> None:
    """As tshark reads magic packets: the address sixteen times, the password behind it."""
    with listening() as receiver:
        port = receiver.getsockname()[1]
        fields = ("wol.sync", "wol.mac", "udp.payload")
        with dissecting(f"udp dst port {port}", packets=3, fields=fields) as capture:
            await woken(address="127.0.0.1", port=port, password="0a:1b:2c:3d:4e:5f")
            rows = await asyncio.to_thread(capture.rows)

    assert [row[:2] for row in rows] == [["ffffffffffff", ",".join([MAC] * 16)]] * 3
    assert all(row[2].endswith("0a1b2c3d4e5f") for row in rows)


@pytest.mark.parametrize("address", ["127.255.255.255", "::1"])
async def test_a_broadcast_or_another_protocol_will_do(address: str) -> None:
    """A broadcast is refused by the kernel unless it is asked for; and IPv6 has none."""
    bound = "0.0.0.0" if "." in address else address
    with listening(bound) as receiver:
        outcome = await woken(address=address, port=receiver.getsockname()[1])
        packet = receiver.recv(2000)

    assert outcome.verdict is Verdict.DONE
    assert packet == magic_packet(MAC)


@pytest.mark.parametrize(
    ("password", "tail"),
    [("0A:1b:2c:3d:4e:5f", "0a1b2c3d4e5f"), ("0a1b2c3d", "0a1b2c3d"), ("10.0.0.7", "0a000007")],
)
async def test_the_password_follows_the_address_and_is_not_shown(password: str, tail: str) -> None:
    """SecureOn, 6 or 4 bytes; on the wire in clear, in no outcome."""
    with listening() as receiver:
        port = receiver.getsockname()[1]
        outcome = await woken(address="127.0.0.1", port=port, password=password)
        packet = receiver.recv(2000)

    assert packet == magic_packet(MAC) + bytes.fromhex(tail)
    assert "SecureOn ***" in outcome.sent[0]
    assert password not in repr(outcome)


async def test_a_dry_run_shows_what_a_live_one_sends() -> None:
    """Line for line; and nothing arrives."""
    with listening() as receiver:
        port = receiver.getsockname()[1]
        dry = await woken(address="127.0.0.1", port=port, dry_run=True)
        receiver.setblocking(False)
        with pytest.raises(BlockingIOError):
            receiver.recv(2000)
        live = await woken(address="127.0.0.1", port=port)

    assert dry.verdict is Verdict.ASSUMED
    assert dry.sent == live.sent
    assert dry.sent[0] == f"UDP 127.0.0.1 port {port}: magic packet for {MAC} (102 bytes)"


async def test_a_probe_sends_nothing_and_names_the_way() -> None:
    """A sleeping machine cannot be asked; from which address of the box it would go, can."""
    with listening() as receiver:
        port = receiver.getsockname()[1]
        outcome = await woken(Act.PROBE, address="127.0.0.1", port=port)
        receiver.setblocking(False)
        with pytest.raises(BlockingIOError):
            receiver.recv(2000)

    assert outcome.verdict is Verdict.DONE
    assert "would leave from 127.0.0.1" in outcome.evidence
    assert "start when power comes" in outcome.advice


@pytest.mark.parametrize("address", ["no-such-host.invalid", "2001:db8::1%nowhere"])
async def test_an_address_that_leads_nowhere_is_no_answer(address: str) -> None:
    """Nothing is raised past the door, and nothing is said to have been sent."""
    outcome = await woken(address=address)

    assert outcome.verdict is Verdict.NO_ANSWER
    assert address in outcome.evidence
    assert outcome.sent == ()


async def test_what_a_packet_cannot_do_is_refused() -> None:
    """It starts machines, and does nothing else."""
    outcome = await woken(Act.STOP)

    assert outcome.verdict is Verdict.REFUSED


def test_a_packet_more_does_no_harm() -> None:
    """So that a start in doubt is simply repeated."""
    driver = KIND.build(
        Fitting(
            device="mooring PC",
            address="",
            access=KIND.access.model_validate({"mac": "02-00-5E-10-00-01"}),
            stages={Stage.START: KIND.stages[Stage.START].model_validate({})},
            clock=LoopClock(),
        )
    )

    assert driver.acts == {Act.PROBE: Repeat.SAFE, Act.START: Repeat.SAFE}


@pytest.mark.parametrize(
    "table",
    [
        {"mac": "02:00:5e:10:00"},
        {"mac": "02:00-5e:10:00:01"},
        {"mac": "ff:ff:ff:ff:ff:ff"},
        {"mac": "01:00:5e:10:00:01"},
        {"mac": MAC, "port": 0},
        {"mac": MAC, "password": SecretStr("hawser")},
        {"mac": MAC, "password": SecretStr("10.0.0.256")},
        {},
    ],
)
def test_a_table_that_makes_no_sense_is_refused(table: dict[str, Any]) -> None:
    """Said while the file is written, without the password."""
    with pytest.raises(ValidationError) as caught:
        KIND.access.model_validate(table)

    assert "hawser" not in str(caught.value)
