"""The main job on peers that nobody here wrote: snmpd (net-snmp), sshd (OpenSSH), ffmpeg.

The measure of a recorder's orderly stop is ffprobe: the recording plays.
"""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.peers.boatyard import Boatyard, boatyard, wait_until
from tests.peers.film import Film
from tests.ride_through.rides import (
    entries,
    lastwatt,
    lost_or_doubled,
    make_low,
    ridden_with_kills,
    until_watched,
    wait_for_rest,
    yard_for_kills,
)

pytestmark = pytest.mark.peer


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Boatyard]:
    with boatyard(tmp_path) as found:
        yield found


def test_killed_recorder_leaves_a_file_that_does_not_play(tmp_path: Path) -> None:
    """What happens without lastwatt: the battery ends, and the recording is lost."""
    with Film(tmp_path) as film:
        time.sleep(1.0)
        film.kill()

        assert film.seconds() is None


def test_outage_ends_with_a_recording_that_plays(yard: Boatyard) -> None:
    """The whole chain: SNMPv3, decision, SSH, proof; mains stays away, the file is whole."""
    agent = yard.start_agent()
    until_watched(yard)
    time.sleep(2.0)
    yard.fail_mains()
    wait_until(
        lambda: "judged_supply" in yard.log() and "supply=battery" in yard.log(),
        within_s=10,
        what="the outage seen",
        log=yard.log,
    )
    recorder = yard.hosts["gate recorder"]
    assert recorder.film is not None and recorder.film.is_recording, "it goes on recording"

    make_low(yard)
    wait_for_rest(yard)
    assert (recorder.film.seconds() or 0.0) > 2.0
    assert {host.told for host in yard.hosts.values()} == {1}
    endings = {e["device"]: e["ending"] for e in entries(yard, "closed_order")}
    assert endings == {"gate recorder": "at rest", "desk": "at rest"}
    agent.send_signal(signal.SIGTERM)
    assert agent.wait(5) == 0


@pytest.mark.parametrize("seed", range(2))
def test_agent_killed_at_random_moments_changes_nothing(tmp_path: Path, seed: int) -> None:
    """Five SIGKILLs amid the ride-through: the file plays, and nothing is lost nor done twice."""
    with yard_for_kills(tmp_path) as yard:
        ridden_with_kills(yard, seed, kills=5)

        film = yard.hosts["gate recorder"].film
        assert film is not None and (film.seconds() or 0.0) > 1.0
        assert lost_or_doubled(yard) == []
        assert "resumed_order" in yard.log(), "no kill fell amid an order"


def test_sigterm_ends_the_agent_and_stops_no_device(yard: Boatyard) -> None:
    """Restarting the agent's service in quiet times is harmless."""
    agent = yard.start_agent()
    until_watched(yard)
    agent.send_signal(signal.SIGTERM)

    assert agent.wait(5) == 0
    assert {host.told for host in yard.hosts.values()} == {0}


def test_dry_run_shows_every_order_and_sends_none(yard: Boatyard) -> None:
    """A rehearsal walks the same plan; nothing reaches a device, no secret a journal."""
    yard.start_agent("--dry-run")
    until_watched(yard)
    yard.fail_mains()
    make_low(yard)
    wait_for_rest(yard)

    film = yard.hosts["gate recorder"].film
    assert film is not None and film.is_recording
    assert {host.told for host in yard.hosts.values()} == {0}
    stops = [e for e in entries(yard, "ended_step") if e["act"] == "stop"]
    assert {e["verdict"] for e in stops} == {"assumed"}
    assert all("poweroff" in " ".join(e["sent"]) for e in stops)
    assert yard.hosts["desk"].sshd.client_key.splitlines()[2] not in json.dumps(stops)


def test_probe_reaches_all_and_changes_nothing(yard: Boatyard) -> None:
    """What an installer runs before leaving the site."""
    status, document = lastwatt("probe", str(yard.file))

    assert (status, document["ok"]) == (0, True), document
    assert {p["name"] for p in document["probes"]} >= {"cabinet", "gate recorder", "desk"}
    assert {host.told for host in yard.hosts.values()} == {0}


def test_second_agent_on_the_same_state_is_refused(yard: Boatyard) -> None:
    """Two agents would tell every device twice."""
    yard.start_agent()
    until_watched(yard)
    second = yard.start_agent()

    assert second.wait(20) == 4
    assert "one agent a site" in yard.log()
