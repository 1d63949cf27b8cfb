"""`lastwatt run` as a process: it begins with a word, ends when told, and dies of nothing."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import socket
import sqlite3
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from agent.errors import JournalError
from agent.journal.file import NAME as JOURNAL
from agent.journal.view import as_json, rows
from tests.agent.commands import COMMAND, V2C, V3, lastwatt, unit, write_secret, write_site
from tests.peers.boatyard import Boatyard, boatyard, wait_until
from tests.peers.rude import WEB_ANSWER, tcp_peer, udp_peer
from tests.peers.snmpd import AUTH_SECRET, PRIVACY_SECRET, Snmpd, free_port
from tests.peers.sshd import binary

pytestmark = pytest.mark.peer

END_WITHIN_S = 5.0
BOX = '[[device]]\nname = "box"\nrole = "agent box"\nwatts = 4\nfeed = "cabinet"\n'


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("unit")) as found:
        yield found


class Running:
    """An agent in a process of its own."""

    def __init__(self, folder: Path, process: subprocess.Popen[bytes]) -> None:
        self.state = folder / "state"
        self.process = process
        self._log = folder / "log"

    @property
    def log(self) -> str:
        return self._log.read_text(errors="replace")

    def until(self, holds: Callable[[], object], what: str, *, within_s: float = 90.0) -> None:
        wait_until(holds, within_s=within_s, what=what, log=lambda: self.log)

    def until_said(self, words: str) -> None:
        self.until(lambda: words in self.log, words)

    def is_well(self) -> bool:
        """Whether it lives and answers."""
        return self.process.poll() is None and lastwatt("status", "--state", self.state).status == 0

    def entries(self, kind: str) -> list[dict[str, Any]]:
        with suppress(JournalError):  # it has only just begun
            return [event for event in map(as_json, rows(self.state)) if event["kind"] == kind]
        return []

    def end(self, number: signal.Signals = signal.SIGTERM) -> tuple[int, float]:
        """Ask it to end; return its status, and the seconds that took."""
        began_at = time.monotonic()
        self.process.send_signal(number)
        status = self.process.wait(30)
        return status, time.monotonic() - began_at


@contextmanager
def running(
    folder: Path, site: Path, *more: str, prefix: tuple[str, ...] = ()
) -> Iterator[Running]:
    """Start `lastwatt run`, and end it whatever happens."""
    command = [*prefix, *COMMAND, "run", str(site), "--state", str(folder / "state"), *more]
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=log
        )
    try:
        yield Running(folder, process)
    finally:
        process.kill()
        process.wait(10)


# Beginning


@pytest.mark.parametrize("more", [[], ["--dry-run"]])
def test_run_begins_with_one_line_and_what_check_warns_of(
    tmp_path: Path, snmpd: Snmpd, more: list[str]
) -> None:
    """Whoever starts it sees what is watched, whether anything is sent, and what will bite."""
    site = write_site(tmp_path, unit(snmpd.port, snmp=V2C), BOX)
    with running(tmp_path, site, *more) as agent:
        agent.until_said("learnt_unit")
        (line,) = (line for line in agent.log.splitlines() if "event=started_agent" in line)
        warned = [line for line in agent.log.splitlines() if "event=warned_site" in line]
        checked = lastwatt("check", site).out.splitlines()[:-1]

        assert agent.process.poll() is None
    assert line.endswith(f'site="Quayside boatyard" units=1 devices=1 dry_run={bool(more)}')
    assert all("level=warning" in line for line in warned)
    assert len(warned) == len(checked) > 0


def test_second_agent_is_refused_in_one_line(tmp_path: Path, snmpd: Snmpd) -> None:
    """Status 4, who has it, and the first goes on."""
    site = write_site(tmp_path, unit(snmpd.port))
    with running(tmp_path, site) as agent:
        agent.until(agent.is_well, "an answer")
        second = lastwatt("run", site, "--state", agent.state)

        assert agent.is_well()
    assert (second.status, second.out) == (4, "")
    assert f"in use by process {agent.process.pid}; one agent a site" in second.complaint


@pytest.mark.parametrize("place", ["/proc/state", "{folder}/site.toml", "{folder}/site.toml/state"])
def test_state_directory_that_cannot_be_is_one_line(
    tmp_path: Path, snmpd: Snmpd, place: str
) -> None:
    """Status 2, and what to name instead."""
    site = write_site(tmp_path, unit(snmpd.port))
    done = lastwatt("run", site, "--state", place.format(folder=tmp_path))

    assert (done.status, done.out) == (2, "")
    assert "name another with --state" in done.complaint


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_state_directory_of_somebody_else_is_one_line(snmpd: Snmpd) -> None:
    """Started by hand as the wrong user, it must not run beside the journal."""
    folder = Path(tempfile.mkdtemp(prefix="lastwatt-"))
    folder.chmod(0o755)
    site = write_site(
        folder, unit(snmpd.port, snmp=V2C.replace("{ file", "{ env").replace('community"', 'TIDE"'))
    )
    code = (
        "import os, encodings.utf_8_sig, agent.cli, agent.checks.check, agent.wiring\n"
        "os.setgroups([]), os.setgid(65534), os.setuid(65534)\nagent.cli.main()"
    )
    done = subprocess.run(
        [COMMAND[0], "-c", code, "run", str(site), "--state", str(folder)],
        capture_output=True, text=True, timeout=30, check=False,
        env={**os.environ, "TIDE": "quayside"},
    )  # fmt: skip
    shutil.rmtree(folder)

    assert done.returncode == 2
    assert done.stderr == (
        f"lastwatt: cannot write to {folder}: permission denied; name another directory with "
        "--state, or make it writable for the user that runs the agent\n"
    )


# Ending


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 0), (signal.SIGHUP, 0), (signal.SIGINT, 130)]
)
def test_signal_ends_it_in_order(
    tmp_path: Path, snmpd: Snmpd, number: signal.Signals, status: int
) -> None:
    """A service manager, a terminal that is closed, Ctrl-C: no traceback, and the journal whole."""
    with running(tmp_path, write_site(tmp_path, unit(snmpd.port))) as agent:
        agent.until(agent.is_well, "an answer")
        assert agent.end(number)[0] == status

    assert "Traceback" not in agent.log
    assert [file.name for file in agent.state.iterdir()] == [JOURNAL]
    assert agent.entries("ended_agent")


def test_ignored_signal_stays_ignored(tmp_path: Path, snmpd: Snmpd) -> None:
    """`nohup lastwatt run …` outlives its terminal."""
    site = write_site(tmp_path, unit(snmpd.port))
    with running(tmp_path, site, prefix=("nohup",)) as agent:
        agent.until(agent.is_well, "an answer")
        agent.process.send_signal(signal.SIGHUP)
        time.sleep(0.5)
        assert agent.is_well()

        assert agent.end()[0] == 0


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Boatyard]:
    with boatyard(tmp_path) as found:
        yield found


def end_of(yard: Boatyard, process: subprocess.Popen[bytes]) -> tuple[int, float]:
    began_at = time.monotonic()
    process.send_signal(signal.SIGTERM)
    return process.wait(30), time.monotonic() - began_at


def test_it_ends_in_time_amid_a_conversation_that_hangs(yard: Boatyard) -> None:
    """The box is restarted while a PC hangs in its stop; the agent must not hang with it."""
    desk = yard.hosts["desk"]
    process = yard.start_agent()
    wait_until(lambda: "judged_supply" in yard.log(), within_s=90, what="mains", log=yard.log)
    desk.sshd.freeze()
    yard.fail_mains()
    yard.unit.put({"upsBatteryStatus": ("integer", 3)})
    wait_until(
        lambda: any(
            event["kind"] == "began_step" and event["device"] == "desk"
            for event in map(as_json, rows(yard.state))
        ),
        within_s=30, what="the stop of the desk", log=yard.log,
    )  # fmt: skip
    status, took_s = end_of(yard, process)
    desk.sshd.thaw()

    assert status == 0
    assert took_s < END_WITHIN_S
    assert "Traceback" not in yard.log()


def test_it_ends_in_time_while_its_unit_is_silent(tmp_path: Path) -> None:
    """A poll under way is not waited for."""
    with (
        udp_peer(lambda datagram: None) as port,
        running(tmp_path, write_site(tmp_path, unit(port))) as agent,
    ):
        agent.until_said("missed_poll")
        status, took_s = agent.end()

    assert status == 0
    assert took_s < END_WITHIN_S


def test_it_ends_in_time_while_the_journal_is_stuck(tmp_path: Path, snmpd: Snmpd) -> None:
    """Another process sits on the file, as a disk that hangs would; nobody waits for it."""
    with running(tmp_path, write_site(tmp_path, unit(snmpd.port))) as agent:
        agent.until(agent.is_well, "an answer")
        with closing(sqlite3.connect(agent.state / JOURNAL, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            time.sleep(1.0)
            status, took_s = agent.end()
            other.execute("ROLLBACK")

    assert status == 0
    assert took_s < END_WITHIN_S
    assert "Traceback" not in agent.log


@pytest.mark.alone
def test_second_signal_ends_it_at_once(tmp_path: Path, snmpd: Snmpd) -> None:
    """Whoever presses Ctrl-C twice means it; the journal bears it like any crash."""
    with running(tmp_path, write_site(tmp_path, unit(snmpd.port))) as agent:
        agent.until(agent.is_well, "an answer")
        with closing(sqlite3.connect(agent.state / JOURNAL, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")  # an end in order would wait for this
            agent.process.send_signal(signal.SIGINT)
            time.sleep(0.3)
            assert agent.process.poll() is None
            status, took_s = agent.end(signal.SIGINT)
            other.execute("ROLLBACK")

    assert status == 130
    assert took_s < 0.5


def test_it_ends_in_time_while_a_name_is_looked_up(tmp_path: Path, snmpd: Snmpd) -> None:
    """The system's resolver blocks for as long as the name server is down; nobody joins it."""
    hook = '[notices]\nwebhooks = [{ url = "http://hook.invalid/" }]\n'
    traps = write_site(tmp_path, unit(snmpd.port), hook)
    # A listener's port that is taken raises a notice at once, which the webhook is to get.
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken, _silent_resolver() as resolver:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        traps.write_text(
            traps.read_text().replace(
                "[agent]\n", f'[agent]\ntraps = {{ listen = "127.0.0.1:{port}" }}\n'
            )
        )
        with running(tmp_path, traps, prefix=resolver) as agent:
            agent.until_said("raised_notice")
            time.sleep(0.5)
            status, took_s = agent.end()

    assert status == 0
    assert took_s < END_WITHIN_S


