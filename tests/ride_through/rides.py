"""A ride-through on real peers, step by step; also run by itself, in a network namespace."""

from __future__ import annotations

import json
import random
import sys
import time
from pathlib import Path
from typing import Any

from tests.agent import commands
from tests.peers.boatyard import Boatyard, boatyard, wait_until

AT_REST = {"gate recorder": "at rest", "desk": "at rest"}


def lastwatt(*arguments: str) -> tuple[int, dict[str, Any]]:
    """Run a command with --json; return its exit status and document."""
    done = commands.lastwatt(*arguments, "--json")
    return done.status, done.document


def entries(yard: Boatyard, kind: str) -> list[dict[str, Any]]:
    """Return the journal's events of a kind."""
    status, document = lastwatt("journal", "--state", str(yard.state))
    assert status == 0
    return [event for event in document["events"] if event["kind"] == kind]


def phases(yard: Boatyard) -> dict[str, str]:
    """Return where each device is, by the running agent; {} where it does not answer."""
    status, document = lastwatt("status", "--state", str(yard.state))
    return {d["name"]: d["phase"] for d in document["devices"]} if status == 0 else {}


def supply(yard: Boatyard) -> str | None:
    """Return what the agent makes of the unit, or None where it does not answer."""
    status, document = lastwatt("status", "--state", str(yard.state))
    return document["units"][0]["supply"] if status == 0 else None


def until_watched(yard: Boatyard, *, within_s: float = 90.0) -> None:
    """Wait for the first reading."""
    wait_until(
        lambda: supply(yard) == "mains", within_s=within_s, what="the first reading", log=yard.log
    )


def make_low(yard: Boatyard) -> None:
    """Have the unit say that its battery is low (RFC 1628 upsBatteryStatus)."""
    yard.unit.put({"upsBatteryStatus": ("integer", 3)})


def wait_for_rest(yard: Boatyard, *, within_s: float = 60.0) -> None:
    """Wait until recorder and desk are at rest."""
    wait_until(
        lambda: AT_REST.items() <= phases(yard).items(),
        within_s=within_s,
        what="recorder and desk at rest",
        log=yard.log,
    )


def ridden_with_kills(yard: Boatyard, seed: int, *, kills: int) -> None:
    """Ride through an outage in which the agent is killed so often, at moments drawn by *seed*."""
    chance = random.Random(seed)
    yard.start_agent()
    until_watched(yard)
    yard.fail_mains()
    make_low(yard)
    for _ in range(kills):
        time.sleep(chance.uniform(0.0, 2.5))
        yard.kill_agent()
        yard.start_agent()
    wait_for_rest(yard)


def ride(folder: Path, *, within_s: float) -> dict[str, Any]:
    """Ride through an outage; return what became of the recording and of the orders."""
    with boatyard(folder) as yard:
        yard.start_agent()
        until_watched(yard, within_s=within_s)
        yard.fail_mains()
        make_low(yard)
        wait_for_rest(yard, within_s=within_s)
        film = yard.hosts["gate recorder"].film
        assert film is not None
        return {
            "plays_s": film.seconds(),
            "told": {name: host.told for name, host in yard.hosts.items()},
            "endings": {e["device"]: e["ending"] for e in entries(yard, "closed_order")},
        }


if __name__ == "__main__":
    print(json.dumps(ride(Path(sys.argv[1]), within_s=float(sys.argv[2]))))
