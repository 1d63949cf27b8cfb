"""An SSH face for a virtual machine: a real server on loopback, and the one that knows paramiko.

paramiko's server side blocks and runs in threads; all of them are daemons, and all end when the
face is closed, since that shuts every socket. What a command does, it does on the loop's thread.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import functools
import hmac
import io
import logging
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from typing import TypeVar

import paramiko
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ed25519
from paramiko.common import (
    AUTH_FAILED,
    AUTH_SUCCESSFUL,
    OPEN_FAILED_ADMINISTRATIVELY_PROHIBITED,
    OPEN_SUCCEEDED,
)

from agent.virtual.web import listening

_INPUT_S = 0.2  # how long a command's input is waited for, where nobody says that it has ended
_ANSWER_S = 10.0
_INPUT_LIMIT = 4096

T = TypeVar("T")

# What paramiko reports of callers that hang up would only clutter the demo's screen.
_LOG = "lastwatt.virtual.ssh"
logging.getLogger(_LOG).addHandler(logging.NullHandler())
logging.getLogger(_LOG).propagate = False


@dataclass(frozen=True, slots=True)
class Reply:
    """What a command came to: its exit status, and what it wrote."""

    status: int
    output: str = ""


Run = Callable[[str, str], Reply]
"""`run(command, input)` on the loop's thread: do it, and say what it came to."""


class Screen:
    """A terminal as a console program sees it: lines in, text out."""

    def __init__(self, channel: paramiko.Channel) -> None:
        self._channel = channel
        self._pending = ""

    def write(self, text: str) -> None:
        """Show *text*; its line ends are those of a terminal."""
        self._channel.sendall(text.replace("\n", "\r\n").encode())

    def read_line(self, *, hidden: bool = False) -> str:
        """Return the next line typed, shown as it is typed unless *hidden*.

        Raises:
            EOFError: nobody types any more.
        """
        line = ""
        while True:
            for at, key in enumerate(self._pending):
                if key in "\r\n":
                    rest = self._pending[at + 1 :]
                    self._pending = rest.removeprefix("\n") if key == "\r" else rest
                    self.write("\n")
                    return line
                line += key
                if not hidden:
                    self.write(key)
            data = self._channel.recv(256)
            if not data:
                raise EOFError
            self._pending = data.decode(errors="replace")


Console = Callable[[Screen], None]
"""A console program: talks in its own thread until it returns, or the terminal is gone."""


@dataclass(frozen=True, slots=True)
class Logins:
    """Who may log in, and how: by password, by a public key in OpenSSH's format, or either."""

    user: str
    password: str = field(default="", repr=False)
    public_key: str = ""


class SshFace:
    """Serves commands or a console over SSH, at one address, port and host key for life."""

    def __init__(
        self,
        logins: Logins,
        *,
        address: str,
        run: Run | None = None,
        console: Console | None = None,
    ) -> None:
        """Prepare to serve; nothing is opened yet.

        Args:
            logins: who may log in.
            address: numeric; the port is any free one.
            run: what commands do; None refuses them, as consoles do.
            console: what a terminal shows; None refuses one.
        """
        self.address = (address, 0)
        self._loop = asyncio.get_running_loop()
        self._logins = logins
        self._run = run
        self._console = console
        self._host_key = paramiko.Ed25519Key.from_private_key(io.StringIO(_new_key_text()))
        self._listener: socket.socket | None = None
        self._lock = threading.Lock()
        self._peers: set[socket.socket] = set()

    @property
    def fingerprint(self) -> str:
        """The host key's fingerprint, as ssh-keygen -l prints it: "SHA256:…"."""
        return str(self._host_key.fingerprint)

    def open(self) -> None:
        """Listen; connections are taken from now on."""
        if self._listener is not None:
            return
        listener = listening(*self.address)
        listener.setblocking(True)
        self.address = listener.getsockname()
        self._listener = listener
        self._in_thread(lambda: self._accept(listener), "listener")

    def close(self) -> None:
        """Stop listening and break every connection off."""
        with self._lock:
            listener, self._listener = self._listener, None
            peers = tuple(self._peers)
        for sock in (listener, *peers):
            if sock is not None:
                with suppress(OSError):  # shutting wakes whoever waits on it; closing does not
                    sock.shutdown(socket.SHUT_RDWR)
                sock.close()

    def _in_thread(self, work: Callable[[], None], what: str) -> None:
        threading.Thread(target=work, name=f"virtual ssh {what}", daemon=True).start()

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            with self._lock:
                is_open = self._listener is listener
                if is_open:
                    self._peers.add(peer)
            if not is_open:
                peer.close()
                return
            self._in_thread(functools.partial(self._attend, peer), "connection")

    def _attend(self, peer: socket.socket) -> None:
        try:
            transport = paramiko.Transport(peer)
        except OSError:
            return  # its power was cut in the meantime
        transport.set_log_channel(_LOG)
        transport.add_server_key(self._host_key)
        try:
            transport.start_server(server=_Doorkeeper(self._logins, self._serve))
            transport.join()
        except (paramiko.SSHException, OSError, EOFError):
            return  # whoever called did not speak SSH, or hung up
        finally:
            transport.packetizer.complete_handshake()  # or its timer thread waits on
            transport.close()
            with self._lock:
                self._peers.discard(peer)
            peer.close()

    def _serve(self, channel: paramiko.Channel, command: str | None) -> bool:
        """Take up what was asked of a channel, None being a terminal; say whether that is served.

        It goes on in a thread, since this one has to send the yes first.
        """
        if command is None:
            console = self._console
            if console is None:
                return False
            self._in_thread(lambda: _show(channel, console), "console")
            return True
        run = self._run
        if run is None:
            return False
        self._in_thread(lambda: self._obey(channel, command, run), "command")
        return True

    def _obey(self, channel: paramiko.Channel, command: str, run: Run) -> None:
        with suppress(OSError, EOFError, RuntimeError, concurrent.futures.TimeoutError):
            # Reading first also lets the yes to the request go out before the end does.
            said = _input_of(channel)
            reply = on_loop(self._loop, lambda: run(command, said))
            channel.sendall(reply.output.encode())
            channel.send_exit_status(reply.status)
        channel.close()