@contextmanager
def _silent_resolver() -> Iterator[tuple[str, ...]]:
    """Yield what runs a command in a world whose name server never answers."""
    unshare = binary("unshare", package="util-linux")
    if os.geteuid() != 0 or subprocess.run([unshare, "-m", "true"], check=False).returncode:
        pytest.skip("a world with a name server of its own needs root and mount namespaces")
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        server.bind(("127.0.53.53", 53))  # it takes every question, and answers none
        (folder / "resolv.conf").write_text(
            "nameserver 127.0.53.53\noptions timeout:30 attempts:2\n"
        )
        (folder / "nsswitch.conf").write_text("hosts: dns\n")
        mounts = " && ".join(
            f'mount --bind "{folder}/{name}" /etc/{name}'
            for name in ("resolv.conf", "nsswitch.conf")
        )
        yield (unshare, "-m", "--", "/bin/sh", "-c", f'{mounts} && exec "$0" "$@"')


# Bearing


def test_full_disk_from_the_start_is_borne(tmp_path: Path, snmpd: Snmpd) -> None:
    """No journal, no socket, no lock file can be made: the site is watched, and somebody told."""
    unshare = binary("unshare", package="util-linux")
    state = tmp_path / "state"
    state.mkdir()
    in_full = f'mount -t tmpfs -o nr_inodes=1 tmpfs "{state}" && exec "$0" "$@"'
    if os.geteuid() != 0 or subprocess.run([unshare, "-m", "true"], check=False).returncode:
        pytest.skip("a full disk of its own needs root and mount namespaces")
    site = write_site(tmp_path, unit(snmpd.port))
    prefix = (unshare, "-m", "--", "/bin/sh", "-c", in_full)
    with running(tmp_path, site, prefix=prefix) as agent:
        agent.until_said("supply=mains")
        agent.until_said('about="control socket"')
        agent.until_said("about=journal")
        status, took_s = agent.end()

    assert status == 0
    assert took_s < END_WITHIN_S
    assert "Traceback" not in agent.log


