"""One conversation over SSH, held in a thread of its own; the one module that imports paramiko.

paramiko only blocks, and some of its calls ignore every timeout while the peer is frozen. So
nothing here counts on its timeouts: `Talk.abandon` shuts the socket, which wakes whatever hangs.
"""

from __future__ import annotations

import io
import logging
import queue
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress

import paramiko
from paramiko.ssh_exception import IncompatiblePeer
from pydantic import SecretStr

from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.transports.console import (
    ON_KEPT,
    Command,
    Dialogue,
    Login,
    Prompt,
    Reply,
    Step,
    Transcript,
    last_words,
    masked,
    readable,
)
from drivers.transports.known_hosts import KnownKey, how_to_pin, known_keys
from drivers.transports.sockets import shut, watch_for_death
from drivers.transports.ssh_legacy import legacy_transport
from drivers.transports.ssh_wire import Wire

_ONE_OF_SEVERAL_S = 5.0  # for one address of a name that has several
_POLL_S = 0.25  # how often a quiet command is asked whether it has ended
_LINGER_S = 5.0  # after a dialogue's last line, if it ends in a line and not in a prompt
_KEPT = 8192  # bytes of output kept: its end
_BACKSTOP_S = 600.0  # for paramiko's own timeouts: the loop's deadline is the one that counts
_ALIVE_S = 30  # between the signs of life over a connection that is kept
_KEPT_ANSWERS_S = 3.0  # what a kept connection may take to open a session, before it counts as dead
_NO_SHA1 = (
    "; if it is there: an RSA key signs with SHA-2 alone (RFC 8332), so a device that knows only "
    "SHA-1 needs an ed25519 or ecdsa key, or a password"
)
_FAMILIES = {
    "ssh-ed25519": ("ssh-ed25519",),
    "ecdsa-sha2-nistp256": ("ecdsa-sha2-nistp256",),
    "ecdsa-sha2-nistp384": ("ecdsa-sha2-nistp384",),
    "ecdsa-sha2-nistp521": ("ecdsa-sha2-nistp521",),
    "ssh-rsa": ("rsa-sha2-512", "rsa-sha2-256"),
}
"""Host key type -> the algorithms that use it; both names as in RFC 8332 and RFC 8709."""

# paramiko's threads would print tracebacks to stderr: what they report, the outcome says too.
_logger = logging.getLogger("paramiko")
_logger.setLevel(logging.CRITICAL)
_logger.addHandler(logging.NullHandler())
_logger.propagate = False


Key = paramiko.PKey
"""A private key, parsed."""


def _advised(error: DriverError, advice: str) -> DriverError:
    error.add_note(advice)
    return error


_Said = tuple[Sequence[Step], list[str], Callable[[Transcript], object]]
"""What is to be walked through over a kept connection, what was sent, who is told the end."""