class _Doorkeeper(paramiko.ServerInterface):
    """Who may come in, and what may be asked there."""

    def __init__(
        self, logins: Logins, serve: Callable[[paramiko.Channel, str | None], bool]
    ) -> None:
        self._logins = logins
        self._serve = serve

    def get_allowed_auths(self, username: str) -> str:
        """Return the methods of logging in, as RFC 4252 names them."""
        ways = {"password": self._logins.password, "publickey": self._logins.public_key}
        return ",".join(way for way, given in ways.items() if given)

    def check_auth_password(self, username: str, password: str) -> int:
        """Judge a password."""
        wanted = self._logins.password
        is_right = hmac.compare_digest(password.encode(), wanted.encode())
        return _judged(username == self._logins.user and bool(wanted) and is_right)

    def check_auth_publickey(self, username: str, key: paramiko.PKey) -> int:
        """Judge a public key; that its owner holds the private half, paramiko sees to."""
        shown = f"{key.get_name()} {key.get_base64()}"
        wanted = " ".join(self._logins.public_key.split()[:2])
        return _judged(username == self._logins.user and shown == wanted)

    def check_channel_request(self, kind: str, chanid: int) -> int:
        """Allow sessions and nothing else: no forwarding."""
        if kind == "session":
            return OPEN_SUCCEEDED
        return OPEN_FAILED_ADMINISTRATIVELY_PROHIBITED

    def check_channel_pty_request(
        self,
        channel: paramiko.Channel,
        term: bytes,
        width: int,
        height: int,
        pixelwidth: int,
        pixelheight: int,
        modes: bytes,
    ) -> bool:
        """Allow a terminal of any kind: nothing is drawn on it."""
        return True

    def check_channel_shell_request(self, channel: paramiko.Channel) -> bool:
        """Show the console, where there is one."""
        return self._serve(channel, None)

    def check_channel_exec_request(self, channel: paramiko.Channel, command: bytes) -> bool:
        """Run a command, where commands are run."""
        return self._serve(channel, command.decode(errors="replace"))


def new_key_pair() -> tuple[str, str]:
    """Return a fresh key: the private half as text in OpenSSH's format, the public as its line."""
    text = _new_key_text()
    key = paramiko.Ed25519Key.from_private_key(io.StringIO(text))
    return text, f"{key.get_name()} {key.get_base64()}"


def _new_key_text() -> str:
    return (
        ed25519.Ed25519PrivateKey.generate()
        .private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.OpenSSH,
            serialization.NoEncryption(),
        )
        .decode()
    )


def _judged(is_right: bool) -> int:
    return AUTH_SUCCESSFUL if is_right else AUTH_FAILED


def _input_of(channel: paramiko.Channel) -> str:
    """Return what a command is given on its standard input, up to its end or a short silence."""
    said = b""
    channel.settimeout(_INPUT_S)
    with suppress(TimeoutError):
        while len(said) < _INPUT_LIMIT and (data := channel.recv(_INPUT_LIMIT)):
            said += data
    channel.settimeout(_ANSWER_S)
    return said.decode(errors="replace")


def _show(channel: paramiko.Channel, console: Console) -> None:
    with suppress(OSError, EOFError, RuntimeError, concurrent.futures.TimeoutError):
        console(Screen(channel))
    with suppress(OSError, EOFError):  # it may have gone down in the midst of it
        channel.close()


def on_loop(loop: asyncio.AbstractEventLoop, act: Callable[[], T]) -> T:
    """Return what *act* returns on the loop's thread, asked from another one.

    Raises:
        RuntimeError: the loop is closed.
        TimeoutError: it did not come to it in ten real seconds.
    """
    done: concurrent.futures.Future[T] = concurrent.futures.Future()

    def work() -> None:
        try:
            done.set_result(act())
        except Exception as error:  # carried over to whoever waits
            done.set_exception(error)

    loop.call_soon_threadsafe(work)
    return done.result(_ANSWER_S)
