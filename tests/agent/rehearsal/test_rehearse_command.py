"""`lastwatt rehearse` without an agent: exit statuses, what is kept, and that nothing is sent."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from agent.rehearsal import store
from tests.agent.commands import lastwatt
from tests.agent.plan_yard import CAMERA, RECORDER
from tests.agent.rehearsal.yards import yard

GATE = "gate recorder"
CONTENT = RECORDER.replace('hold = "2h"', 'hold = "2m"')

SILENT = """\
import sys
SENDS = ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.bind", "socket.getaddrinfo",
         "subprocess.Popen", "os.exec", "os.posix_spawn", "os.system")
def refuse(event, details):
    if event in SENDS:
        raise SystemExit(f"something was to be sent: {event} {details}")
sys.addaudithook(refuse)
from agent.cli import main
main()
"""
"""The interpreter's own audit events (PEP 578) tell of every connection and every program."""


def test_answer_holds_together(tmp_path: Path) -> None:
    """Everything a script reads: whether all is well, every order, and what would be sent."""
    site = yard(tmp_path, CAMERA, CONTENT).path
    done = lastwatt("rehearse", site, "--mains-after", "5m", "--json")

    assert done.status == 0, done.err
    found = done.document
    assert found["ok"] is True
    assert found["compared"] is None
    result = found["result"]
    assert result["unsaved"] == result["unmet"] == []
    assert result["mains_back_s"] == pytest.approx(300.0, abs=0.1)
    assert {each["name"] for each in result["devices"]} >= {GATE, "slipway camera"}


def test_status_1_says_that_a_hold_time_is_not_kept(tmp_path: Path) -> None:
    """A script in the night needs to know it by the status alone."""
    done = lastwatt("rehearse", yard(tmp_path, CAMERA, RECORDER).path, "--sent")

    assert done.status == 1
    assert f"{GATE} would go before its hold time" in done.out
    assert "POST http://192.0.2.20/off" in done.out


@pytest.mark.parametrize(
    "options", [("--at", "25:00"), ("--mains-after", "soon"), ("--mains-after", "30d")]
)
def test_nonsense_is_status_2(tmp_path: Path, options: tuple[str, str]) -> None:
    """It is said in a line what to write instead."""
    done = lastwatt("rehearse", yard(tmp_path).path, *options)

    assert done.status == 2
    assert "write" in done.complaint


def test_next_one_is_compared_with_the_last(tmp_path: Path) -> None:
    """An owner who halves the battery sees what that costs."""
    state = tmp_path / "state"
    state.mkdir()
    site = yard(tmp_path, CAMERA, CONTENT).path
    first = lastwatt("rehearse", site, "--state", state)
    (name,) = store.names(state)
    site.write_text(site.read_text().replace("amp_hours = 2", "amp_hours = 1"))
    second = lastwatt("rehearse", site, "--state", state, "--json")

    assert "Since" not in first.out
    compared = second.document["compared"]
    assert compared["before"] == name
    assert compared["is_other_file"] is True
    (runtime,) = compared["runtimes"]
    assert runtime["now_s"] < 0.6 * runtime["before_s"]
    assert len(store.names(state)) == 2


def test_nothing_at_all_is_sent(tmp_path: Path) -> None:
    """One datagram to a real recorder, and it would be no rehearsal."""
    site = yard(tmp_path, CAMERA, CONTENT).path
    done = subprocess.run(
        [sys.executable, "-c", SILENT, "rehearse", str(site), "--sent"],
        capture_output=True,
        timeout=120.0,
        text=True,
        check=False,
    )

    assert "something was to be sent" not in done.stdout + done.stderr
    assert "POST http://192.0.2.20/off" in done.stdout
    assert done.returncode == 0, done.stderr
