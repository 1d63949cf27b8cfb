"""A command asks the running agent over its Unix socket, and gets an answer or a clear reason."""

import asyncio
import json
import os
import socket
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

import pytest

from agent.control import (
    CONNECTIONS,
    NAME,
    REQUEST_BYTES,
    AgentUnreachableError,
    ControlServer,
    ask,
)
from agent.journal.lock import StateLock
from drivers.errors import LastwattError

LONG = "a state directory with a very long name " * 3  # past the 107 bytes of unix(7)


async def status(request: dict[str, Any]) -> dict[str, Any]:
    return {"supply": "mains", "said": request.get("word")}


async def whoami(request: dict[str, Any]) -> dict[str, Any]:
    return {"uid": request["peer_uid"]}


async def refuse(request: dict[str, Any]) -> dict[str, Any]:
    raise LastwattError("the device is on the no-touch list")


async def fail(request: dict[str, Any]) -> dict[str, Any]:
    raise ZeroDivisionError("hunter2")


async def hang(request: dict[str, Any]) -> dict[str, Any]:
    await asyncio.Event().wait()
    return {}


async def unwritable(request: dict[str, Any]) -> dict[str, Any]:
    return {"what": object()}


async def long_answer(request: dict[str, Any]) -> dict[str, Any]:
    return {"text": "é" * 2_000_000}


ASKS = {
    "status": status,
    "whoami": whoami,
    "refuse": refuse,
    "fail": fail,
    "hang": hang,
    "unwritable": unwritable,
    "long": long_answer,
}


@pytest.fixture
def lock(tmp_path: Path) -> StateLock:
    return StateLock.take(tmp_path / "state")


@pytest.fixture
async def server(lock: StateLock) -> AsyncIterator[ControlServer]:
    served = ControlServer(lock, ASKS, request_within_s=0.5, answer_within_s=0.5)
    await served.start()
    yield served
    await served.close()
    lock.release()


async def asked(folder: Path, name: str, **more: Any) -> dict[str, Any]:
    """Ask as a command does, which has no loop, from beside the server's loop."""
    timeout_s = more.pop("timeout_s", 5.0)
    return await asyncio.to_thread(ask, folder, {"ask": name, **more}, timeout_s=timeout_s)


async def raw(folder: Path, sent: bytes) -> bytes:
    """Send bytes as they are, and return all that comes."""
    reader, writer = await asyncio.open_unix_connection(folder / NAME)
    writer.write(sent)
    with suppress(ConnectionError):
        await writer.drain()
    try:
        return await reader.read()
    finally:
        writer.close()


async def test_a_command_gets_the_agents_answer(server: ControlServer, lock: StateLock) -> None:
    """`lastwatt status` and every order by hand come this way."""
    assert await asked(lock.folder, "status", word="ja é") == {
        "format": 1,
        "ok": True,
        "supply": "mains",
        "said": "ja é",
    }


@pytest.mark.parametrize("claimed", [{}, {"peer_uid": 4711}])
async def test_who_asks_is_what_the_kernel_says(
    server: ControlServer, lock: StateLock, claimed: dict[str, Any]
) -> None:
    """An order by hand stands in the journal under the name of who gave it, whatever he claims."""
    answer = await asked(lock.folder, "whoami", **claimed)

    assert answer["uid"] == os.getuid()


async def test_another_program_is_answered_too(server: ControlServer, lock: StateLock) -> None:
    """One line of JSON each way: perl's own socket library speaks it."""
    code = (
        "use IO::Socket::UNIX; my $s = IO::Socket::UNIX->new(Peer => $ARGV[0]) or die $!;"
        'print $s qq({"format": 1, "ask": "status"}\\n); print <$s>;'
    )
    ran = await asyncio.to_thread(
        subprocess.run, ["/usr/bin/perl", "-e", code, str(lock.folder / NAME)],
        capture_output=True, timeout=10, check=True,
    )  # fmt: skip

    assert json.loads(ran.stdout)["supply"] == "mains"


async def test_the_socket_is_its_owners_alone(server: ControlServer, lock: StateLock) -> None:
    """Whoever may connect may stop the site's devices."""
    mode = (lock.folder / NAME).stat().st_mode

    assert stat.S_ISSOCK(mode)
    assert stat.S_IMODE(mode) == 0o600


async def test_a_refusal_is_an_answer(server: ControlServer, lock: StateLock) -> None:
    """The command tells the person why, and ends with the status for a refusal."""
    assert await asked(lock.folder, "refuse") == {
        "format": 1,
        "ok": False,
        "error": "the device is on the no-touch list",
    }


