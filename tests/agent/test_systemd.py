"""What the service manager hears over real sockets: readiness, state, an honest watchdog."""

from __future__ import annotations

import asyncio
import os
import secrets
import socket
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from agent.box.systemd import Reporting, ServiceManager
from agent.health import Health
from tests.fakes import FakeClock

WELL = Health()
STUCK = Health(stuck=("the polling of cabinet is stuck: it should have turned 40 s ago",))
FULL_DISK = Health(failing=("the journal cannot be written in time",))


@contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """Listen as a service manager does; *address* as in NOTIFY_SOCKET."""
    with closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as heard:
        heard.bind(f"\0{address[1:]}" if address.startswith("@") else address)
        heard.settimeout(5.0)
        yield heard


@dataclass
class Heard:
    """A manager that writes down what it is told."""

    watchdog_s: float | None = 30.0
    told: list[dict[str, str]] = field(default_factory=list)

    def tell(self, **fields: str) -> None:
        self.told.append(fields)

    @property
    def fed(self) -> int:
        """How often the watchdog was fed."""
        return sum("WATCHDOG" in fields for fields in self.told)


@pytest.mark.parametrize("is_abstract", [False, True])
def test_a_word_arrives_on_either_sort_of_address(tmp_path: Path, is_abstract: bool) -> None:
    """A service whose READY=1 is lost is ended as one that never started."""
    address = f"@lastwatt-{secrets.token_hex(8)}" if is_abstract else str(tmp_path / "notify")
    manager = ServiceManager.of({"NOTIFY_SOCKET": address})
    assert manager is not None

    with listening(address) as heard:
        manager.tell(READY="1", STATUS="cabinet: on mains\nREADY=0")
        said = heard.recv(4096)

    assert said == b"READY=1\nSTATUS=cabinet: on mains READY=0", "no value may begin a field"


def test_nobody_listening_is_no_fault(tmp_path: Path) -> None:
    """A manager that was restarted must not cost the site its agent."""
    ServiceManager(str(tmp_path / "absent")).tell(WATCHDOG="1")


@pytest.mark.parametrize("address", ["", "relative", "@", "/"])
def test_without_an_address_there_is_no_manager(address: str) -> None:
    """Started by hand, the agent talks to nobody."""
    assert ServiceManager.of({"NOTIFY_SOCKET": address}) is None


@pytest.mark.parametrize(
    ("env", "expected_s"),
    [
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "41"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "42"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({}, None),
    ],
)
def test_the_watchdog_is_read_as_the_manual_says(
    env: dict[str, str], expected_s: float | None
) -> None:
    """sd_watchdog_enabled(3): of another process it is none of ours."""
    manager = ServiceManager.of({"NOTIFY_SOCKET": "/run/x", **env}, pid=41)

    assert manager is not None
    assert manager.watchdog_s == expected_s


async def test_ready_follows_the_first_decision(clock: FakeClock) -> None:
    """An upgrade that waits for it would otherwise call a site watched that is not."""
    manager, decided = Heard(), asyncio.Event()
    task = begin(manager, clock, has_decided=decided)
    await clock.advance(20.0)
    before = list(manager.told)
    decided.set()
    await clock.advance(1.0)
    await end(task)

    assert before == []
    assert manager.told[0] == {"READY": "1", "STATUS": "cabinet: on mains"}


async def test_a_polling_that_hangs_starves_the_watchdog(clock: FakeClock) -> None:
    """The process lives, and nobody watches the battery: only a new start helps."""
    manager, health = Heard(), [WELL]
    task = begin(manager, clock, health=health)
    await clock.advance(60.0)
    fed_well = manager.fed
    health[0] = STUCK
    await clock.advance(60.0)
    fed_stuck = manager.fed
    await end(task)

    assert fed_well >= 60 / 10
    assert fed_stuck == fed_well
    assert "the polling of cabinet is stuck" in manager.told[-1]["STATUS"]


async def test_a_full_disk_does_not_starve_it(clock: FakeClock) -> None:
    """Ending an agent that can still stop recorders would make things worse."""
    manager = Heard()
    task = begin(manager, clock, health=[FULL_DISK])
    await clock.advance(60.0)
    await end(task)

    assert manager.fed >= 6
    assert "the journal cannot be written" in manager.told[-1]["STATUS"]


@pytest.mark.parametrize("watchdog_s", [0.9, 6.0, 300.0, None])
async def test_it_is_fed_in_time(clock: FakeClock, watchdog_s: float | None) -> None:
    """A short watchdog must not end an agent that is well."""
    manager = Heard(watchdog_s=watchdog_s)
    task = begin(manager, clock)
    await clock.advance(30.0)
    await end(task)

    assert manager.fed >= 30.0 / min(watchdog_s or 5.0, 5.0)


async def test_the_end_is_told(clock: FakeClock) -> None:
    """STOPPING=1 keeps an orderly end from looking like a failure."""
    manager = Heard()
    await reporting(manager, clock).close()

    assert manager.told[0]["STOPPING"] == "1"


def test_values_of_this_process_are_the_default() -> None:
    """The manager sets WATCHDOG_PID to the very process it started."""
    env = {"NOTIFY_SOCKET": "@x", "WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}

    manager = ServiceManager.of(env)

    assert manager is not None
    assert manager.watchdog_s == 3.0


# Pieces


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def reporting(
    manager: Heard,
    clock: FakeClock,
    *,
    has_decided: asyncio.Event | None = None,
    health: list[Health] | None = None,
) -> Reporting:
    return Reporting(
        manager,
        clock=clock,
        has_decided=lambda: has_decided is None or has_decided.is_set(),
        health=lambda: WELL if health is None else health[0],
        status=lambda: "cabinet: on mains",
    )


def begin(
    manager: Heard,
    clock: FakeClock,
    *,
    has_decided: asyncio.Event | None = None,
    health: list[Health] | None = None,
) -> asyncio.Task[None]:
    made = reporting(manager, clock, has_decided=has_decided, health=health)
    return asyncio.create_task(made.run())


async def end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait({task})
