"""A ride-through on real peers, step by step; also run by itself, in a network namespace."""

from __future__ import annotations

import json
import random
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from itertools import pairwise
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


MOMENTS = ("started_agent", "judged_supply", "resumed_order", "sent_order")
"""What the agent's log says at the moments about which it is killed, the first time but one."""


@contextmanager
def yard_for_kills(folder: Path) -> Iterator[Boatyard]:
    """A boatyard whose ride takes some seconds, with a desk that must never be told twice."""
    with boatyard(folder, stop_takes_s=2.0) as yard:
        yard.hosts["desk"].repeat = "never"
        yard.write_file()
        yield yard


def ridden_with_kills(yard: Boatyard, seed: int, *, kills: int) -> None:
    """Ride through an outage in which the agent is killed so often, at moments drawn by *seed*.

    It is at work each time, which a time drawn alone would not give: most of that is its start.
    """
    chance = random.Random(seed)
    yard.start_agent()
    until_watched(yard)
    yard.fail_mains()
    make_low(yard)
    wait_until(lambda: "gave_order" in yard.log(), within_s=30, what="an order", log=yard.log)
    for _ in range(kills):
        time.sleep(chance.uniform(0.0, 0.8))
        yard.kill_agent()
        seen = len(yard.log())
        yard.start_agent()
        moment = chance.choice(MOMENTS)
        with suppress(AssertionError):  # once all is told some of it comes no more
            wait_until(partial(_says, yard, seen, moment), within_s=5, what=moment)
    wait_until(lambda: _is_over(yard), within_s=90, what="the end of the ride", log=yard.log)


def _says(yard: Boatyard, since: int, moment: str) -> bool:
    return moment in yard.log()[since:]


def _is_over(yard: Boatyard) -> bool:
    """At rest, or given up for want of anything that may be done: killed before it was sent."""
    known, desk = phases(yard), yard.hosts["desk"]
    is_left = desk.repeat == "never" and desk.told == 0 and known.get("desk") == "given up"
    return known.get("gate recorder") == "at rest" and (known.get("desk") == "at rest" or is_left)


def lost_or_doubled(yard: Boatyard) -> list[str]:
    """Return what the journal and the hosts say that must not be so; none where all is well.

    Nothing is sent that is not on record before; nothing is told twice without a look in between,
    and what must never be repeated not at all; nobody is left without being told of.
    """
    wrong = []
    begun = entries(yard, "began_step")
    for name, host in yard.hosts.items():
        acts = [e["act"] for e in begun if e["device"] == name]
        if host.told > acts.count("stop"):
            wrong.append(f"{name}: told {host.told} times, and on record are {acts}")
        if any(pair == ("stop", "stop") for pair in pairwise(acts)):
            wrong.append(f"{name}: told again without a look: {acts}")
        if host.repeat == "never" and acts.count("stop") > 1:
            wrong.append(f"{name}: must never be told twice, and was begun with so often: {acts}")
        notices = [e for e in entries(yard, "raised_notice") if e["about"] == name]
        if host.told == 0 and not notices:
            wrong.append(f"{name}: never told, and nobody knows")
    closed = [e["order_id"] for e in entries(yard, "closed_order")]
    wrong += [f"{order}: closed twice" for order in closed if closed.count(order) > 1]
    return wrong


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
