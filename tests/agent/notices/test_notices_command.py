"""`lastwatt notices`: a test of every way for real, and silence for a while."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.clock import real_monotonic
from tests.agent.commands import lastwatt, unit, write_site
from tests.agent.notices.test_queue import free_port, lost, receiver
from tests.agent.test_cli_run import Running, running
from tests.peers.mail_server import mail_server
from tests.peers.snmpd import ON_BATTERY, Snmpd

MAIL = (
    '[[notices.mail]]\nname = "owners"\nto = ["ana@example.net", "rui@example.net"]\n'
    'from = "lastwatt@yard.example"\nserver = "127.0.0.1"\nport = {port}\nsecurity = "plain"\n'
)
HOOK = '[[notices.webhooks]]\nname = "pager"\nurl = "http://127.0.0.1:{port}/T0KEN"\n'


def test_every_way_is_tried_for_real_and_says_what_came_back(tmp_path: Path) -> None:
    """Before the first outage, on the box itself."""
    port = free_port()
    with mail_server() as box, receiver(port) as got:
        site = write_site(
            tmp_path, unit(1), MAIL.format(port=box.port), HOOK.format(port=port),
            f'[notices.heartbeat]\nurl = "http://127.0.0.1:{port}/"\nmethod = "POST"\n',
        )  # fmt: skip
        done = lastwatt("notices", "test", site, "--who", "Ana")
        one = lastwatt("notices", "test", site, "--to", "owners", "--json")

    assert done.status == 0
    assert sorted(line.partition(" (")[0] for line in done.out.splitlines()) == [
        "heartbeat", "owners: ana@example.net", "owners: rui@example.net", "pager",
    ]  # fmt: skip
    assert len(box.mails) == 4
    body = box.mails[0].get_body(("plain",))
    assert body is not None
    assert "as Ana asked: nothing has happened" in body.get_content()
    assert {each.get("topic") for each in got} == {"other", None}
    assert one.document["ok"] is True
    assert len(one.document["tries"]) == 2


def test_refused_is_1_and_not_reached_is_3(tmp_path: Path) -> None:
    """A script tells a wrong address from a dead line."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        away = int(taken.getsockname()[1])
    site = write_site(tmp_path, unit(1), HOOK.format(port=away))
    unreached = lastwatt("notices", "test", site)
    with mail_server() as box:
        box.answers = ["550 no such user"]
        site = write_site(tmp_path, unit(1), MAIL.format(port=box.port), HOOK.format(port=away))
        refused = lastwatt("notices", "test", site, "--json")

    assert unreached.status == 3
    assert "connection refused" in unreached.out
    assert "T0KEN" not in unreached.out + unreached.err
    assert refused.status == 1
    assert {t["said"] for t in refused.document["tries"] if t["way"] == "mail"} == {
        "it answered 550 no such user"
    }


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["test"], "notices test FILE"),
        (["bogus"], "notices [test FILE | silence]"),
        ([], "Missing option '--state'"),
        (["silence"], "Missing option '--state'"),
    ],
)
def test_wrong_words_are_usage(words: list[str], said: str) -> None:
    """One line that says how it is written."""
    done = lastwatt("notices", *words)

    assert done.status == 2
    assert said in done.complaint


def test_site_without_receivers_has_nothing_to_test(tmp_path: Path) -> None:
    """A green answer would mean that somebody is told."""
    site = write_site(tmp_path, unit(1))
    done = lastwatt("notices", "test", site)
    other = lastwatt("notices", "test", site, "--to", "nobody")

    assert (done.status, other.status) == (2, 2)
    assert "nobody is told anything" in done.complaint
    assert 'no receiver is called "nobody"' in other.complaint


@pytest.fixture(scope="module")
def agent(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    folder = tmp_path_factory.mktemp("silence")
    with Snmpd(folder / "unit") as snmpd:
        site = write_site(folder, unit(snmpd.port))
        with running(folder, site) as found:
            found.until(found.is_well, "an answer")
            yield found


@pytest.mark.peer
def test_silence_is_set_shown_journalled_with_who_and_ended(agent: Running) -> None:
    """A battery that is on order need not be told of every day."""
    silence = ("notices", "silence", "--topic", "battery", "--about", "cabinet")
    where = ("--state", agent.state, "--who", "Ana")
    done = lastwatt(*silence, "--for", "2h", *where)
    shown = lastwatt("notices", "--state", agent.state, "--json").document["silences"]
    text = lastwatt("notices", "--state", agent.state).out
    ended = lastwatt(*silence, "--end", *where)

    assert done.status == 0
    assert "notices of battery about cabinet are silenced until" in done.out
    (one,) = shown
    assert (one["topic"], one["about"]) == ("battery", "cabinet")
    assert one["who"].startswith("Ana")
    assert 7000.0 < one["left_s"] <= 7200.0
    assert "silenced by Ana" in text
    assert (ended.status, ended.out.strip()) == (
        0, "notices of battery about cabinet are told again",
    )  # fmt: skip
    entries = agent.entries("silenced_notices")
    assert [entry["who"].startswith("Ana") for entry in entries] == [True, True]


@pytest.mark.peer
@pytest.mark.parametrize(
    ("more", "status", "said"),
    [
        (["--topic", "mains lost"], 4, "is always told"),
        (["--topic", "needs you"], 4, "is always told"),
        (["--topic", "bogus"], 2, "a topic is one of"),
        (["--about", "bogus"], 2, 'nothing of the site is called "bogus"'),
        ([], 2, "say what is to be silenced"),
        (["--topic", "alarm", "--for", "99d"], 2, "at most"),
    ],
)
def test_silence_that_is_not_to_be(agent: Running, more: list[str], status: int, said: str) -> None:
    """What somebody may have to act on at once is never kept back."""
    done = lastwatt("notices", "silence", *more, "--state", agent.state)

    assert done.status == status
    assert said in done.complaint


@pytest.mark.peer
def test_mains_lost_is_told_in_silence_too_and_within_seconds(tmp_path: Path) -> None:
    """Whoever silenced the cabinet for a day still hears that somebody cut its mains.

    Bound: 10 s from the flicker time on.
    """
    port = free_port()
    with Snmpd(tmp_path / "unit") as snmpd, receiver(port) as got:
        site = write_site(tmp_path, unit(snmpd.port, more='flicker = "2s"'), HOOK.format(port=port))
        with running(tmp_path, site) as agent:
            agent.until(agent.is_well, "an answer")
            silence = ("notices", "silence", "--about", "cabinet", "--state", agent.state)
            assert lastwatt(*silence).status == 0
            snmpd.put(ON_BATTERY)
            failed_at = real_monotonic()
            agent.until(lambda: lost(got), "the notice")
            took_s = real_monotonic() - failed_at
            agent.until_said("upsAlarmOnBattery")
            agent.end()

    assert took_s <= 2.0 + 10.0
    assert [each["topic"] for each in got if each["about"] == "cabinet"] == ["mains lost"]
