"""A person at a terminal: the real command behind a pseudo-terminal, answered prompt by prompt."""

from __future__ import annotations

import os
import pty
import select
import signal
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

WITHIN_S = 60.0


@dataclass(slots=True)
class Terminal:
    """One run of `lastwatt`; a context manager that ends it.

    Attributes:
        shown: everything that the terminal has shown so far.
    """

    arguments: tuple[str, ...]
    cwd: Path
    env: Mapping[str, str] = field(default_factory=dict)
    shown: str = ""
    _pid: int = 0
    _terminal: int = -1
    _read_to: int = 0
    status: int | None = None

    def __enter__(self) -> Self:
        self._pid, self._terminal = pty.fork()
        if self._pid == 0:
            os.chdir(self.cwd)
            # Whatever started the tests may have had Ctrl-C ignored.
            signal.signal(signal.SIGINT, signal.SIG_DFL)
            root = str(Path(__file__).parents[2])
            env = {**os.environ, "PYTHONPATH": root, "TERM": "dumb", "COLUMNS": "200", **self.env}
            os.execve(sys.executable, [sys.executable, "-m", "agent", *self.arguments], env)
        return self

    def __exit__(self, *_: object) -> None:
        if self.status is None:
            os.kill(self._pid, 9)
            os.waitpid(self._pid, 0)
        os.close(self._terminal)

    def until(self, words: str, *, within_s: float = WITHIN_S) -> str:
        """Wait until *words* are shown, after those before; return what lay between."""
        end_at = time.monotonic() + within_s
        while (found := self.shown.find(words, self._read_to)) < 0:
            left_s = end_at - time.monotonic()
            ready, _, _ = select.select([self._terminal], [], [], max(0.0, left_s))
            assert ready, f"{words!r} never came; shown: {self.shown[-2000:]}"
            assert self._read(), f"it ended before {words!r}; shown: {self.shown[-2000:]}"
        between = self.shown[self._read_to : found]
        self._read_to = found + len(words)
        return between

    def answer(self, prompt: str, typed: str, *, within_s: float = WITHIN_S) -> None:
        """Wait for a prompt, and type an answer."""
        self.until(prompt, within_s=within_s)
        os.write(self._terminal, f"{typed}\n".encode())

    def type(self, typed: bytes) -> None:
        """Type as it stands."""
        os.write(self._terminal, typed)

    def end(self, *, within_s: float = WITHIN_S) -> int:
        """Wait until it ends by itself, and return its exit status."""
        end_at = time.monotonic() + within_s
        while time.monotonic() < end_at:
            ready, _, _ = select.select([self._terminal], [], [], 1.0)
            if ready and not self._read():
                _, status = os.waitpid(self._pid, 0)
                self.status = os.waitstatus_to_exitcode(status)
                return self.status
        raise AssertionError(f"it did not end; shown: {self.shown[-2000:]}")

    def _read(self) -> bool:
        """Take in what the terminal shows next; False where nothing more will come."""
        try:
            piece = os.read(self._terminal, 65536)
        except OSError:  # Linux: the other side is gone
            return False
        self.shown += piece.decode(errors="replace").replace("\r\n", "\n")
        return bool(piece)