@pytest.mark.parametrize(
    ("name", "error"),
    [
        ("fail", "fail failed by a fault of the agent's own; its log says more"),
        ("unwritable", "unwritable failed by a fault of the agent's own; its log says more"),
        ("hang", "hang did not end within 0.5 s"),
        (
            "dance",
            "the agent knows no ask 'dance'; it knows: fail, hang, long, refuse, status, "
            "unwritable, whoami",
        ),
    ],
)
async def test_no_ask_can_end_the_agent(
    server: ControlServer, lock: StateLock, name: str, error: str
) -> None:
    """A fault in a command's answer must not take the watch over the battery with it."""
    first = await asked(lock.folder, name)
    second = await asked(lock.folder, "status")

    assert (first["ok"], first["error"], second["ok"]) == (False, error, True)


@pytest.mark.parametrize(
    "sent",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"\n",
        b"[1]\n",
        b'{"ask": "status"}\n',
        b'{"format": 2, "ask": "status"}\n',
        b"\xff\xfe\n",
        b"[" * 50_000 + b"\n",
        b"x" * (REQUEST_BYTES + 1000),
    ],
)
async def test_what_is_no_request_is_told_what_one_is(
    server: ControlServer, lock: StateLock, sent: bytes
) -> None:
    """Someone writing a script against the socket finds out how."""
    answer = json.loads(await raw(lock.folder, sent))

    assert not answer["ok"]
    assert answer["error"].startswith('a request is one line of JSON, {"format": 1, "ask": "…"}')


async def test_an_ask_that_is_no_word_is_refused(server: ControlServer, lock: StateLock) -> None:
    """A list as the name of an ask once was a traceback."""
    answer = json.loads(await raw(lock.folder, b'{"format": 1, "ask": ["status"]}\n'))

    assert answer["error"].startswith("the agent knows no ask ['status']")


async def test_a_silent_client_is_dropped_and_holds_up_nobody(
    server: ControlServer, lock: StateLock
) -> None:
    """A script that hangs must not keep the owner from pausing the agent."""
    reader, writer = await asyncio.open_unix_connection(lock.folder / NAME)
    answer = await asked(lock.folder, "status")
    dropped = await asyncio.wait_for(reader.read(), 5.0)
    writer.close()

    assert answer["ok"]
    assert dropped == b""


async def test_one_client_too_many_is_turned_away_and_the_next_is_served(
    server: ControlServer, lock: StateLock
) -> None:
    """Memory and file descriptors have a bound, whatever runs amok on the box."""
    idle = [await asyncio.open_unix_connection(lock.folder / NAME) for _ in range(CONNECTIONS)]
    turned_away = await asked(lock.folder, "status")
    for _, writer in idle:
        writer.close()
        await writer.wait_closed()
    await asyncio.sleep(0)
    served = await asked(lock.folder, "status")

    assert not turned_away["ok"]
    assert "too many commands at once" in turned_away["error"]
    assert served["ok"]


async def test_a_long_answer_arrives_whole(lock: StateLock) -> None:
    """A site of a hundred devices has a long status."""
    patient = ControlServer(lock, ASKS)
    await patient.start()
    answer = await asked(lock.folder, "long", timeout_s=30.0)
    await patient.close()
    lock.release()

    assert len(answer["text"]) == 2_000_000


async def test_a_client_that_takes_no_answer_is_dropped(
    server: ControlServer, lock: StateLock
) -> None:
    """`lastwatt status | less`, left open over the weekend."""
    _, writer = await asyncio.open_unix_connection(lock.folder / NAME, limit=1)
    writer.write(b'{"format": 1, "ask": "long"}\n')
    idle = [await asyncio.open_unix_connection(lock.folder / NAME) for _ in range(CONNECTIONS - 1)]
    full = await asked(lock.folder, "status")
    for _ in range(100):
        await asyncio.sleep(0.05)
        if (answer := await asked(lock.folder, "status"))["ok"]:
            break
    for _, each in [(None, writer), *idle]:
        each.close()

    assert not full["ok"]
    assert answer["ok"]


async def test_a_stale_socket_is_replaced(lock: StateLock) -> None:
    """A killed agent leaves its socket behind, and the box has to come back by itself."""
    with closing(socket.socket(socket.AF_UNIX)) as dead:
        dead.bind(str(lock.folder / NAME))
    server = ControlServer(lock, ASKS)
    await server.start()
    answer = await asked(lock.folder, "status")
    await server.close()

    assert answer["ok"]


async def test_only_the_holder_of_the_lock_may_listen(lock: StateLock) -> None:
    """A second agent must not take the first one's socket away."""
    lock.release()
    with pytest.raises(AssertionError, match="only the agent of this state directory"):
        await ControlServer(lock, ASKS).start()


