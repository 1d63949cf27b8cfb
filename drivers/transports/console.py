"""What is said to a device's console, its replies, and a transport that only writes it down.

A script is data: the live transport (`drivers.transports.ssh`) and the paper one here walk through
the same steps and note the same lines, which is what makes a dry run true.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from pydantic import SecretStr

MASK = "***"

KEPT_S = 180.0
"""How long a connection is kept that was opened ahead, unless it is used or asked for again."""

ON_KEPT = "go on where it is logged in already"
"""What stands for the log-in, in what was sent, over a connection that was kept."""

_ESCAPES = re.compile(
    r"\x1b\[[0-?]*[ -/]*[@-~]"  # CSI, ECMA-48 section 5.4
    r"|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)?"  # OSC, ECMA-48 section 8.3.89
    r"|\x1b[ -/]*[0-~]"  # the other escape sequences, ECMA-35 section 13.2
)


@dataclass(frozen=True, slots=True)
class Login:
    """Whom to log in as, where, and how the device proves that it is the one.

    Attributes:
        key: text of a private key; None = by password alone.
        pins: fingerprints "SHA256:…" of the device's host keys.
        known_hosts: a file that pins more; read anew for each conversation.
        legacy: algorithms of old that this device alone may use.
    """

    address: str
    port: int
    user: str
    key: SecretStr | None = None
    key_passphrase: SecretStr | None = None
    password: SecretStr | None = None
    pins: frozenset[str] = frozenset()
    known_hosts: Path | None = None
    legacy: frozenset[str] = frozenset()

    @property
    def line(self) -> str:
        """How the log-in shows in what was sent."""
        means = [
            name for name, secret in (("key", self.key), ("password", self.password)) if secret
        ]
        return f"log in to {self.address} port {self.port} as {self.user} by {' or '.join(means)}"

    @property
    def secrets(self) -> tuple[SecretStr, ...]:
        """Every secret in it."""
        return tuple(filter(None, (self.key, self.key_passphrase, self.password)))


@dataclass(frozen=True, slots=True)
class Command:
    """One command, run without a terminal; its standard input ends after *stdin*."""

    text: str
    stdin: SecretStr | None = None

    @property
    def line(self) -> str:
        """How the command shows in what was sent."""
        return f"run {self.text}" + (f" < {MASK}" if self.stdin else "")

    @property
    def secrets(self) -> tuple[SecretStr, ...]:
        """Every secret in it."""
        return (self.stdin,) if self.stdin else ()


@dataclass(frozen=True, slots=True)
class Prompt:
    """One turn of a dialogue.

    Attributes:
        expect: pattern sought in what was heard since the last turn; None = send at once.
        send: line to send then, without its end; None = only wait.
        within_s: how long to wait for *expect*, in s.
    """

    expect: re.Pattern[str] | None = None
    send: str | SecretStr | None = None
    within_s: float = 10.0

    @property
    def line(self) -> str:
        """How the turn shows in what was sent."""
        when = f"on /{self.expect.pattern}/ " if self.expect else ""
        if self.send is None:
            return f"{when}send nothing more"
        return f"{when}send {self.send if isinstance(self.send, str) else MASK}"


@dataclass(frozen=True, slots=True)
class Dialogue:
    """Turns on a terminal, for consoles that take no single commands."""

    prompts: tuple[Prompt, ...]

    @property
    def line(self) -> str:
        """How opening the terminal shows in what was sent."""
        return "open a terminal"

    @property
    def secrets(self) -> tuple[SecretStr, ...]:
        """Every secret in it."""
        return tuple(p.send for p in self.prompts if isinstance(p.send, SecretStr))


Step = Command | Dialogue


@dataclass(frozen=True, slots=True)
class Reply:
    """What one step brought.

    Attributes:
        status: exit status 0..255; None = the device ended the step without one.
        output: the end of what it wrote, errors included, secrets masked.
    """

    status: int | None
    output: str


@dataclass(frozen=True, slots=True)
class Transcript:
    """A conversation that came to its end.

    Attributes:
        host_key: fingerprint that the device showed; "" in a dry run.
        replies: one for each step; fewer where a command failed, the last one being its.
    """

    host_key: str
    replies: tuple[Reply, ...]


class Console(Protocol):
    """Something that can hold a conversation with a device."""

    async def converse(
        self, script: Sequence[Step], *, within_s: float, sent: list[str], may_end: bool = False
    ) -> Transcript:
        """Log in and walk through *script*, noting each line in *sent* as it goes out.

        Where the device *may_end* by it, nothing more is said over the same connection.

        Raises:
            DriverError: as its subclasses say; notes on it hold the advice.
        """
        ...

    async def prepare(self, *, within_s: float, sent: list[str]) -> str:
        """Log in ahead, and return the fingerprint that the device showed, "" in a dry run.

        The connection is kept for the conversations to come, until one by which the device may end,
        or for KEPT_S from the last of them, or of this.

        Raises:
            DriverError: as in `converse`.
        """
        ...

    async def close(self) -> None:
        """End every conversation under way."""
        ...


class PaperConsole:
    """Writes down what would be sent, and sends nothing."""

    def __init__(self, login: Login) -> None:
        self._login = login

    async def converse(
        self, script: Sequence[Step], *, within_s: float, sent: list[str], may_end: bool = False
    ) -> Transcript:
        """Note what a conversation that goes well would send."""
        sent.append(self._login.line)
        for step in script:
            sent.append(step.line)
            if isinstance(step, Dialogue):
                sent.extend(prompt.line for prompt in step.prompts)
        return Transcript(host_key="", replies=())

    async def prepare(self, *, within_s: float, sent: list[str]) -> str:
        """Note what logging in ahead would send."""
        sent.append(self._login.line)
        return ""

    async def close(self) -> None:
        """Do nothing: there is nothing to let go of."""


def readable(heard: bytes) -> str:
    """Return terminal output as text: escape sequences and carriage returns taken out."""
    text = _ESCAPES.sub("", heard.decode("utf-8", errors="replace"))
    return "".join(c for c in text if c == "\n" or c == "\t" or c.isprintable())


def masked(text: str, secrets: Iterable[SecretStr]) -> str:
    """Return *text* with each of *secrets* replaced by "***", the longest first."""
    for value in sorted((s.get_secret_value() for s in secrets), key=len, reverse=True):
        if value:
            text = text.replace(value, MASK)
    return text


def last_words(text: str, *, at_most: int = 200) -> str:
    """Return the end of *text* as one line of at most that many characters."""
    line = " / ".join(filter(None, (" ".join(part.split()) for part in text.splitlines())))
    return line if len(line) <= at_most else "…" + line[1 - at_most :]