def garbage(chance: random.Random) -> bytes:
    return chance.randbytes(chance.randint(0, 1400))


def test_garbage_on_every_door_is_borne(tmp_path: Path) -> None:
    """Whoever is on the wire can send anything; the agent goes on, and its unit heals."""
    chance = random.Random(5)
    is_rude = [True]
    with Snmpd(tmp_path / "unit") as snmpd, tcp_peer(WEB_ANSWER) as hook, ExitStack() as stack:

        def relay(datagram: bytes) -> bytes | None:
            if is_rude[0]:
                return garbage(chance)
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
                asking.settimeout(0.5)
                asking.sendto(datagram, ("127.0.0.1", snmpd.port))
                with suppress(TimeoutError):
                    return asking.recv(65535)
            return None

        port, traps = stack.enter_context(udp_peer(relay)), free_port()
        brisk = f'{V3}, timeout = "0.2s", tries = 1'
        site = write_site(
            tmp_path,
            unit(port, snmp=brisk),
            f'[notices]\nwebhooks = [{{ url = "http://127.0.0.1:{hook}/" }}]\n',
        )
        text = site.read_text().replace(
            "[agent]\n", f'[agent]\ntraps = {{ listen = "127.0.0.1:{traps}" }}\n'
        )
        site.write_text(text)
        with running(tmp_path, site) as agent:
            agent.until(agent.is_well, "an answer")
            for _ in range(100):
                _send_udp(traps, garbage(chance))
                _send_unix(agent.state / "agent.sock", garbage(chance))
            agent.until(lambda: agent.entries("missed_poll"), "a missed poll in the journal")
            is_rude[0] = False
            agent.until_said("supply=mains")

            assert agent.is_well()
            assert agent.end()[0] == 0
    assert "Traceback" not in agent.log
    assert "makes no sense" in agent.entries("missed_poll")[0]["why"]