async def test_closing_breaks_off_what_is_under_way_and_removes_the_socket(
    lock: StateLock,
) -> None:
    """SIGTERM ends the agent within seconds, whoever still waits for an answer."""
    server = ControlServer(lock, ASKS)
    await server.start()
    waiting = asyncio.create_task(asked(lock.folder, "hang"))
    reader, writer = await asyncio.open_unix_connection(lock.folder / NAME)
    await asyncio.sleep(0.05)
    await asyncio.wait_for(server.close(), 2.0)
    await server.close()

    with pytest.raises(AgentUnreachableError):
        await waiting
    assert await reader.read() == b""
    assert not (lock.folder / NAME).exists()
    writer.close()


@pytest.mark.parametrize("left", ["nothing", "a dead socket"])
def test_no_agent_is_said_with_how_to_start_one(tmp_path: Path, left: str) -> None:
    """The commonest answer to `lastwatt status`, and never a traceback."""
    if left == "a dead socket":
        with closing(socket.socket(socket.AF_UNIX)) as dead:
            dead.bind(str(tmp_path / NAME))

    with pytest.raises(AgentUnreachableError) as caught:
        ask(tmp_path, {"ask": "status"})
    assert str(caught.value) == (
        f"no agent runs on {tmp_path}; start it with `lastwatt run FILE --state {tmp_path}`"
    )


def test_an_agent_that_hangs_is_said_to(tmp_path: Path) -> None:
    """The person learns which process to look at."""
    lock = StateLock.take(tmp_path)
    with closing(socket.socket(socket.AF_UNIX)) as deaf:
        deaf.bind(str(tmp_path / NAME))
        deaf.listen()
        with pytest.raises(
            AgentUnreachableError,
            match=rf"\(process {os.getpid()}\) did not answer within 0.2 s",
        ):
            ask(tmp_path, {"ask": "status"}, timeout_s=0.2)
    lock.release()


@pytest.mark.parametrize("answer", [b"no JSON\n", b"[]\n", b"{}\n", b"", b'{"ok": tr'])
def test_an_answer_that_is_none_is_said_to_be(tmp_path: Path, answer: bytes) -> None:
    """An agent of another release, or one that died in mid-answer."""
    with closing(socket.socket(socket.AF_UNIX)) as odd:
        odd.bind(str(tmp_path / NAME))
        odd.listen()
        odd.settimeout(5.0)
        threads = asyncio.run(answer_once(odd, answer, tmp_path))

    assert "answered no JSON" in threads or "broke off its answer" in threads


async def answer_once(listener: socket.socket, answer: bytes, folder: Path) -> str:
    """Answer one client of *listener* so, and return what the client makes of it."""

    def serve() -> None:
        connection, _ = listener.accept()
        with connection:
            connection.recv(1000)
            connection.sendall(answer)

    serving = asyncio.create_task(asyncio.to_thread(serve))
    with pytest.raises(AgentUnreachableError) as caught:
        await asked(folder, "status")
    await serving
    return str(caught.value)


@pytest.mark.skipif(os.geteuid() != 0, reason="becoming somebody else needs root")
async def test_somebody_else_is_told_to_ask_as_the_agents_user(
    server: ControlServer, lock: StateLock
) -> None:
    """The agent runs as a user of its own; `lastwatt status` as oneself is refused."""
    code = (
        "import os, sys; from pathlib import Path\n"
        "from agent.control import ask, AgentUnreachableError\n"
        "os.chdir(sys.argv[1]); os.setuid(65534)\n"
        "try: ask(Path(), {'ask': 'status'})\n"
        "except AgentUnreachableError as error: print(error)"
    )
    lock.folder.chmod(0o755)
    ran = await asyncio.to_thread(
        subprocess.run, [sys.executable, "-c", code, str(lock.folder)],
        capture_output=True, text=True, timeout=20, check=False,
    )  # fmt: skip

    assert "ask as the user that it runs as" in ran.stdout, ran.stderr


async def test_a_long_path_is_no_obstacle(tmp_path: Path) -> None:
    """A socket's address holds 107 bytes; state directories of orchestrators are longer."""
    lock = StateLock.take(tmp_path / LONG)
    server = ControlServer(lock, ASKS)
    await server.start()
    answer = await asked(tmp_path / LONG, "status")
    mode = (tmp_path / LONG / NAME).stat().st_mode
    await server.close()

    assert answer["ok"]
    assert stat.S_IMODE(mode) == 0o600
    assert not (tmp_path / LONG / NAME).exists()
    with pytest.raises(AgentUnreachableError, match="no agent runs on"):
        await asked(tmp_path / LONG, "status")


async def test_a_place_where_no_socket_can_be_is_said_so(tmp_path: Path) -> None:
    """Some shared folders hold no sockets; the message names the path and what to try."""
    lock = StateLock.take(tmp_path)
    (tmp_path / NAME).mkdir()

    with pytest.raises(LastwattError, match=r"cannot make the control socket .*agent\.sock"):
        await ControlServer(lock, ASKS).start()
