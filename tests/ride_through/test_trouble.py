"""The main job on real peers while the agent, its disk, its path or the peers are in trouble."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.peers.boatyard import Boatyard, boatyard, wait_until
from tests.peers.sshd import binary, make_key
from tests.peers.troubled import tcp_trouble, udp_trouble
from tests.ride_through.rides import (
    AT_REST,
    entries,
    lost_or_doubled,
    make_low,
    phases,
    supply,
    until_watched,
    wait_for_rest,
)

pytestmark = pytest.mark.peer

OTHER_ENGINE_ID = "80001f8880aabbccdd0a0b0c0d"


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Boatyard]:
    with boatyard(tmp_path) as found:
        yield found


def assert_orderly(yard: Boatyard, *, told: int = 1) -> None:
    """The recording plays, and nobody was told more often than that."""
    film = yard.hosts["gate recorder"].film
    assert film is not None and (film.seconds() or 0.0) > 1.0, yard.log()
    assert all(host.told <= told for host in yard.hosts.values())


def in_own(namespace: str) -> tuple[str, ...]:
    """Return what runs a command in a namespace of its own; skip where that is not allowed."""
    unshare = binary("unshare", package="util-linux")
    if os.geteuid() != 0 or subprocess.run([unshare, namespace, "true"], check=False).returncode:
        why = "namespaces need root, and a system that lets it make them"
        if os.environ.get("CI") == "true":
            pytest.fail(why)
        pytest.skip(why)
    return (unshare, namespace)


def until_on_battery(yard: Boatyard, *, within_s: float = 90.0) -> None:
    wait_until(
        lambda: supply(yard) == "battery", within_s=within_s, what="the outage", log=yard.log
    )


# The agent and its disk


def test_agent_frozen_amid_the_outage_goes_on_where_it_was(yard: Boatyard) -> None:
    """A box that stalls for seconds (a dying card, a swapped-out process) loses nothing."""
    agent = yard.start_agent()
    until_watched(yard)
    yard.fail_mains()
    make_low(yard)
    wait_until(lambda: "gave_order" in yard.log(), within_s=90, what="an order", log=yard.log)
    agent.send_signal(signal.SIGSTOP)
    time.sleep(6.0)
    agent.send_signal(signal.SIGCONT)
    wait_for_rest(yard)

    assert_orderly(yard)


def test_disk_that_fills_up_stops_no_stop(yard: Boatyard) -> None:
    """The card is full when the outage comes: recordings matter more than the journal."""
    yard.state.mkdir()
    small = 'mount -t tmpfs -o size=1m lastwatt "$0" && exec "$@"'
    agent = yard.start_agent(within=(*in_own("-m"), "sh", "-c", small, str(yard.state)))
    wait_until(lambda: "supply=mains" in yard.log(), within_s=90, what="mains", log=yard.log)
    # The disk is the agent's alone; this is how others see it.
    filler = Path(f"/proc/{agent.pid}/root{yard.state}/filler")
    with filler.open("wb", buffering=0) as file, pytest.raises(OSError, match="No space"):
        while True:
            file.write(bytes(4096))
    yard.fail_mains()
    make_low(yard)
    until_told(yard)

    assert_orderly(yard)
    assert "raised_notice" in yard.log() and "about=journal" in yard.log()


# The path


def test_third_of_all_packets_lost_costs_no_recording(tmp_path: Path) -> None:
    """In a network namespace of its own, firewall rules drop 30 % of what arrives."""
    binary("iptables", package="iptables")
    lossy = (
        "ip link set lo up && "
        "iptables -A INPUT -i lo -m statistic --mode random --probability 0.3 -j DROP && "
        'exec "$@"'
    )
    ridden = subprocess.run(
        [*in_own("-n"), "sh", "-c", lossy, "sh", sys.executable, "-m", "tests.ride_through.rides",
         str(tmp_path / "yard"), "120"],
        capture_output=True, text=True, timeout=400, check=False,
    )  # fmt: skip
    assert ridden.returncode == 0, ridden.stderr[-3000:]
    found = json.loads(ridden.stdout)

    assert found["plays_s"] > 1.0
    assert found["endings"] == AT_REST
    assert max(found["told"].values()) <= 2, "a stop in doubt is looked at, not just sent again"


def test_half_a_second_each_way_and_doubled_answers_are_lived_with(tmp_path: Path) -> None:
    """A radio link between the box and the cabinet."""
    with ExitStack() as stack:
        yard = stack.enter_context(boatyard(tmp_path))
        unit = stack.enter_context(udp_trouble((yard.unit.address, yard.unit.port)))
        unit.delay_s, unit.doubles = 0.5, True
        yard.unit_at = unit.address
        for host in yard.hosts.values():
            way = stack.enter_context(tcp_trouble((host.sshd.address, host.sshd.port)))
            way.delay_s = 0.5
            host.at = way.address
        yard.write_file()
        yard.start_agent()
        until_watched(yard)
        yard.fail_mains()
        make_low(yard)
        until_told(yard)

        assert_orderly(yard)


def until_told(yard: Boatyard) -> None:
    """Wait until both devices heard their stop: behind a relay nothing shows that they are gone."""
    wait_until(
        lambda: all(host.told for host in yard.hosts.values()),
        within_s=60,
        what="both told",
        log=yard.log,
    )
    film = yard.hosts["gate recorder"].film
    assert film is not None
    wait_until(lambda: not film.is_recording, within_s=90, what="the end of the recording")


def test_way_to_the_unit_that_swallows_all_is_a_reason_to_stop(tmp_path: Path) -> None:
    """On battery and unheard of: what the file says then is done, and the recorder is saved."""
    with boatyard(tmp_path) as yard, udp_trouble((yard.unit.address, yard.unit.port)) as way:
        yard.unit_at = way.address
        yard.unit_more = (
            'flicker = "1s"\nlost = { on_battery = "stop", after = "5s", stop_after = "5s" }'
        )
        yard.write_file()
        yard.start_agent()
        until_watched(yard)
        yard.fail_mains()
        until_on_battery(yard)
        assert "gave_order" not in yard.log(), "there is charge for long"
        way.swallows = True
        wait_for_rest(yard, within_s=120)

        assert_orderly(yard)


def test_answer_that_is_swallowed_is_no_reason_to_tell_twice(tmp_path: Path) -> None:
    """The recorder heard its stop and takes long over it; that must never be sent a second time."""
    with ExitStack() as stack:
        yard = stack.enter_context(boatyard(tmp_path, stop_takes_s=40.0))
        recorder = yard.hosts["gate recorder"]
        recorder.repeat, recorder.takes = "never", "2s"
        way = stack.enter_context(tcp_trouble((recorder.sshd.address, recorder.sshd.port)))
        recorder.at = way.address
        yard.write_file()
        yard.start_agent()
        until_watched(yard)
        yard.fail_mains()
        make_low(yard)
        wait_until(lambda: recorder.told, within_s=30, what="the recorder told", log=yard.log)
        way.swallows = True
        wait_until(
            lambda: "uncertain" in verdicts(yard, "gate recorder", "stop"),
            within_s=40,
            what="a stop in doubt",
            log=yard.log,
        )
        way.swallows = False
        looked = len(verdicts(yard, "gate recorder"))
        wait_until(
            lambda: len(verdicts(yard, "gate recorder")) > looked,
            within_s=30,
            what="a look at it",
            log=yard.log,
        )

        socket.create_connection((recorder.sshd.address, recorder.sshd.port), 5.0).close()
        assert_orderly(yard)  # though it is still there to be told again
        assert lost_or_doubled(yard) == []


def test_stop_that_a_hole_swallows_is_sent_once_the_way_is_open(tmp_path: Path) -> None:
    """A link that is dead for the first seconds of the outage costs no recording."""
    with ExitStack() as stack:
        yard = stack.enter_context(boatyard(tmp_path))
        recorder = yard.hosts["gate recorder"]
        way = stack.enter_context(tcp_trouble((recorder.sshd.address, recorder.sshd.port)))
        recorder.at = way.address
        yard.write_file()
        yard.start_agent()
        until_watched(yard)
        way.swallows = True
        yard.fail_mains()
        make_low(yard)
        wait_until(
            lambda: verdicts(yard, "gate recorder", "stop"),
            within_s=60,
            what="a stop that was not heard",
            log=yard.log,
        )
        assert recorder.told == 0
        way.swallows = False
        until_told(yard)

        assert_orderly(yard)


def verdicts(yard: Boatyard, device: str, act: str = "") -> list[str]:
    """Return what came of the acts at a device, or of one of them, so far."""
    ended = [e for e in entries(yard, "ended_step") if e["device"] == device]
    return [e["verdict"] for e in ended if act in ("", e["act"])]


# The peers


@pytest.mark.parametrize("engine_id", [None, OTHER_ENGINE_ID], ids=["boots + 1", "other engine"])
def test_unit_that_reboots_amid_the_outage_is_heard_again(
    yard: Boatyard, engine_id: str | None
) -> None:
    """Its management card restarts (RFC 3414: boots + 1), or comes back with another engine ID."""
    yard.start_agent()
    until_watched(yard)
    yard.fail_mains()
    until_on_battery(yard)
    yard.unit.restart(engine_id=engine_id)
    make_low(yard)
    wait_for_rest(yard, within_s=60)

    assert_orderly(yard)


def test_changed_host_key_gets_nothing_and_the_others_are_saved(yard: Boatyard) -> None:
    """Somebody may stand in between: that device is told nothing, loudly; the recorder is."""
    desk = yard.hosts["desk"]
    desk.sshd.stop()
    for name in ("host_ed25519", "host_ed25519.pub"):
        (desk.sshd.folder / name).unlink()
    make_key(desk.sshd.folder / "host_ed25519", "ed25519")
    desk.sshd.start()
    yard.start_agent()
    until_watched(yard)
    yard.fail_mains()
    make_low(yard)
    wait_until(
        lambda: phases(yard).get("gate recorder") == "at rest",
        within_s=60,
        what="the recorder at rest",
        log=yard.log,
    )

    assert_orderly(yard)
    assert desk.told == 0
    told = [e["text"] for e in entries(yard, "raised_notice") if e["about"] == "desk"]
    assert any("the host key changed" in text for text in told)