def _send_udp(port: int, data: bytes) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(data, ("127.0.0.1", port))


def _send_unix(path: Path, data: bytes) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as sender:
        sender.connect(str(path))
        with suppress(OSError):
            sender.sendall(data)


@pytest.mark.parametrize(
    ("secret", "said"),
    [("auth", "authentication failed; mend"), ("privacy", "cannot decrypt: mend")],
)
def test_wrong_credential_is_journalled_once_and_heals(
    tmp_path: Path, snmpd: Snmpd, secret: str, said: str
) -> None:
    """Somebody changed the unit's password: the agent says so, once, and shows no secret."""
    site = write_site(tmp_path, unit(snmpd.port))
    write_secret(tmp_path / secret, "not-the-right-one")
    with running(tmp_path, site) as agent:
        agent.until(lambda: agent.entries("missed_poll"), "a missed poll in the journal")
        time.sleep(3.0)  # some more polls
        missed = agent.entries("missed_poll")
        shown = agent.log + json.dumps([as_json(row) for row in rows(agent.state)])

        assert agent.is_well()
    assert len(missed) == 1
    assert said in missed[0]["why"]
    for hidden in ("not-the-right-one", AUTH_SECRET, PRIVACY_SECRET):
        assert hidden not in shown


def test_log_that_nobody_takes_is_borne(tmp_path: Path, snmpd: Snmpd) -> None:
    """The log's reader ends (a journal service restarts, `| head`): the agent does not."""
    site = write_site(tmp_path, unit(snmpd.port))
    command = [*COMMAND, "run", str(site), "--state", str(tmp_path / "state")]
    with subprocess.Popen(
        command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    ) as process:
        assert process.stderr is not None
        process.stderr.readline()
        process.stderr.close()
        agent = Running(tmp_path, process)
        try:
            wait_until(agent.is_well, within_s=90, what="an answer")
            snmpd.put({"upsOutputSource": ("integer", 4)})  # something to log: bypass
            wait_until(
                lambda: any("bypass" in e["why"] for e in agent.entries("judged_supply")),
                within_s=90, what="bypass journalled",
            )  # fmt: skip
            assert agent.is_well()
            assert agent.end()[0] == 0
        finally:
            snmpd.put({"upsOutputSource": ("integer", 3)})
            process.kill()
