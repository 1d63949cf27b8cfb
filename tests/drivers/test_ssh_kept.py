"""Connections opened ahead of their use, against OpenSSH's sshd."""

from __future__ import annotations

import asyncio
import os
import re
import signal
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr

from drivers.base import Act, Driver, Outcome, Stage, Verdict
from drivers.transports.console import ON_KEPT, Command, Login
from drivers.transports.ssh_console import SshConsole
from tests.drivers.ssh_fitting import fit, perform
from tests.peers.sshd import Sshd, make_key

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def sshd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    """An sshd that runs what it is asked to."""
    with Sshd(tmp_path_factory.mktemp("sshd")) as server:
        yield server


def stopping(server: Sshd, command: str = "true", **access: object) -> Driver:
    return fit(server, {Stage.STOP: {"run": command}}, dry_run=False, **access)


def logins(server: Sshd) -> int:
    return len(re.findall(r"^Accepted publickey", server.log, re.MULTILINE))


async def stop(driver: Driver, *, within_s: float = 10.0) -> Outcome:
    return await perform(driver, Act.STOP, within_s=within_s)


async def test_stop_goes_over_the_connection_that_waits(sshd: Sshd) -> None:
    """The order costs a round trip, not a handshake of a hundred."""
    driver = stopping(sshd, "echo going down")
    before = logins(sshd)
    ready = await perform(driver, Act.PREPARE)
    outcome = await stop(driver)

    assert ready.verdict is Verdict.DONE, ready.evidence
    assert ready.evidence == (
        f"logged in as {sshd.user}, and stays so; host key {sshd.fingerprint()} as pinned"
    )
    assert ready.sent == (f"log in to 127.0.0.1 port {sshd.port} as {sshd.user} by key",)
    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.sent == (ON_KEPT, "run echo going down")
    assert '"going down"' in outcome.evidence
    assert logins(sshd) == before + 1
    await driver.close()


async def test_connection_that_waits_costs_two_threads(sshd: Sshd) -> None:
    """One talks, one listens; hundreds of devices wait at once in an outage."""
    driver = stopping(sshd)
    before = set(threading.enumerate())
    await perform(driver, Act.PREPARE)

    assert len(set(threading.enumerate()) - before) == 2
    await driver.close()


@pytest.mark.parametrize("cipher", ["aes256-gcm@openssh.com", "aes256-ctr"])
async def test_device_is_met_at_the_one_cipher_that_it_has(tmp_path: Path, cipher: str) -> None:
    """What is preferred is not insisted on."""
    with Sshd(tmp_path, options=(f"Ciphers {cipher}", "MACs hmac-sha2-256")) as server:
        outcome = await stop(stopping(server, "seq 20000"))

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.evidence.endswith('19999 / 20000"')


async def test_asking_again_keeps_the_one_connection(sshd: Sshd) -> None:
    """Every minute of a long outage must not cost the device a session."""
    driver = stopping(sshd)
    before = logins(sshd)
    outcomes = [await perform(driver, Act.PREPARE) for _ in range(3)]

    assert {outcome.verdict for outcome in outcomes} == {Verdict.DONE}
    assert logins(sshd) == before + 1
    await driver.close()


async def test_used_connection_is_not_used_twice(sshd: Sshd) -> None:
    """After a stop nobody knows what the far end is worth: the next talk begins anew."""
    driver = stopping(sshd)
    await perform(driver, Act.PREPARE)
    first, second = await stop(driver), await stop(driver)

    assert first.sent[0] == ON_KEPT
    assert second.sent[0].startswith("log in to")
    assert second.verdict is Verdict.DONE


async def test_quiescing_looking_and_stopping_share_one_log_in(sshd: Sshd) -> None:
    """A recorder is told three things within seconds: each by a round trip, not by a handshake."""
    stages = {
        Stage.QUIESCE: {"run": "echo idle", "confirm": "true"},
        Stage.STOP: {"run": "echo going down"},
    }
    driver = fit(sshd, stages)
    before = logins(sshd)
    await perform(driver, Act.PREPARE)
    acts = (Act.QUIESCE, Act.CONFIRM_QUIESCED, Act.CONFIRM_QUIESCED, Act.STOP)
    outcomes = [await perform(driver, act) for act in acts]

    assert {outcome.verdict for outcome in outcomes} == {Verdict.DONE}
    assert {outcome.sent[0] for outcome in outcomes} == {ON_KEPT}
    assert logins(sshd) == before + 1
    await gone(sshd)


async def test_what_hung_is_not_asked_over_again(sshd: Sshd) -> None:
    """A command without an end leaves its connection in doubt; the next act has a new one."""
    driver = fit(sshd, {Stage.QUIESCE: {"run": "sleep 30"}, Stage.STOP: {"run": "true"}})
    await perform(driver, Act.PREPARE)
    hung = await perform(driver, Act.QUIESCE, within_s=0.5)
    outcome = await stop(driver)

    assert hung.verdict is Verdict.UNCERTAIN
    assert outcome.verdict is Verdict.DONE
    assert outcome.sent[0].startswith("log in to")


async def test_device_that_restarted_meanwhile_is_reached_anew(tmp_path: Path) -> None:
    """A kept connection that died must not cost the device its stop."""
    with Sshd(tmp_path) as server:
        driver = stopping(server)
        assert (await perform(driver, Act.PREPARE)).verdict is Verdict.DONE
        server.stop()
        server.start()
        outcome = await stop(driver)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.sent[0].startswith("log in to")


