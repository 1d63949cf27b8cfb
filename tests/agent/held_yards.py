"""The virtual yard with an agent on its box, in a process of its own: a test is its person.

Run as: python -m tests.agent.held_yards FOLDER FACTOR. It writes a line when it is ready, and one
of JSON for each line that it reads; the words are the keys of `_WORDS`.
"""

from __future__ import annotations

import asyncio
import json
import random
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any, Self

from agent.config import load
from agent.virtual import yard
from agent.virtual.box import run_on_box
from agent.virtual.pace import PacedLoop, SpedUpPace
from agent.virtual.site import VirtualSite

ROOT = Path(__file__).parents[2]


def with_output(text: str) -> str:
    """Let the unit's output be switched; the gauge that must not be touched moves elsewhere."""
    text = text.replace(
        "[unit.battery]", 'output = { drops_after = "30s", off_for = "30s" }\n\n[unit.battery]', 1
    )
    text = text.replace('role = "agent box"\n', 'role = "agent box"\nstart = "by itself"\n', 1)
    return text.replace("no_touch = true ", "# ")


@dataclass
class HeldYard:
    """A context manager: the yard of Heron Lock at a factor of real time."""

    folder: Path
    factor: float = 60.0
    _process: subprocess.Popen[str] = field(init=False)

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.agent.held_yards", str(self.folder), str(self.factor)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._read() == "ready"
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(30)
        self._process.stdout.close()

    @property
    def file(self) -> Path:
        """The site's file."""
        return self.folder / "heron-lock.toml"

    @property
    def state(self) -> Path:
        """The agent's state directory."""
        return self.folder / "state"

    def tell(self, word: str) -> Any:
        """Say one of the words, and return what comes of it."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{word}\n")
        self._process.stdin.flush()
        return self._read()

    def _read(self) -> Any:
        assert self._process.stdout is not None
        while line := self._process.stdout.readline():
            if line.startswith('{"held": '):
                return json.loads(line)["held"]
        raise AssertionError("the yard ended; its words are above")


def _truth(site: VirtualSite) -> dict[str, Any]:
    truth = site.truth()
    return {
        "output_end_s": truth.output_end_s,
        "damage": {device.name: device.damage for device in truth.devices if device.damage},
        "running": [device.name for device in truth.devices if device.is_running],
    }


def _plate(site: VirtualSite) -> dict[str, Any]:
    plate = site.unit._plate
    return {"attached": plate.attached, "low_min": plate.low_battery_min}


_WORDS: dict[str, Callable[[VirtualSite], Any]] = {
    "mains fails": lambda site: site.mains_fails(),
    "mains returns": lambda site: site.mains_returns(),
    "the PC dies": lambda site: site.devices[yard.PC].power_goes(),
    "the PC gets power": lambda site: site.devices[yard.PC].power_comes(),
    "truth": _truth,
    "plate": _plate,
}


async def _hold(folder: Path) -> None:
    polling = yard.Polling(on_mains_s=10.0, on_battery_s=10.0)
    chance = random.Random(random.SystemRandom().random())
    async with VirtualSite(folder, chance=chance, polling=polling) as site:
        site.file.write_text(with_output(site.file.read_text()))
        loaded, faults = load(site.file, today=date.today())
        assert loaded is not None, faults
        agent = asyncio.ensure_future(run_on_box(site, loaded, folder / "state"))
        while not (folder / "state" / "agent.sock").exists():  # noqa: ASYNC110  # the kernel's
            await asyncio.sleep(0.5)
        _say("ready")
        heard = asyncio.ensure_future(_obey(site))
        await asyncio.wait({agent, heard}, return_when=asyncio.FIRST_COMPLETED)
        for task in (agent, heard):
            task.cancel()
            with suppress(asyncio.CancelledError):
                await task


async def _obey(site: VirtualSite) -> None:
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := await reader.readline():
        _say(_WORDS[line.decode().strip()](site))


def _say(held: Any) -> None:
    print(json.dumps({"held": held}), flush=True)


def main() -> None:
    """Hold the yard until nobody says anything more."""
    folder, factor = Path(sys.argv[1]), float(sys.argv[2])
    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(factor))) as runner:
        runner.run(_hold(folder))


if __name__ == "__main__":
    main()
