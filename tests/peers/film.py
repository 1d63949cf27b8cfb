"""A recorder that nobody here wrote: ffmpeg writing plain MP4, whose index comes last.

Ended in order, the file is whole; killed without warning, it lacks its index (the `moov` box of
ISO/IEC 14496-12) and no player opens it. ffprobe is the judge.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import pytest


def binary(name: str) -> str:
    """Return the path of a program; skip where it is absent, fail where CI is true."""
    found = shutil.which(name)
    if found is None:
        message = f"{name} is not installed; apt-get install ffmpeg"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found


@dataclass(slots=True)
class Film:
    """One recording under way; a context manager that begins it, and kills what is left of it."""

    folder: Path
    _process: subprocess.Popen[bytes] | None = None

    @property
    def file(self) -> Path:
        """The recording."""
        return self.folder / "rec.mp4"

    @property
    def pid_file(self) -> Path:
        """Holds the recorder's process number, for a stop script."""
        return self.folder / "ffmpeg.pid"

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        command = [binary("ffmpeg"), "-v", "error", "-re", "-f", "lavfi"]
        command += ["-i", "testsrc=size=320x240:rate=10", "-c:v", "libx264", "-y", str(self.file)]
        with (self.folder / "ffmpeg.log").open("wb") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=log)
        self.pid_file.write_text(str(self._process.pid))
        until = time.monotonic() + 60
        while not self.file.exists() or self.file.stat().st_size == 0:
            assert time.monotonic() < until, "ffmpeg records nothing"
            time.sleep(0.05)
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def kill(self) -> None:
        """End it without warning, as a battery does."""
        assert self._process is not None
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    @property
    def is_recording(self) -> bool:
        """Whether its process lives."""
        assert self._process is not None
        return self._process.poll() is None

    def seconds(self) -> float | None:
        """Return how long the file plays, in s, or None where no player opens it."""
        command = [binary("ffprobe"), "-v", "error", "-show_entries", "format=duration"]
        found = subprocess.run(
            [*command, "-of", "csv=p=0", str(self.file)], capture_output=True, text=True, timeout=20
        )
        return float(found.stdout) if found.returncode == 0 else None