async def test_session_that_hangs_is_given_up_for_a_new_one(tmp_path: Path) -> None:
    """Its kernel still acknowledges: only asking shows that nobody is at home there."""
    with Sshd(tmp_path) as server:
        driver = stopping(server)
        await perform(driver, Act.PREPARE)
        sessions = server.sessions()
        assert sessions
        for pid in sessions:
            os.kill(pid, signal.SIGSTOP)
        outcome = await stop(driver)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.sent[0].startswith("log in to"), "and nothing is left of the first attempt"
    assert 2.5 < outcome.took_s < 6.0


@pytest.mark.alone
async def test_hanging_session_does_not_outlive_the_deadline(tmp_path: Path) -> None:
    """The stop's own deadline holds over a kept connection too."""
    with Sshd(tmp_path) as server:
        driver = stopping(server, "sleep 30")
        await perform(driver, Act.PREPARE)
        outcome = await stop(driver, within_s=0.7)

    assert outcome.verdict is Verdict.UNCERTAIN
    assert '"sleep 30" had no end in time' in outcome.evidence
    assert outcome.took_s <= 0.95


async def test_wrong_key_is_refused_before_the_outage_needs_it(sshd: Sshd, tmp_path: Path) -> None:
    """So that somebody hears of it while there is time to mend it."""
    make_key(tmp_path / "other", "ed25519")
    driver = stopping(sshd, key=SecretStr((tmp_path / "other").read_text()))
    outcome = await perform(driver, Act.PREPARE)

    assert outcome.verdict is Verdict.REFUSED
    assert "its public half belongs into" in outcome.advice


async def test_nobody_there_is_no_answer(tmp_path: Path) -> None:
    """A device that is off is not a fault of the log-in."""
    server = Sshd(tmp_path)
    with server:
        driver = stopping(server)
    outcome = await perform(driver, Act.PREPARE)

    assert outcome.verdict is Verdict.NO_ANSWER


@pytest.mark.alone
async def test_frozen_device_ends_by_the_deadline(tmp_path: Path) -> None:
    """Opening ahead must never hold anything up."""
    with Sshd(tmp_path) as server:
        driver = stopping(server)
        server.freeze()
        outcome = await perform(driver, Act.PREPARE, within_s=0.5)
        server.thaw()

    assert outcome.verdict is Verdict.NO_ANSWER
    assert outcome.took_s <= 0.75


async def test_closing_hangs_up(tmp_path: Path) -> None:
    """The agent's end leaves no session behind."""
    with Sshd(tmp_path) as server:
        driver = stopping(server)
        await perform(driver, Act.PREPARE)
        assert server.sessions()
        await driver.close()
        await gone(server)


@pytest.mark.alone
async def test_connection_that_nobody_asks_for_any_more_is_let_go(tmp_path: Path) -> None:
    """Mains is back: devices that hold few sessions get theirs back."""
    with Sshd(tmp_path) as server:
        console = SshConsole(login_at(server), kept_s=0.6)
        for _ in range(3):
            await console.prepare(within_s=10.0, sent=[])
            await asyncio.sleep(0.3)
            assert server.sessions(), "each asking keeps it on"
        await gone(server)


async def test_connection_of_a_stop_makes_way_for_the_next(tmp_path: Path) -> None:
    """It is left to the device to end, but for one that has room for a single session."""
    with Sshd(tmp_path) as server:
        console = SshConsole(login_at(server), linger_s=60.0)
        await console.prepare(within_s=10.0, sent=[])
        await console.converse((Command("true"),), within_s=10.0, sent=[], may_end=True)
        lingering = server.sessions()
        await console.prepare(within_s=10.0, sent=[])

        assert lingering
        await gone(server, *lingering)
        assert server.sessions()
        await console.close()


async def test_consoles_that_hold_dialogues_are_left_alone_unless_the_file_says(
    sshd: Sshd,
) -> None:
    """Such consoles often serve one person at a time, and log out who says nothing."""
    stages = {Stage.STOP: {"dialogue": [{"send": "exit"}]}}

    assert Act.PREPARE not in fit(sshd, stages).acts
    assert Act.PREPARE in fit(sshd, stages, connect_early=True).acts
    assert Act.PREPARE not in stopping(sshd, connect_early=False).acts


async def test_dry_run_says_what_it_would_send(sshd: Sshd) -> None:
    """A rehearsal logs in nowhere."""
    before = logins(sshd)
    driver = fit(sshd, {Stage.STOP: {"run": "true"}}, dry_run=True)
    outcome = await perform(driver, Act.PREPARE)

    assert outcome.verdict is Verdict.ASSUMED
    assert outcome.sent == (f"log in to 127.0.0.1 port {sshd.port} as {sshd.user} by key",)
    assert logins(sshd) == before


def login_at(server: Sshd) -> Login:
    return Login(
        address=server.address,
        port=server.port,
        user=server.user,
        key=SecretStr(server.client_key),
        pins=frozenset({server.fingerprint()}),
    )


async def gone(server: Sshd, *sessions: int) -> None:
    """Wait until these sessions have ended; none named = all."""
    for _ in range(100):
        open_now = server.sessions()
        if not (open_now if not sessions else set(sessions).intersection(open_now)):
            return
        await asyncio.sleep(0.05)
    raise AssertionError("a session is left open")