class Talk:
    """One conversation: `hold` runs in a thread; all else is called from the loop."""

    def __init__(
        self,
        login: Login,
        key: Key | None,
        *,
        skip: frozenset[str],
        now: Callable[[], float],
    ) -> None:
        self.skip = skip  # host key types that the device has but the pins do not
        self._now = now
        self._login = login
        self._key = key
        self._sent: list[str] = []
        self._secrets = login.secrets
        self._scripts = queue.SimpleQueue[_Said | None]()
        self._lock = threading.Lock()  # over the next two
        self._sock: socket.socket | None = None
        self._is_abandoned = False
        self._transport: paramiko.Transport | None = None
        self._doing = "waiting for a turn to connect"
        self._is_in = False
        self._has_asked = False
        self._heard = bytearray()
        self._patience_s = _BACKSTOP_S

    def abandon(self) -> None:
        """Shut the socket: whatever waits on it ends now, and nothing more goes out."""
        with self._lock:
            self._is_abandoned = True
            sock = self._sock
        self._scripts.put(None)
        if sock is not None:
            shut(sock)

    @property
    def is_usable(self) -> bool:
        """Whether it is logged in, and neither side has let go so far as is known."""
        return self._is_in and not self._is_abandoned and self._is_up()

    @property
    def has_asked(self) -> bool:
        """Whether anything beyond the log-in may have gone out, of what is being said now."""
        return self._has_asked

    def say(
        self, script: Sequence[Step], sent: list[str], answer: Callable[[Transcript], object]
    ) -> None:
        """Have a kept connection walk through *script*; what goes wrong is raised by `keep`."""
        self._has_asked = False  # in what it said before, if anything, nothing is in doubt
        self._scripts.put((script, sent, answer))

    def timed_out(self, *, after_s: float) -> DriverError:
        """Return the error that says how far it came in its time."""
        if self._has_asked:
            return DeviceDroppedError(f"{self._doing} had no end in time{self._so_far()}")
        return DeviceSilentError(f"{self._where}: still {self._stage} after {after_s:.1f} s")

    def hold(
        self, script: Sequence[Step], sent: list[str], tell_logged_in: Callable[[str], object]
    ) -> Transcript:
        """Connect, check the host key, log in, walk through the script.

        Raises:
            DriverError: and nothing else, whatever went wrong.
        """
        with self._ending():
            transport, fingerprint = self._logged_in(sent, tell_logged_in)
            return self._walked(transport, fingerprint, script)

    def look(self) -> str:
        """Connect, and return the fingerprint of the host key that is shown; nobody logs in.

        Raises:
            DriverError: and nothing else, whatever went wrong.
        """
        with self._ending():
            fingerprint: str = self._greeted().get_remote_server_key().fingerprint
            return fingerprint

    def keep(self, sent: list[str], tell_logged_in: Callable[[str], object]) -> None:
        """Connect and log in, then walk through what `say` brings until it is abandoned.

        Raises:
            DriverError: and nothing else, whatever went wrong.
        """
        with self._ending():
            transport, fingerprint = self._logged_in(sent, tell_logged_in)
            # So that a device that vanished is known to have, before it is needed.
            transport.set_keepalive(_ALIVE_S)
            self._patience_s = _KEPT_ANSWERS_S
            while (said := self._scripts.get()) is not None:
                script, self._sent, answer = said
                self._sent.append(ON_KEPT)
                transcript = self._walked(transport, fingerprint, script)
                with suppress(RuntimeError):  # the loop is closed
                    answer(transcript)

    @contextmanager
    def _ending(self) -> Iterator[None]:
        """Explain what goes wrong, and hang up in any case."""
        try:
            yield
        except DriverError:
            raise
        except Exception as error:
            raise self._explained(error) from error
        finally:
            self._hang_up()

    def _logged_in(
        self, sent: list[str], tell: Callable[[str], object]
    ) -> tuple[paramiko.Transport, str]:
        self._sent = sent
        transport = self._secured()
        fingerprint: str = transport.get_remote_server_key().fingerprint
        self._log_in(transport)
        self._is_in = True
        with suppress(RuntimeError):  # the loop is closed: `abandon` will not come either
            tell(fingerprint)
        return transport, fingerprint

    def _walked(
        self, transport: paramiko.Transport, fingerprint: str, script: Sequence[Step]
    ) -> Transcript:
        self._secrets = (*self._login.secrets, *(s for step in script for s in step.secrets))
        replies: list[Reply] = []
        for step in script:
            replies.append(self._walk(transport, step))
            if replies[-1].status:
                break
        return Transcript(fingerprint, tuple(replies))

    # Connecting.

    def _connected(self) -> socket.socket:
        self._doing = "connecting"
        found = socket.getaddrinfo(self._login.address, self._login.port, type=socket.SOCK_STREAM)
        last: OSError = OSError("no address")
        for family, kind, protocol, _, where in found:
            sock = socket.socket(family, kind, protocol)
            with self._lock:
                if self._is_abandoned:
                    sock.close()
                    raise EOFError
                self._sock = sock
            watch_for_death(sock)
            sock.settimeout(_ONE_OF_SEVERAL_S if len(found) > 1 else None)
            try:
                sock.connect(where)
            except OSError as error:
                last = error
                sock.close()
            else:
                return sock
        raise last

    def _greeted(self) -> paramiko.Transport:
        sock = self._connected()
        self._doing = "greeting"
        no_keys = [name for kind in self.skip for name in _FAMILIES[kind]]
        transport = self._transport_over(sock, no_keys)
        self._transport = transport
        transport.banner_timeout = transport.handshake_timeout = _BACKSTOP_S
        transport.auth_timeout = _BACKSTOP_S
        # Its default of 0.1 s only costs CPU: `abandon` wakes it by shutting the socket.
        sock.settimeout(1.0)
        transport.start_client()
        return transport

    def _transport_over(self, sock: socket.socket, no_keys: list[str]) -> paramiko.Transport:
        legacy = self._login.legacy
        if not legacy:
            return Wire(sock, without_keys=no_keys)
        if "ssh-rsa" in self.skip:
            no_keys = [*no_keys, "ssh-rsa"]
        return legacy_transport(sock, legacy, without_keys=no_keys)

    def _secured(self) -> paramiko.Transport:
        """Return a connection to a device that proved to be the pinned one.

        A device has a key of each type and shows the one asked for: where the pins do not hold the
        first, the others get their turn before it counts as changed.
        """
        known = self._known()
        pins = self._login.pins | {key.fingerprint for key in known}
        if not self._login.pins:
            self.skip = frozenset(_FAMILIES) - {key.type for key in known}
        shown: list[str] = []
        while self.skip < frozenset(_FAMILIES):
            try:
                transport = self._greeted()
            except IncompatiblePeer as error:
                if self.skip and "host key" in str(error):
                    break
                raise
            key = transport.get_remote_server_key()
            if key.fingerprint in pins:
                return transport
            self._hang_up()
            shown.append(f"{key.fingerprint} ({key.get_name()})")
            if key.get_name() not in frozenset(_FAMILIES) - self.skip:
                break
            self.skip |= {key.get_name()}
        raise self._unknown_key(pins, shown)

    def _known(self) -> frozenset[KnownKey]:
        path, login = self._login.known_hosts, self._login
        if path is None:
            return frozenset()
        found = known_keys(path, host=login.address, port=login.port)
        found = frozenset(key for key in found if key.type in _FAMILIES)
        if not found and not login.pins:
            raise _advised(
                DeviceRefusedError(f"{path} has no host key for {login.address} port {login.port}"),
                how_to_pin(login.address, login.port, into=f"add its line to {path.name}"),
            )
        return found

    def _unknown_key(self, pins: frozenset[str], shown: Sequence[str]) -> DriverError:
        seen = " and ".join(shown) or "none of a pinned type"
        error = DeviceRefusedError(
            f"the host key changed from {' or '.join(sorted(pins))} to {seen}; nothing was sent"
        )
        return _advised(
            error,
            "if the device was reset or replaced, compare the new fingerprint with its own console "
            "and pin that; if not, somebody may stand in between",
        )

    def _log_in(self, transport: paramiko.Transport) -> None:
        self._doing = "logging in"
        self._sent.append(self._login.line)
        user, password = self._login.user, self._login.password
        if self._key is not None:
            try:
                if not transport.auth_publickey(user, self._key):
                    return
            except paramiko.AuthenticationException:
                if password is None or not transport.is_active():
                    raise
        if password is not None and not transport.auth_password(user, password.get_secret_value()):
            return
        raise _advised(
            DeviceRefusedError(f"logging in as {user} takes more than what was given"),
            "give both key and password, or let the device ask for one of them only",
        )

    # Walking through the script.

    def _walk(self, transport: paramiko.Transport, step: Step) -> Reply:
        self._heard.clear()
        channel = transport.open_session(timeout=self._patience_s)
        with closing(channel):
            channel.set_combine_stderr(True)
            if isinstance(step, Command):
                self._run(channel, step)
            else:
                self._talk(channel, step)
            status: int | None = channel.exit_status
            if status == -1:
                if channel.closed and self._is_cut_off(transport):
                    raise EOFError
                status = None
            return Reply(0 if isinstance(step, Dialogue) else status, self._text())

    def _run(self, channel: paramiko.Channel, command: Command) -> None:
        self._doing = f'"{command.text}"'
        self._say(command.line)
        channel.exec_command(command.text)
        with suppress(OSError):  # it may end without reading its input
            if command.stdin is not None:
                channel.sendall(command.stdin.get_secret_value().encode() + b"\n")
            # The end of input: a `sudo -S` that rejects the password would ask again, for ever.
            channel.shutdown_write()
        while (heard := self._hear(channel, _POLL_S)) is not False:
            if heard is None and channel.exit_status_ready():
                return  # its output is held open by a child that lives on
        while not channel.status_event.wait(_POLL_S):
            pass

    def _talk(self, channel: paramiko.Channel, dialogue: Dialogue) -> None:
        self._doing = "the dialogue"
        self._sent.append(dialogue.line)
        # So wide that no line wraps, so tall that no pager stops it.
        channel.get_pty(term="dumb", width=511, height=1000)
        channel.invoke_shell()
        for prompt in dialogue.prompts:
            self._doing = f"the dialogue ({prompt.line})"
            self._await(channel, prompt)
            if prompt.send is None:
                self._sent.append(prompt.line)
                continue
            self._say(prompt.line)
            plain = prompt.send if isinstance(prompt.send, str) else prompt.send.get_secret_value()
            channel.sendall(plain.encode() + b"\r")  # what the Enter key sends
        if dialogue.prompts[-1].send is not None:
            self._linger(channel)

    def _await(self, channel: paramiko.Channel, prompt: Prompt) -> None:
        if prompt.expect is None:
            return
        end_at = self._now() + prompt.within_s
        while (match := prompt.expect.search(readable(bytes(self._heard)))) is None:
            left_s = end_at - self._now()
            if left_s <= 0:
                kind = DeviceDroppedError if self._has_asked else DeviceGarbledError
                raise kind(
                    f"no prompt like /{prompt.expect.pattern}/ came within "
                    f"{prompt.within_s:g} s{self._so_far()}"
                )
            if self._hear(channel, left_s) is False:
                raise EOFError
        rest = readable(bytes(self._heard))[match.end() :]
        self._heard[:] = rest.encode()

    def _linger(self, channel: paramiko.Channel) -> None:
        for _ in range(round(_LINGER_S / _POLL_S)):
            if self._hear(channel, _POLL_S) is False:
                return

    def _hear(self, channel: paramiko.Channel, seconds: float) -> bool | None:
        """Return True if something was heard, None if not in that time, False if it has ended."""
        channel.settimeout(seconds)
        try:
            data = channel.recv(32768)
        except TimeoutError:
            return None
        self._heard += data
        del self._heard[:-_KEPT]
        return bool(data)

    def _say(self, line: str) -> None:
        with self._lock:
            if self._is_abandoned:
                raise EOFError
            self._has_asked = True
            self._sent.append(line)

    def _is_cut_off(self, transport: paramiko.Transport | None) -> bool:
        if transport is None:
            return True
        # Its thread ends with the connection, but only just after telling the channel so.
        transport.join(2 * _POLL_S)
        return not transport.is_alive()

    def _text(self) -> str:
        return masked(readable(bytes(self._heard)), self._secrets)

    def _so_far(self) -> str:
        words = last_words(self._text())
        return f'; it last wrote "{words}"' if words else ""

    # Ending.

    def _hang_up(self) -> None:
        if self._transport is not None:
            self._transport.close()
        if self._sock is not None:
            shut(self._sock)
            self._sock.close()

    @property
    def _where(self) -> str:
        return f"{self._login.address} port {self._login.port}"

    @property
    def _stage(self) -> str:
        if self._doing != "greeting":
            return self._doing
        greeted = self._transport is not None and self._transport.remote_version
        return "exchanging keys" if greeted else "waiting for its SSH greeting"

    def _explained(self, error: Exception) -> DriverError:
        if not self._is_in:
            return self._locked_out(error)
        if isinstance(error, paramiko.SSHException) and not self._is_cut_off(self._transport):
            return _advised(
                DeviceRefusedError(f"the device did not accept {self._doing}"),
                "if it is a console that takes no single commands, write a dialogue instead",
            )
        if self._has_asked:
            return DeviceDroppedError(f"the connection ended during {self._doing}{self._so_far()}")
        return DeviceSilentError(f"{self._where}: hung up after the log-in")

    def _locked_out(self, error: Exception) -> DriverError:
        where = self._where
        match error:
            case socket.gaierror():
                return _advised(
                    DeviceSilentError(f"the name {self._login.address} does not resolve"),
                    "write the device's address: in an outage the name server may be down too",
                )
            case ConnectionRefusedError():
                return _advised(
                    DeviceSilentError(f"{where}: refused, nobody listens there"),
                    "see whether SSH is switched on in the device, and on which port",
                )
            case OSError() if self._doing == "connecting":
                return DeviceSilentError(f"{where}: {error.strerror or 'no answer'}")
            case IncompatiblePeer():
                # Its text ends in what is wrong, in brackets.
                what = str(error).rpartition("(")[2].rstrip(")")
                return _advised(
                    DeviceRefusedError(f"{where}: only outdated algorithms offered: {what}"),
                    "update the device's firmware, or switch on SHA-2 key exchange and host keys; "
                    "where neither can be had, name what it knows: legacy = [ … ]",
                )
            case paramiko.AuthenticationException() if self._is_up():
                return self._unwelcome(error)
            case OSError() | EOFError() | paramiko.AuthenticationException():
                return DeviceSilentError(f"{where}: hung up while {self._stage}")
            case paramiko.SSHException() if isinstance(error.__context__, OSError | EOFError):
                return DeviceSilentError(f"{where}: hung up while {self._stage}")
        return _advised(
            DeviceGarbledError(f"{where}: what answers does not speak SSH as it should"),
            "see whether address and port are those of the device's SSH server",
        )

    def _is_up(self) -> bool:
        return self._transport is not None and self._transport.is_active()

    def _unwelcome(self, error: paramiko.AuthenticationException) -> DriverError:
        user = self._login.user
        text = f"logging in as {user} was refused"
        if isinstance(error, paramiko.BadAuthenticationType):
            text += f"; the device takes: {', '.join(error.allowed_types)}"
        if isinstance(self._key, Key):
            advice = (
                f"let {user} in with the {self._key.get_name()} key {self._key.fingerprint}: its "
                "public half belongs into that user's authorized_keys on the device"
            )
            if isinstance(self._key, paramiko.RSAKey):
                advice += _NO_SHA1
            return _advised(DeviceRefusedError(text), advice)
        return _advised(DeviceRefusedError(text), "mend user or password")


def key_from(key: SecretStr, passphrase: SecretStr | None) -> Key | DriverError:
    """Return the private key, or the error that says why not, to be raised when it is needed."""
    secret = passphrase.get_secret_value() if passphrase is not None else None
    for kind in (paramiko.Ed25519Key, paramiko.ECDSAKey, paramiko.RSAKey):
        try:
            return kind.from_private_key(io.StringIO(key.get_secret_value() + "\n"), secret)
        except paramiko.PasswordRequiredException:
            return _advised(
                DeviceRefusedError("the private key is locked by a passphrase"),
                "set key_passphrase, or make the agent a key of its own without one",
            )
        except (paramiko.SSHException, ValueError, IndexError):
            continue
    return _advised(
        DeviceRefusedError("the private key cannot be read, or its passphrase is wrong"),
        "make one with: ssh-keygen -t ed25519",
    )
