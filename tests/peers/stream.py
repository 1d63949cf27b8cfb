"""A camera and a recorder that nobody here wrote: two ffmpeg processes, one streaming to the other.

The recorder has no interface at all: it writes plain MP4, whose index comes last, for as long as
the camera sends. When that ends it closes its file by itself, which is what quiescing it by its
writers relies on.
"""

from __future__ import annotations

import signal
import subprocess
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from tests.peers.apache import free_port
from tests.peers.film import Film, binary


@dataclass(slots=True)
class Stream:
    """A context manager that begins it, and kills what is left of it."""

    folder: Path
    film: Film = field(init=False)
    _processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.film = Film(self.folder)
        where = f"tcp://127.0.0.1:{free_port()}"
        self._run("recorder", "-f", "mpegts", "-i", f"{where}?listen=1", "-c", "copy", "-y",
                  str(self.film.file))  # fmt: skip
        time.sleep(0.5)  # it listens some time after it began, and takes one connection only
        self._run("camera", "-re", "-f", "lavfi", "-i", "testsrc=size=320x240:rate=10",
                  "-c:v", "libx264", "-g", "10", "-f", "mpegts", where)  # fmt: skip
        until = time.monotonic() + 20
        while not self.film.file.exists():
            assert time.monotonic() < until, "ffmpeg records nothing"
            time.sleep(0.05)
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            if process.poll() is None:
                process.send_signal(signal.SIGKILL)
            process.wait(10)

    def cut_camera(self) -> None:
        """Take the camera's power away."""
        self._processes[1].send_signal(signal.SIGKILL)
        self._processes[1].wait(10)

    def cut_recorder(self) -> None:
        """Take the recorder's power away."""
        if self._processes[0].poll() is None:
            self._processes[0].send_signal(signal.SIGKILL)
        self._processes[0].wait(10)

    def _run(self, name: str, *arguments: str) -> None:
        with (self.folder / f"{name}.log").open("wb") as log:
            command = [binary("ffmpeg"), "-v", "error", *arguments]
            self._processes.append(subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=log))
