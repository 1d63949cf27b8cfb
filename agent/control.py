"""The agent's Unix socket: how a command asks the running agent, and gets one answer.

A line of JSON each way, then the connection ends: `{"format": 1, "ask": "status"}` is answered by
`{"format": 1, "ok": true, …}`. The socket lies in the state directory and is its owner's alone.
"""

from __future__ import annotations

import asyncio
import json
import os
import socket
import struct
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import structlog

from agent.clock import real_monotonic
from agent.journal.lock import StateLock, holder_of
from drivers.errors import LastwattError

log = structlog.get_logger()

NAME = "agent.sock"
FORMAT = 1
REQUEST_BYTES = 64 * 2**10
ANSWER_BYTES = 16 * 2**20
CONNECTIONS = 16
REQUEST_WITHIN_S = 5.0
ANSWER_WITHIN_S = 30.0

Ask = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]

_PEERCRED = struct.Struct("3i")
_PATH_BYTES = 107  # sockaddr_un.sun_path of unix(7), less its closing zero


class AgentUnreachableError(LastwattError):
    """No agent answers on a state directory; trying again helps once one runs, or is less busy."""


class ControlServer:
    """Answers the asks of commands, while the agent runs; one request a connection.

    A client that is slow, sends too much, or is one too many is turned away; none can hold up
    another or the agent.
    """

    def __init__(
        self,
        lock: StateLock,
        asks: Mapping[str, Ask],
        *,
        request_within_s: float = REQUEST_WITHIN_S,
        answer_within_s: float = ANSWER_WITHIN_S,
    ) -> None:
        """Take the asks by name.

        Args:
            lock: on the state directory; only its holder may replace the socket file.
            asks: each gets the whole request, with the user number of whoever asks as `peer_uid`,
                and returns the fields of its answer; a LastwattError becomes an answer with `ok`
                false and its text.
            request_within_s: a request must have arrived by then, in loop seconds.
            answer_within_s: an ask must have ended by then, and its answer been taken.
        """
        self._lock = lock
        self._asks = dict(asks)
        self._request_within_s = request_within_s
        self._answer_within_s = answer_within_s
        self._server: asyncio.Server | None = None
        self._talks: set[asyncio.Task[None]] = set()

    async def start(self) -> None:
        """Listen, in place of whatever socket an agent that is gone left behind.

        Raises:
            LastwattError: the socket cannot be made.
        """
        assert self._lock.is_held, "only the agent of this state directory may listen there"
        try:
            listener = _listen(self._lock.folder)
        except OSError as error:
            raise LastwattError(
                f"cannot make the control socket {self._lock.folder / NAME}: {error}; check that "
                "the state directory is on a local disk with room, and writable"
            ) from error
        self._server = await asyncio.start_unix_server(
            self._meet, sock=listener, limit=REQUEST_BYTES
        )

    async def close(self) -> None:
        """Listen no longer, and break off what is under way; safe to call twice."""
        if self._server is None:
            return
        server, self._server = self._server, None
        server.close()
        with suppress(OSError):
            (self._lock.folder / NAME).unlink()
        for talk in self._talks:
            talk.cancel()
        await asyncio.gather(*self._talks, return_exceptions=True)

    def _meet(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        is_too_many = len(self._talks) >= CONNECTIONS
        talk = asyncio.create_task(self._talk(reader, writer, is_too_many=is_too_many))
        self._talks.add(talk)
        talk.add_done_callback(self._talks.discard)

    async def _talk(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, *, is_too_many: bool
    ) -> None:
        try:
            if is_too_many:
                writer.write(_no("the agent answers too many commands at once; try again"))
            else:
                request = await self._request(reader)
                if request is not None:
                    request["peer_uid"] = _uid_of(writer)
                writer.write(await self._answer(request))
            writer.close()
            async with asyncio.timeout(self._request_within_s):
                await writer.wait_closed()
        except (TimeoutError, OSError) as error:
            log.debug("dropped_command", why=str(error) or "it took too long")
        finally:
            # Whatever the client has not taken by now is dropped: it had its time.
            writer.transport.abort()

    async def _request(self, reader: asyncio.StreamReader) -> dict[str, Any] | None:
        """Return the request, or None where it is none or too long."""
        async with asyncio.timeout(self._request_within_s):
            try:
                request = json.loads(await reader.readline())
            except (ValueError, RecursionError):
                return None
        return request if isinstance(request, dict) and request.get("format") == FORMAT else None

    async def _answer(self, request: dict[str, Any] | None) -> bytes:
        if request is None:
            return _no(
                f'a request is one line of JSON, {{"format": {FORMAT}, "ask": "…"}}, of at most '
                f"{REQUEST_BYTES} bytes"
            )
        name = request.get("ask")
        ask = self._asks.get(name) if isinstance(name, str) else None
        if ask is None:
            return _no(
                f"the agent knows no ask {name!r}; it knows: {', '.join(sorted(self._asks))}"
            )
        try:
            async with asyncio.timeout(self._answer_within_s):
                return _line({"format": FORMAT, "ok": True, **await ask(request)})
        except TimeoutError:
            return _no(f"{name} did not end within {self._answer_within_s:g} s")
        except LastwattError as error:
            return _no(str(error))
        except Exception:  # a command must not be able to end the agent
            log.exception("failed_ask", ask=name)
            return _no(f"{name} failed by a fault of the agent's own; its log says more")


def ask(
    folder: Path,
    request: Mapping[str, Any],
    *,
    timeout_s: float = 10.0,
    monotonic: Callable[[], float] = real_monotonic,
) -> dict[str, Any]:
    """Ask the agent that works in *folder*, and return its answer.

    Args:
        folder: the state directory.
        request: at least `{"ask": "…"}`.
        timeout_s: for all of it, in s.
        monotonic: real time, in s.

    Returns:
        The answer as sent; `ok` says whether the agent did as it was asked.

    Raises:
        AgentUnreachableError: no agent runs there, or it does not answer in time, or not to you.
    """
    until = monotonic() + timeout_s
    line = _line({"format": FORMAT, **request})
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as connection:
        try:
            connection.settimeout(timeout_s)
            with _short_path(folder) as path:
                connection.connect(path)
            with suppress(BrokenPipeError):  # turned away: the answer, already there, says why
                connection.sendall(line)
            answer = b""
            while not answer.endswith(b"\n"):
                connection.settimeout(max(0.001, until - monotonic()))
                piece = connection.recv(2**16)
                if not piece or len(answer) + len(piece) > ANSWER_BYTES:
                    raise _unheard(folder, "broke off its answer; see its log")
                answer += piece
        except OSError as error:
            raise _unreached(folder, error, timeout_s) from error
    try:
        said = json.loads(answer)
    except ValueError:
        said = None
    if not isinstance(said, dict) or "ok" not in said:
        raise _unheard(folder, "answered no JSON; is it of another release?")
    return said


def _unreached(folder: Path, error: OSError, timeout_s: float) -> AgentUnreachableError:
    match error:
        case FileNotFoundError() | ConnectionRefusedError():
            return AgentUnreachableError(
                f"no agent runs on {folder}; start it with `lastwatt run FILE --state {folder}`"
            )
        case PermissionError():
            return AgentUnreachableError(
                f"you may not talk to the agent on {folder}; ask as the user that it runs as"
            )
        case TimeoutError():
            return _unheard(folder, f"did not answer within {timeout_s:g} s; it may be busy: again")
    return _unheard(folder, f"cannot be talked to: {error.strerror or error}")


def _unheard(folder: Path, what: str) -> AgentUnreachableError:
    holder = holder_of(folder)
    process = "" if holder is None else f" (process {holder})"
    return AgentUnreachableError(f"the agent on {folder}{process} {what}")


def _uid_of(writer: asyncio.StreamWriter) -> int | None:
    """Return the user at the other end as the kernel knows it; None where it does not say."""
    connection = writer.get_extra_info("socket")
    with suppress(OSError, struct.error):  # SO_PEERCRED of unix(7): pid, uid, gid
        held = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, _PEERCRED.size)
        return int(_PEERCRED.unpack(held)[1])
    return None


