"""Guessing gets slower and slower, and never keeps the owner out."""

from __future__ import annotations

from dataclasses import dataclass

from agent.page.attempts import ADDRESS_PAUSE_MOST_S, FREE, NAME_PAUSE_MOST_S, Attempts, network_of
from agent.page.sessions import (
    CONFIRMED_S,
    IDLE_S,
    LASTS_S,
    SESSIONS_MOST,
    SESSIONS_OF_ONE,
    Sessions,
)


@dataclass
class Now:
    at: float = 1000.0

    def __call__(self) -> float:
        return self.at


def test_pauses_double_up_to_their_most() -> None:
    now = Now()
    attempts = Attempts(now=now)
    pauses = []
    for _ in range(FREE + 12):
        now.at += attempts.pause_s(address="192.0.2.9", name="Ana")
        attempts.begin(address="192.0.2.9", name="Ana")
        pauses.append(attempts.pause_s(address="192.0.2.9", name="Ana"))

    assert pauses[: FREE + 4] == [0.0] * FREE + [1.0, 2.0, 4.0, 8.0]
    assert pauses[-1] == ADDRESS_PAUSE_MOST_S


def test_name_is_slowed_from_all_addresses_and_never_for_long() -> None:
    """Whoever has a thousand addresses gets two tries a minute of a name, not a thousand."""
    now = Now()
    attempts = Attempts(now=now)
    for n in range(60):
        attempts.begin(address=f"198.51.100.{n}", name="Ana")

    assert attempts.pause_s(address="203.0.113.1", name="ana ") == NAME_PAUSE_MOST_S
    assert attempts.pause_s(address="203.0.113.1", name="Bo") == 0.0


def test_owner_comes_in_from_where_the_owner_was_before() -> None:
    """A stranger's guessing must not keep the owner out in an outage."""
    attempts = Attempts(now=Now())
    attempts.begin(address="192.0.2.5", name="Ana")
    attempts.succeed(address="192.0.2.5", name="Ana")
    for n in range(60):
        attempts.begin(address=f"198.51.100.{n}", name="Ana")

    assert attempts.pause_s(address="192.0.2.5", name="Ana") == 0.0


def test_it_is_forgotten_in_an_hour() -> None:
    now = Now()
    attempts = Attempts(now=now)
    for _ in range(FREE + 10):
        attempts.begin(address="192.0.2.9", name="Ana")
    now.at += 3601.0
    attempts.begin(address="192.0.2.9", name="Ana")

    assert attempts.pause_s(address="192.0.2.9", name="Ana") == 0.0


def test_household_of_ipv6_counts_as_one() -> None:
    """It has 2^64 addresses: each one new would be no bound at all (RFC 6177)."""
    assert network_of("2001:db8:1:2::5") == network_of("2001:db8:1:2:ffff::9")
    assert network_of("2001:db8:1:3::5") != network_of("2001:db8:1:2::5")
    assert network_of("::ffff:192.0.2.1") == network_of("192.0.2.1")


def test_session_ends_idle_and_after_its_day() -> None:
    now = Now()
    sessions = Sessions(now=now)
    _, secret = sessions.begin("Ana", password="x", address="192.0.2.5")
    now.at += IDLE_S - 1.0
    assert sessions.find(secret) is not None
    now.at += 1.0
    assert sessions.find(secret) is None

    used, secret = sessions.begin("Ana", password="x", address="192.0.2.5")
    end_at = now.at + LASTS_S
    while now.at < end_at:
        assert sessions.find(secret) is not None
        sessions.use(used)
        now.at += IDLE_S / 2
    assert sessions.find(secret) is None


def test_confirmation_is_fresh_for_a_short_time() -> None:
    now = Now()
    sessions = Sessions(now=now)
    session, _ = sessions.begin("Ana", password="x", address="192.0.2.5")
    assert session.confirmed_for_s(now.at) == CONFIRMED_S
    now.at += CONFIRMED_S
    assert session.confirmed_for_s(now.at) == 0.0
    sessions.confirm(session)
    assert session.confirmed_for_s(now.at) == CONFIRMED_S


def test_sessions_are_bounded_and_the_longest_unused_gives_way() -> None:
    now = Now()
    sessions = Sessions(now=now)
    _, first = sessions.begin("Ana", password="x", address="192.0.2.5")
    for _ in range(SESSIONS_OF_ONE):
        now.at += 1.0
        _, last = sessions.begin("Ana", password="x", address="192.0.2.5")

    assert len(sessions) == SESSIONS_OF_ONE
    assert sessions.find(first) is None and sessions.find(last) is not None
    for n in range(SESSIONS_MOST + 5):
        sessions.begin(f"p{n}", password="x", address="192.0.2.5")
    assert len(sessions) == SESSIONS_MOST
