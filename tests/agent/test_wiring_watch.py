"""Who dies with mains: sockets on loopback that close, and a clock that moves by hand."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from agent.commissioning.wiring_watch import WiringWatch


class Device:
    """Something that takes connections until it dies."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.place: tuple[str, int] = self._listener.getsockname()

    def die(self) -> None:
        """Take no connection any more."""
        self._listener.close()


class Watched:
    """A watch that has seen a desk answer while mains was on, at second 0."""

    def __init__(self, desk: Device) -> None:
        self.desk = desk
        self.now = 0.0
        self.watch = WiringWatch({"desk": desk.place}, monotonic=lambda: self.now)
        self.look(None)
        assert self.watch.answered == {"desk"}

    def look(self, outage_s: float | None, *told: str) -> None:
        self.watch.look(outage_s, told=told)

    def at(self, second: float, outage_s: float | None, *told: str) -> None:
        """Look at a second, when the agent says that mains has been away for so long."""
        self.now = second
        self.look(outage_s, *told)


@pytest.fixture
def watched() -> Iterator[Watched]:
    desk = Device()
    yield Watched(desk)
    desk.die()


def test_what_stays_on_is_rightly_wired(watched: Watched) -> None:
    """It answers all through the first ten seconds, and after."""
    for second in range(1, 14):
        watched.at(second, float(second))

    assert not watched.watch.miswired
    assert watched.watch.is_over


def test_what_dies_in_the_first_seconds_hangs_on_mains(watched: Watched) -> None:
    """Two silences in a row: one may be a lost packet."""
    watched.at(2.0, 2.0)
    watched.desk.die()
    watched.at(3.0, 3.0)
    assert not watched.watch.miswired
    watched.at(4.0, 4.0)

    assert watched.watch.miswired == {"desk": 3.0}


def test_the_agent_may_learn_of_mains_later_than_the_device_dies(watched: Watched) -> None:
    """It asks the unit every ten seconds; the silence is timed, and held against its word."""
    watched.desk.die()
    for second in (1.0, 2.0, 8.0):
        watched.at(second, None)
    watched.at(9.0, 10.5)

    assert watched.watch.miswired == {"desk": 2.5}


def test_what_was_silent_before_mains_failed_is_no_matter_of_wiring(watched: Watched) -> None:
    """It restarted, or its cable was pulled, a minute earlier."""
    watched.desk.die()
    for second in (1.0, 2.0, 60.0):
        watched.at(second, None)
    watched.at(61.0, 1.0)
    watched.at(75.0, 15.0)

    assert not watched.watch.miswired
    assert watched.watch.is_over


def test_what_dies_later_ran_on_the_battery(watched: Watched) -> None:
    """And what was told to stop falls silent in order."""
    watched.at(1.0, 1.0)
    watched.at(11.0, 11.0)
    watched.desk.die()
    watched.at(12.0, 12.0)
    watched.at(13.0, 13.0)
    assert not watched.watch.miswired

    told = Watched(Device())
    told.desk.die()
    told.at(1.0, 1.0, "desk")
    told.at(2.0, 2.0, "desk")
    assert not told.watch.miswired
