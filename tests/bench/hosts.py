"""How quickly many devices are told over SSH: `python tests/bench/hosts.py [--devices 200]`.

Against OpenSSH's sshd on loopback, key exchange curve25519 on both sides; the engine with its real
journal, the order given to all devices at once. Beside it `xargs -P 32 ssh`, in turns:
- cold: connections are made when the order comes;
- ahead: they were made when the outage began, and what they cost while they wait;
- one device among them hangs, refuses, or does not even take the connection: how much later the
  others are told than without it.

Server and clients share the box. Of the processor's time that `xargs -P 32 ssh` takes for 200 hosts
(5.6 s: cpuacct of sshd, rusage of ssh), sshd's own log-ins are 3.6 s: on an idle box of two cores
that work alone is 0.64 of the wall time, whoever the client is. Ours adds 0.9 s (0.8 in all); 200
commands over waiting connections are 0.5 s of sshd's and 0.4 s of ours. The busier the box, the
better the ratios: xargs starts 200 processes more.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from contextlib import AbstractAsyncContextManager, AsyncExitStack, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from pydantic import SecretStr

from agent.clock import LoopClock
from agent.engine import Engine, Settings
from agent.journal.journal import Journal
from agent.logs import set_up_logs
from drivers.base import Act, Driver, Fitting, Stage, Verdict
from drivers.conformance_servers import Server, mute, nobody, serving, unanswering
from drivers.ssh import KIND
from policies.belief import Belief
from policies.decide import Decision, decide
from policies.events import Event, StepEnded
from policies.model import Battery, Device, Order, Reason, Role, Site, StopWhen, Task, Unit
from policies.plan import Plan
from policies.state import SiteState
from tests.peers.sshd import WATCH, Sshd
from tests.policies.sites import on_battery, on_mains

KEX = "curve25519-sha256,curve25519-sha256@libssh.org"
"""One key exchange by its two names: RFC 8731's, and the one it had before."""

UNIT = Unit("cabinet", 20000, 20000, Battery(watt_hours=20000.0), flicker_s=0.0)
WITHIN_S = 120.0


@dataclass(slots=True)
class Round:
    """One telling of all devices.

    Attributes:
        told_s: seconds from the order to the outcome, by device.
        again: how many tries failed, and were made again.
    """

    again: int = 0
    told_s: dict[str, float] = field(default_factory=dict)

    @property
    def wall_s(self) -> float:
        """Until the last was told."""
        return max(self.told_s.values())


class Crowd:
    """A site of so many computers, all of them behind one sshd."""

    def __init__(self, server: Sshd, count: int, folder: Path) -> None:
        """Prepare for *server*."""
        self._server = server
        self._folder = folder
        self.names = [f"host {number:03}" for number in range(count)]
        late = StopWhen(on_battery_for_s=1e6)
        devices = {
            name: Device(name, Role.COMPUTER, 5, 5, ("cabinet",), stop_s=30.0, stop_when=late)
            for name in self.names
        }
        self._site = Site("bench", {"cabinet": UNIT}, devices)

    def driver(self, name: str, *, early: bool, port: int | None = None) -> Driver:
        """Return the driver of one device, at another port where one is given."""
        server = self._server
        access = KIND.access.model_validate(
            {
                "user": WATCH,
                "port": port or server.port,
                "key": SecretStr(server.client_key),
                "host_keys": [server.fingerprint()],
                "connect_early": early,
            }
        )
        stop = KIND.stages[Stage.STOP].model_validate({"run": "true"})
        return KIND.build(
            Fitting(name, server.address, access, {Stage.STOP: stop}, clock=LoopClock())
        )

    async def round(self, *, early: bool, odd: Server | None = None) -> Round:
        """Tell all devices at once; the tenth is at *odd* instead, where that is given."""
        at_odd = self.names[9] if odd is not None else ""
        drivers: Mapping[str, Mapping[Stage, Driver]] = {
            name: {
                Stage.STOP: self.driver(
                    name,
                    early=early,
                    port=odd.port if odd is not None and name == at_odd else None,
                )
            }
            for name in self.names
        }
        expected = set(self.names) - {at_odd}
        found = Round()
        done, loop = asyncio.Event(), asyncio.get_running_loop()
        began_at = 0.0
        is_time = False

        def hear(event: Event) -> None:
            if isinstance(event, StepEnded) and event.act == Act.STOP.value:
                if event.device in expected and event.verdict == Verdict.DONE.value:
                    found.told_s.setdefault(event.device, loop.time() - began_at)
                elif event.device in expected:
                    found.again += 1
                    print(event.device, event.verdict, event.evidence, file=sys.stderr)
                if len(found.told_s) == len(expected):
                    done.set()

        def all_at_once(
            site: Site,
            state: SiteState,
            beliefs: Mapping[str, Belief],
            now: float,
            _plan: Plan | None,
        ) -> Decision:
            decision = decide(site, state, beliefs, now)
            if not is_time:
                return decision
            why = Reason("why", "the benchmark wants it")
            orders = tuple(
                Order(name, Task.REST, now + WITHIN_S, why)
                for name in self.names
                if state.devices[name].order is None and name not in found.told_s
            )
            return replace(decision, orders=orders)

        await self._until(lambda: not self._server.sessions())
        before = self._logins()
        folder = Path(tempfile.mkdtemp(dir=self._folder))
        clock = LoopClock()
        journal = Journal.open(folder, dry_run=False, utc=clock.utc, monotonic=loop.time)
        engine = Engine(
            self._site, drivers, clock=clock, journal=journal,
            state=journal.recall(self._site).state, settings=Settings("bench"),
            on_event=hear, decide=all_at_once,
        )  # fmt: skip
        running = asyncio.create_task(engine.run())
        await engine.on_reading(on_mains(loop.time(), "cabinet"))
        failed_at = loop.time()
        for _ in range(3):
            await asyncio.sleep(0.1)
            await engine.on_reading(on_battery(loop.time(), failed_at, "cabinet"))
        if early:
            await self._until(lambda: self._logins() - before == len(expected))
        is_time, began_at = True, loop.time()
        await engine.consider()
        async with asyncio.timeout(WITHIN_S):
            await done.wait()
        running.cancel()
        await engine.end("the round is over")
        await journal.close()
        return found

    async def _until(self, holds: Callable[[], bool]) -> None:
        for _ in range(600):
            if holds():
                return
            await asyncio.sleep(0.1)
        raise AssertionError("the server did not come to it in a minute")

    def _logins(self) -> int:
        return self._server.log.count("Accepted publickey")


