"""A virtual site whose agent serves its page, as a process of its own; told what to do by lines.

Run as a program: prints "listens ADDRESS" once the page does; "fail" and "return" on its input
have mains fail and return.
"""

from __future__ import annotations

import asyncio
import random
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from agent.config import LoadedSite, PageSettings, load
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.pace import PacedLoop, SpedUpPace
from agent.virtual.site import VirtualSite
from agent.wiring import Agent

_SLOW = 60.0
_SELDOM = yard.Polling(on_mains_s=30.0, on_battery_s=12.0)


@dataclass(frozen=True, slots=True)
class YardPage:
    """The process, where its page is, and its agent's state directory."""

    url: str
    state: Path
    process: subprocess.Popen[str]

    def tell(self, word: str) -> None:
        """Have it do something."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{word}\n")
        self.process.stdin.flush()


@contextmanager
def yard_page(folder: Path, *, factor: float) -> Iterator[YardPage]:
    """Run such a process, *factor* virtual seconds in a real one."""
    command = [sys.executable, "-m", "tests.agent.page.yard_page", str(folder), str(factor)]
    with (
        (folder / "log").open("w") as log,
        subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=log, text=True
        ) as process,
    ):
        try:
            assert process.stdout is not None
            for line in process.stdout:
                if line.startswith("listens "):
                    yield YardPage(line.split()[1], folder / "state", process)
                    return
            raise AssertionError((folder / "log").read_text()[-2000:])
        finally:
            process.kill()


def free_port() -> int:
    """Return a port that was free a moment ago."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


async def _serve(folder: Path, factor: float) -> None:
    port = free_port()
    polling = yard.Polling() if factor <= _SLOW else _SELDOM  # each poll costs real time
    async with VirtualSite(folder, chance=random.Random(1), polling=polling) as site:
        loaded, faults = load(site.file, today=date.today())
        assert loaded is not None, faults
        loaded = replace(loaded, page=PageSettings(("127.0.0.1", port), open_reading=True))
        await _obey(site, loaded, folder / "state", _told())


async def _obey(
    site: VirtualSite, loaded: LoadedSite, state: Path, told: asyncio.Queue[str]
) -> None:
    """Run the agent on its box, and do as told until there is nothing more to be told."""
    telling: set[asyncio.Task[None]] = set()
    box = run_on_box(
        site, loaded, state, on_agent=lambda agent: telling.add(asyncio.create_task(_tell(agent)))
    )
    running = asyncio.create_task(box)
    while word := await told.get():
        {"fail": site.mains_fails, "return": site.mains_returns}[word]()
    running.cancel()


async def _tell(agent: Agent) -> None:
    assert agent.page is not None
    await agent.page.server.wait()
    host, port = agent.page.server.address
    print(f"listens http://{host}:{port}/", flush=True)


def _told() -> asyncio.Queue[str]:
    """Return the words that come in, "" at the end."""
    loop, words = asyncio.get_running_loop(), asyncio.Queue[str]()

    def read() -> None:
        for line in sys.stdin:
            loop.call_soon_threadsafe(words.put_nowait, line.strip())
        loop.call_soon_threadsafe(words.put_nowait, "")

    threading.Thread(target=read, daemon=True).start()
    return words


if __name__ == "__main__":
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(float(sys.argv[2])))) as runner:
        runner.run(_serve(Path(sys.argv[1]), float(sys.argv[2])))
