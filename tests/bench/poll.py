"""What a running poll costs in CPU, decoding and judging included, beside net-snmp's own client.

Run: .venv/bin/python tests/bench/poll.py [rounds]. One agent (snmpd) serves all; the four ways are
taken in turns, and the medians over the rounds are printed, since a shared box is noisy.
"""

from __future__ import annotations

import asyncio
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import structlog

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from agent.clock import LoopClock
from agent.units import rfc1628
from agent.units.snmp_source import SnmpSource
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_values import SYS_UP_TIME, dotted
from policies.model import Battery, Unit
from policies.supply import UnitState, judge
from tests.peers.snmp_settings import as_community, as_user
from tests.peers.snmpd import AUTH_SECRET, COMMUNITY, PRIVACY_SECRET, Snmpd, binary, environment

ROUNDS = 15
POLLS = 40
PROCESSES = 4
MOST_MS = {"v2c": 6.0, "v3 authPriv": 8.0}
"""What is to be reached, by version."""

CREDENTIALS = {
    "v2c": ["-v2c", "-c", COMMUNITY],
    "v3 authPriv": [
        *("-v3", "-u", "watch", "-l", "authPriv", "-a", "SHA-256", "-A", AUTH_SECRET),
        *("-x", "AES", "-X", PRIVACY_SECRET),
    ],
}
OIDS = (SYS_UP_TIME, *rfc1628.POLLED.values(), *rfc1628.line_oids([1]))
UNIT = Unit("cabinet", 1000.0, 700.0, Battery(volts=36.0, amp_hours=7.0))


class Watched:
    """One unit, polled and judged as the agent does it."""

    def __init__(self, source: SnmpSource, clock: LoopClock) -> None:
        self._source = source
        self._clock = clock
        self.state = UnitState()

    async def poll(self) -> None:
        reading = await self._source.read(deadline_at=self._clock.monotonic() + 5.0)
        self.state = judge(UNIT, self.state, reading, listed_w=0.0)


async def our_cpu_ms(watched: Watched) -> float:
    """Return the CPU of this process a poll, in ms."""
    before = time.process_time()
    for _ in range(POLLS):
        await watched.poll()
    return (time.process_time() - before) / POLLS * 1e3


def client_cpu_ms(unit: Snmpd, credentials: list[str]) -> float:
    """Return the CPU of one snmpget process that asks for the same objects, in ms."""
    command = [binary("snmpget"), "-On", *credentials, f"127.0.0.1:{unit.port}"]
    before = _children_s()
    for _ in range(PROCESSES):
        subprocess.run(
            [*command, *map(dotted, OIDS)],
            check=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env=environment(unit.folder / "client"),
        )
    return (_children_s() - before) / PROCESSES * 1e3


def _children_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


async def measure(unit: Snmpd, rounds: int) -> dict[str, tuple[float, float]]:
    """Return by version the medians of our poll and of net-snmp's client, in ms of CPU."""
    clock, hub = LoopClock(), SnmpHub()
    ways = {"v2c": as_community(unit), "v3 authPriv": as_user(unit)}
    watched = {
        version: Watched(
            SnmpSource(hub.peer("127.0.0.1", settings), unit="cabinet", clock=clock), clock
        )
        for version, settings in ways.items()
    }
    ours: dict[str, list[float]] = {version: [] for version in ways}
    theirs: dict[str, list[float]] = {version: [] for version in ways}
    for one in watched.values():
        await one.poll()
    for _ in range(rounds):
        for version, one in watched.items():
            ours[version].append(await our_cpu_ms(one))
            theirs[version].append(client_cpu_ms(unit, CREDENTIALS[version]))
    hub.close()
    return {
        version: (statistics.median(ours[version]), statistics.median(theirs[version]))
        for version in ways
    }


def main() -> int:
    """Print the figures; return 0 where what is to be reached was reached, else 1."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))
    with tempfile.TemporaryDirectory() as folder, Snmpd(Path(folder) / "unit") as unit:
        figures = asyncio.run(measure(unit, rounds))
    print(f"CPU of one poll of {len(OIDS)} objects, decoded and judged; medians of {rounds} rounds")
    print(f"{'':14}{'lastwatt':>12}{'at most':>12}{'snmpget':>12}")
    for version, (ours, theirs) in figures.items():
        print(f"{version:14}{ours:9.2f} ms{MOST_MS[version]:9.2f} ms{theirs:9.2f} ms")
    peak_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(f"peak memory of this process: {peak_kib / 1024:.0f} MiB")
    return 0 if all(ours <= MOST_MS[version] for version, (ours, _) in figures.items()) else 1


if __name__ == "__main__":
    sys.exit(main())