def _no(why: str) -> bytes:
    return _line({"format": FORMAT, "ok": False, "error": why})


def _line(message: Mapping[str, Any]) -> bytes:
    return json.dumps(message, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def _listen(folder: Path) -> socket.socket:
    """Return a listening socket that only its owner may connect to, from its first moment on."""
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        # Linux gives the file the mode of the socket itself, less the umask; see unix(7).
        os.fchmod(listener.fileno(), 0o600)
        with _short_path(folder) as path:
            Path(path).unlink(missing_ok=True)
            listener.bind(path)
        listener.listen(CONNECTIONS)
        listener.setblocking(False)
    except BaseException:
        listener.close()
        raise
    return listener


@contextmanager
def _short_path(folder: Path) -> Iterator[str]:
    """Yield a path of the socket that fits into its address: through /proc where it is too long.

    Raises:
        OSError: it is too long, and this system has no /proc.
    """
    path = folder / NAME
    if len(os.fsencode(path)) <= _PATH_BYTES:
        yield str(path)
        return
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        short = Path(f"/proc/self/fd/{descriptor}")
        if not short.is_dir():
            raise OSError(f"{path} is longer than the {_PATH_BYTES} bytes a socket's path may have")
        yield str(short / NAME)
    finally:
        os.close(descriptor)
