"""The command line's streams: the journal, closed pipes, full disks, terminals, and Ctrl-C."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from agent.journal.view import as_json, rows
from tests.agent.commands import (
    COMMAND,
    V3,
    Done,
    answering,
    lastwatt,
    ssh_device,
    unit,
    write_secret,
    write_site,
)
from tests.agent.journals import given, open_journal, taken
from tests.fakes import FakeClock
from tests.peers.rude import tcp_peer, udp_peer
from tests.peers.snmpd import free_port

PIN = "SHA256:Zk3vJ8mQ1nT5yR7wB2cX4dF6gH9jK0lP3sV5uA8eI1o"


# The journal


@pytest.fixture
async def state(tmp_path: Path) -> Path:
    """A state directory with a journal of 3 entries, one of them as rude as a device can be."""
    journal = open_journal(tmp_path / "state", FakeClock())
    await journal.commit(given(1.0), taken(2.0), given(3.0, 2))
    journal.remember("time_zone", "Europe/Lisbon")
    await journal.close()
    return tmp_path / "state"


def test_journal_is_shown_as_lines_and_as_one_document(state: Path) -> None:
    """People and programs see the same entries, the oldest first."""
    done = lastwatt("journal", "--state", state)
    in_json = lastwatt("journal", "--state", state, "--json")
    last = lastwatt("journal", "--state", state, "--json", "--last", "1")

    assert (done.status, done.err, len(done.out.splitlines())) == (0, "", 3)
    assert in_json.document["ok"] is True
    assert in_json.document["events"] == [as_json(row) for row in rows(state)]
    assert last.document["events"] == in_json.document["events"][-1:]


def test_export_appears_whole_and_says_how_much(state: Path, tmp_path: Path) -> None:
    """What is handed over to an insurer is all of it."""
    done = lastwatt("journal", "--state", state, "--export", tmp_path / "all.jsonl")
    in_json = lastwatt("journal", "--state", state, "--export", tmp_path / "again", "--json")

    lines = (tmp_path / "all.jsonl").read_text().splitlines()
    assert done.out == f"3 entries written to {tmp_path / 'all.jsonl'}\n"
    assert [json.loads(line) for line in lines] == [as_json(row) for row in rows(state)]
    assert (in_json.document["entries"], in_json.document["file"]) == (3, str(tmp_path / "again"))
    assert sorted(f.name for f in tmp_path.iterdir()) == ["again", "all.jsonl", "state"]


def test_export_through_a_link_or_into_a_pipe_replaces_neither(state: Path, tmp_path: Path) -> None:
    """As root, an export to /dev/stdout must not put a file in its place."""
    (tmp_path / "target").write_text("old")
    (tmp_path / "link").symlink_to("target")
    linked = lastwatt("journal", "--state", state, "--export", tmp_path / "link")
    os.mkfifo(tmp_path / "pipe")
    reader = subprocess.Popen(["cat", str(tmp_path / "pipe")], stdout=subprocess.PIPE, text=True)
    piped = lastwatt("journal", "--state", state, "--export", tmp_path / "pipe")
    read, _ = reader.communicate(timeout=10)

    assert (linked.status, piped.status) == (0, 0)
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "pipe").is_fifo()
    assert read == (tmp_path / "target").read_text()
    assert len(read.splitlines()) == 3


@pytest.mark.parametrize("place", ["missing/all.jsonl", "state"])
def test_export_that_cannot_be_written_is_one_line(state: Path, tmp_path: Path, place: str) -> None:
    """Status 2, and what was there before is still there."""
    done = lastwatt("journal", "--state", state, "--export", tmp_path / place)

    assert (done.status, done.out) == (2, "")
    assert f"cannot write {tmp_path / place}" in done.complaint
    assert [f.name for f in tmp_path.iterdir()] == ["state"]


# Streams


@pytest.mark.parametrize("arguments", [["--help"], ["journal", "--state", "{state}", "--json"]])
def test_reader_that_goes_away_is_no_trouble(state: Path, arguments: list[str]) -> None:
    """`lastwatt … | head` prints nothing of its own; 141 is 128 and SIGPIPE, as shells have it."""
    command = [*COMMAND, *(text.format(state=state) for text in arguments)]
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        command, stdout=writing, stderr=subprocess.PIPE, text=True, timeout=30, check=False
    )
    os.close(writing)

    assert (done.returncode, done.stderr) == (141, "")


def test_full_disk_behind_standard_output_is_one_line(state: Path) -> None:
    """A document that was cut short must not end with status 0."""
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [*COMMAND, "journal", "--state", str(state), "--json"],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=30, check=False,
        )  # fmt: skip

    assert done.returncode == 2
    assert done.stderr.splitlines() == [
        "lastwatt: cannot use standard output: no space left on device; see that it is there, "
        "and has room"
    ]


def on_terminal(*arguments: str | Path, env: dict[str, str] | None = None) -> tuple[int, str]:
    """Run a command on a terminal of its own; return its status and all that was shown."""
    terminal, inside = pty.openpty()
    with subprocess.Popen(
        [*COMMAND, *map(str, arguments)],
        stdin=inside,
        stdout=inside,
        stderr=inside,
        env={**os.environ, "TERM": "xterm-256color", **(env or {})},
    ) as process:
        os.close(inside)
        shown = b""
        until = time.monotonic() + 60
        while time.monotonic() < until:
            if select.select([terminal], [], [], 1.0)[0]:
                try:
                    shown += os.read(terminal, 65536)
                except OSError:  # its other side was closed
                    break
        os.close(terminal)
        return process.wait(10), shown.decode()


def test_probe_shows_progress_on_a_terminal_and_nowhere_else(tmp_path: Path) -> None:
    """It takes seconds; whoever watches sees that it lives, whoever pipes sees results only."""
    brisk = f'{V3}, timeout = "0.3s", tries = 1'
    with udp_peer(lambda datagram: None) as port:
        path = write_site(tmp_path, unit(port, snmp=brisk))
        status, shown = on_terminal("probe", path)
        piped = lastwatt("probe", path)

    assert status == piped.status == 3
    assert shown.startswith("\rprobing: 0 of 1")
    assert piped.out.splitlines()[0] in shown
    assert "probing" not in piped.out + piped.err


async def test_long_export_shows_progress_on_a_terminal(tmp_path: Path) -> None:
    """A journal of years takes a while; the line vanishes when it is done."""
    journal = open_journal(tmp_path / "state", FakeClock())
    await journal.commit(*(taken(float(at)) for at in range(2500)))
    await journal.close()
    export = ("journal", "--state", tmp_path / "state", "--export", tmp_path / "all")
    status, shown = on_terminal(*export)

    assert status == 0
    assert "\rexporting: 2000 entries" in shown
    assert shown.endswith(f"\r2500 entries written to {tmp_path / 'all'}\r\n")
    assert lastwatt(*export).err == ""


def test_no_color_forbids_every_escape(tmp_path: Path) -> None:
    """NO_COLOR (no-color.org): set to anything but nothing, no ANSI colour is added."""
    path = write_site(tmp_path, unit(free_port(), snmp=f'{V3}, timeout = "0.3s", tries = 1'))
    _, shown = on_terminal("probe", path, env={"NO_COLOR": "1"})

    assert "\x1b" not in shown


# Ctrl-C


@contextmanager
def begun(*arguments: str | Path, log: Path | None = None) -> Iterator[subprocess.Popen[str]]:
    """Start a command, and end it whatever happens."""
    process = subprocess.Popen(
        [*COMMAND, *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def interrupted(process: subprocess.Popen[str]) -> Done:
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=10)
    assert "Traceback" not in out + err, out + err
    return Done(process.returncode, out, err.strip())


@pytest.mark.alone
def test_interrupted_probe_leaves_at_once(tmp_path: Path) -> None:
    """Status 130, 128 and SIGINT, while a device keeps it waiting."""
    write_secret(tmp_path / "key", "no key at all")
    with tcp_peer(None) as ssh_port, udp_peer(lambda datagram: None) as snmp_port:
        desk = ssh_device(ssh_port, fingerprint=PIN, user="keeper").replace(
            "key = { file", "password = { file"
        )
        path = write_site(tmp_path, unit(snmp_port), desk)
        with begun("probe", path) as process:
            time.sleep(2.0)  # it is amid its conversations, which take 3 s and 20 s
            assert process.poll() is None
            began_at = time.monotonic()
            done = interrupted(process)
            took_s = time.monotonic() - began_at

    assert (done.status, done.out, done.err) == (130, "", "")
    assert took_s < 2.0


def test_interrupted_follow_leaves_whole_lines(state: Path) -> None:
    """The only way to end it must not look like trouble."""
    with begun("journal", "--state", state, "--follow", "--json") as process:
        assert process.stdout is not None
        first = [process.stdout.readline() for _ in range(3)]
        done = interrupted(process)

    assert [json.loads(line)["id"] for line in first] == [1, 2, 3]
    assert (done.status, done.out, done.err) == (130, "", "")


def test_interrupted_status_leaves_at_once(tmp_path: Path) -> None:
    """An agent that hangs must not hold its owner's terminal."""
    with answering(tmp_path, None), begun("status", "--state", tmp_path) as process:
        time.sleep(1.5)
        assert process.poll() is None
        done = interrupted(process)

    assert (done.status, done.out, done.err) == (130, "", "")


def test_interrupted_export_leaves_nothing_half_done(state: Path, tmp_path: Path) -> None:
    """A file of half a journal would be taken for a whole one."""
    os.mkfifo(tmp_path / "pipe")  # nobody reads it: opening it waits
    with begun("journal", "--state", state, "--export", tmp_path / "pipe") as process:
        time.sleep(1.5)
        assert process.poll() is None
        done = interrupted(process)

    assert (done.status, done.out, done.err) == (130, "", "")
    assert sorted(f.name for f in tmp_path.iterdir()) == ["pipe", "state"]
