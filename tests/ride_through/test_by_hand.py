"""Orders by hand and the pause, as commands to the agent's process, on real peers."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.peers.boatyard import Boatyard, boatyard, wait_until
from tests.ride_through.rides import (
    entries,
    lastwatt,
    make_low,
    phases,
    supply,
    until_watched,
    wait_for_rest,
)

pytestmark = pytest.mark.peer


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Boatyard]:
    with boatyard(tmp_path) as found:
        found.start_agent()
        until_watched(found)
        yield found


def by_hand(yard: Boatyard, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", *arguments, "--state", str(yard.state)]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=60)


def test_paused_agent_lets_an_outage_pass_until_the_pause_ends(yard: Boatyard) -> None:
    """Somebody works on the cabinet: nothing may be stopped under their hands; then it is."""
    status, _ = lastwatt("pause", "--state", str(yard.state), "--for", "1h", "--who", "Ana")
    assert status == 0
    yard.fail_mains()
    make_low(yard)
    wait_until(lambda: supply(yard) == "battery", within_s=90, what="the outage", log=yard.log)
    time.sleep(3.0)

    assert {host.told for host in yard.hosts.values()} == {0}
    assert any("paused" in e["text"] for e in entries(yard, "raised_notice"))
    shown = by_hand(yard, "status")
    assert "Ana" in shown.stdout

    assert lastwatt("pause", "--state", str(yard.state), "--end")[0] == 0
    wait_for_rest(yard)
    film = yard.hosts["gate recorder"].film
    assert film is not None and (film.seconds() or 0.0) > 1.0


def test_stop_by_hand_is_carried_out_proved_and_kept(yard: Boatyard) -> None:
    """The recorder is to be moved: it ends in order, on steady mains, and stays off."""
    done = by_hand(yard, "stop", "gate recorder", "--yes", "--who", "Ana")

    assert done.returncode == 0, done.stderr
    assert "at rest" in done.stdout
    recorder = yard.hosts["gate recorder"]
    assert recorder.told == 1
    assert recorder.film is not None and (recorder.film.seconds() or 0.0) > 0.0
    assert phases(yard)["gate recorder"] == "at rest"
    assert yard.hosts["desk"].told == 0
    yard.kill_agent()
    yard.start_agent()
    until_watched(yard)
    assert phases(yard)["gate recorder"] == "at rest"
    given = [e["order"]["reason"]["sentence"] for e in entries(yard, "gave_order")]
    assert len(given) == 1
    assert "Ana" in given[0]


@pytest.mark.parametrize("typed", ["no\n", ""], ids=["no", "nobody there"])
def test_unconfirmed_stop_sends_nothing(yard: Boatyard, typed: str) -> None:
    """A slip of the finger, or a script that asks nobody, must not stop a recorder."""
    done = by_hand(yard, "stop", "gate recorder", typed=typed)

    assert done.returncode == 1
    assert "nothing was told to any device" in done.stderr
    assert yard.hosts["gate recorder"].told == 0


def test_start_by_hand_waits_until_the_device_is_seen(yard: Boatyard) -> None:
    """Its own sshd is back before the command says that it runs."""
    assert by_hand(yard, "stop", "desk", "--yes").returncode == 0
    starting = subprocess.Popen(
        [sys.executable, "-m", "agent", "start", "desk", "--yes", "--state", str(yard.state)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    time.sleep(1.5)
    assert starting.poll() is None, "it is not there yet"
    yard.hosts["desk"].sshd.stop()
    yard.hosts["desk"].sshd.start()
    out, err = starting.communicate(timeout=60)

    assert starting.returncode == 0, err
    assert "desk" in out
    assert phases(yard)["desk"] == "running"


def test_agents_own_box_is_not_stopped_by_hand(yard: Boatyard) -> None:
    """Nothing would be left that could bring the site back."""
    done = by_hand(yard, "stop", "box", "--yes")

    assert done.returncode == 4
    assert "box" in done.stderr
