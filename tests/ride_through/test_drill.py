"""A drill as a command to the agent's process, on a real recorder behind a real sshd."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.peers.boatyard import Boatyard, boatyard, wait_until
from tests.ride_through.rides import entries, phases, until_watched

pytestmark = pytest.mark.peer

NAME = "gate recorder"


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Boatyard]:
    with boatyard(tmp_path) as found:
        found.start_agent()
        until_watched(found)
        yield found


def drill(yard: Boatyard, *more: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "agent", "drill", str(yard.file), NAME]
    command += ["--state", str(yard.state), "--who", "Ana", *more]
    return subprocess.run(command, input=typed, capture_output=True, text=True, timeout=120)


def test_nothing_is_told_until_its_name_is_typed_and_a_way_back_is_proven(yard: Boatyard) -> None:
    """It starts by itself with its power, which no order gives: somebody has to be there."""
    alone = drill(yard, "--yes")
    assert alone.returncode == 4
    assert "--on-site" in alone.stderr

    mistyped = drill(yard, "--on-site", typed="desk\n")
    assert mistyped.returncode == 1
    assert "nobody's safety" in mistyped.stderr
    assert "not confirmed" in mistyped.stderr
    assert yard.hosts[NAME].told == 0
    assert phases(yard)[NAME] == "running"


def test_drill_measures_a_real_recorder_and_earns_its_grade(yard: Boatyard) -> None:
    """Its film ends in order, somebody starts the box, and the grade stands in the journal."""
    host = yard.hosts[NAME]
    came_back: list[bool] = []

    def start_by_hand() -> None:
        wait_until(
            lambda: phases(yard).get(NAME) == "starting",
            within_s=60,
            what="the stop",
            log=yard.log,
        )
        host.sshd.stop()  # collects what its own script ended
        host.sshd.start()
        came_back.append(True)

    somebody = threading.Thread(target=start_by_hand)
    somebody.start()
    done = drill(yard, "--on-site", "--json", typed=f"{NAME}\n")
    somebody.join(60)

    assert done.returncode == 0, done.stderr + yard.log()
    assert came_back
    found = json.loads(done.stdout)
    assert (found["ok"], found["drilled"], found["device"]) == (True, True, NAME)
    stop = next(stage for stage in found["stages"] if stage["stage"] == "stop")
    assert 0.4 < stop["measured_s"] < stop["file_s"] == 10.0, "its script takes half a second"
    assert host.told == 1
    assert host.film is not None and (host.film.seconds() or 0.0) > 0.0
    (earned,) = entries(yard, "earned_grade")
    assert (earned["device"], earned["grade"]) == (NAME, "drilled")
    status = subprocess.run(
        [sys.executable, "-m", "agent", "status", "--state", str(yard.state)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert f"drilled {earned['on']}" in status.stdout
    again = drill(yard, typed="no\n")
    assert "it was drilled" in again.stderr, "it needs nobody on site any more"