def xargs_s(server: Sshd, count: int) -> float:
    """Return the wall time of `xargs -P 32 ssh`, in s."""
    known = server.folder / "known"
    public = (server.folder / "host_ed25519.pub").read_text().split()[:2]
    known.write_text(f"[{server.address}]:{server.port} {' '.join(public)}\n")
    command = [
        "xargs", "-P", "32", "-I{}", "ssh", "-F", "none", "-i", str(server.folder / "client"),
        "-o", f"KexAlgorithms={KEX}", "-o", "BatchMode=yes", "-o", f"UserKnownHostsFile={known}",
        "-p", str(server.port), f"{WATCH}@{server.address}", "true",
    ]  # fmt: skip
    began_at = time.monotonic()
    lines = "\n".join(str(number) for number in range(count))
    subprocess.run(command, input=lines, text=True, check=True, capture_output=True)
    return time.monotonic() - began_at


def compare(crowd: Crowd, server: Sshd, count: int, rounds: int) -> None:
    """Print the wall times beside those of xargs, taken in turns."""
    cold, ahead, other = [], [], []
    for _ in range(rounds):
        other.append(xargs_s(server, count))
        cold.append(asyncio.run(crowd.round(early=False)).wall_s)
        ahead.append(asyncio.run(crowd.round(early=True)).wall_s)
    base = statistics.median(other)
    for label, times in (("xargs -P 32 ssh", other), ("cold", cold), ("ahead", ahead)):
        median = statistics.median(times)
        print(
            f"{count} devices, {label:16} median {median:6.2f} s "
            f"({min(times):.2f}-{max(times):.2f}), {median / base:5.2f} of xargs"
        )


ODD = {"hangs": lambda: serving(mute), "refuses": nobody, "vanishes": unanswering}


def delays(crowd: Crowd, rounds: int, *, early: bool) -> None:
    """Print how much later the others are told, with one odd device among them."""

    async def one(opening: AbstractAsyncContextManager[Any]) -> Round:
        async with AsyncExitStack() as stack:
            odd = await stack.enter_async_context(opening)
            return await crowd.round(early=early, odd=odd)

    times: dict[str, list[list[float]]] = {}
    for _ in range(rounds):
        for label in ("nobody odd", *ODD):
            opening = ODD[label]() if label in ODD else nullcontext(None)
            told = asyncio.run(one(opening)).told_s
            told.pop(crowd.names[9], None)
            times.setdefault(label, []).append(sorted(told.values()))
    plain = [statistics.median(ranked) for ranked in zip(*times.pop("nobody odd"), strict=True)]
    for label, runs in times.items():
        odd = [statistics.median(ranked) for ranked in zip(*runs, strict=True)]
        later = sorted(
            1000 * (with_it - without) for with_it, without in zip(odd, plain, strict=True)
        )
        late_ms = later[int(0.95 * len(later))]
        print(
            f"{len(crowd.names)} devices, {'ahead' if early else 'cold'}, one {label:9} the others "
            f"later by {statistics.median(later):6.1f} ms median, {late_ms:6.1f} ms at 95 %, "
            f"{later[-1]:6.1f} ms at most"
        )


async def waiting(crowd: Crowd, seconds: float) -> tuple[float, float]:
    """Return MiB and share of a core that connections cost which only wait."""
    drivers = [crowd.driver(name, early=True) for name in crowd.names]
    loop, rss_mib = asyncio.get_running_loop(), _rss_mib()
    ready = (driver.perform(Act.PREPARE, deadline_at=loop.time() + 60.0) for driver in drivers)
    outcomes = await asyncio.gather(*ready)
    assert {outcome.verdict for outcome in outcomes} == {Verdict.DONE}, outcomes[0]
    await asyncio.sleep(2.0)
    began_s = time.process_time()
    await asyncio.sleep(seconds)
    share = (time.process_time() - began_s) / seconds
    found = _rss_mib() - rss_mib, share
    await asyncio.gather(*(driver.close() for driver in drivers))
    return found


def _rss_mib() -> float:
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=3)
    chosen = parser.parse_args()
    set_up_logs(level=logging.CRITICAL)
    logging.disable(logging.CRITICAL)
    folder = Path(tempfile.mkdtemp())
    try:
        options = (f"KexAlgorithms {KEX}",)
        # A user whose shell reads no file first: else that is what is measured.
        with Sshd(folder / "sshd", options=options, has_own_users=True) as server:
            many = Crowd(server, chosen.devices, folder)
            mib, share = asyncio.run(waiting(many, 20.0))
            print(f"{chosen.devices} connections that wait: {mib:.1f} MiB, {share:.2%} of a core")
            compare(many, server, chosen.devices, chosen.rounds)
            few = Crowd(server, 20, folder)
            for early in (False, True):
                delays(few, 3 * chosen.rounds, early=early)
                delays(many, chosen.rounds, early=early)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
