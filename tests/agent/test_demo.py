"""The demo as a newcomer meets it: one command, a whole outage, and the truth at its end."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import pytest

from policies.model import HOLDS_DATA

# At sixty seconds a second a busy core costs minutes of the outage.
pytestmark = pytest.mark.alone


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, "-m", "agent", "demo", "--fast", "--json"],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def test_document_keeps_its_contract(document: dict[str, Any]) -> None:
    """Checks outside this repository read these fields."""
    assert (document["format"], document["ok"]) == (1, True)
    assert document["output_end_s"] > 0
    for device in document["devices"]:
        assert {
            "name", "role", "planned_stop_s", "actual_stop_s", "at_rest_s", "at_rest", "possible",
            "evidence", "reason",
        } <= device.keys()  # fmt: skip
        assert device["evidence"]


def test_all_that_holds_data_is_at_rest_before_the_output_ends(document: dict[str, Any]) -> None:
    """The truth of the virtual devices, not the agent's word, is what is printed."""
    holders = [d for d in document["devices"] if d["role"] in HOLDS_DATA]

    assert len(holders) == 3
    for device in holders:
        assert device["possible"] and device["at_rest"] and not device["damage"]
        assert device["actual_stop_s"] < device["at_rest_s"] < document["output_end_s"]
        assert device["reason"]


def test_least_worth_goes_first_and_the_recorder_outlasts_an_unattended_battery(
    document: dict[str, Any],
) -> None:
    """Giving up the PC buys the recorder more time than the whole battery had before."""
    by_name = {d["name"]: d for d in document["devices"]}

    assert by_name["lodge PC"]["actual_stop_s"] < by_name["lock recorder"]["actual_stop_s"]
    # The PC writes to the store, so the store is told after it is at rest.
    assert by_name["lodge PC"]["at_rest_s"] <= by_name["lodge store"]["actual_stop_s"]
    assert by_name["lock recorder"]["actual_stop_s"] > document["unattended_end_s"]
    # The switch holds nothing: it may lose its power untold.
    switch_s = by_name["gate switch"]["at_rest_s"]
    assert switch_s is None or by_name["lock recorder"]["at_rest_s"] <= switch_s


def test_everything_runs_again_at_the_end(document: dict[str, Any]) -> None:
    """A site that is not brought back is a site that records nothing."""
    assert all(device["running_again"] for device in document["devices"])


def test_without_a_terminal_it_is_told_in_plain_lines() -> None:
    """Piped into a file it holds no control characters, and ends in one sentence."""
    done = subprocess.run(
        [sys.executable, "-m", "agent", "demo", "--fast"],
        capture_output=True,
        text=True,
        timeout=120,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert "\x1b" not in done.stdout
    assert done.stdout.rstrip().endswith("everything runs again.")
