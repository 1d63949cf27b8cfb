"""What programs at the page's door cost: `python tests/bench/page_load.py [--devices 30]`.

Against the agent in a process of its own, on net-snmp's snmpd; `page.py` has the pages of people.
- CPU of the agent with 50 streams of /api/v1/events beside none, in an outage (a poll every 4 s);
- one /metrics: its time and its bytes;
- resident memory: nobody there, with the streams, after the sign-ins, after all;
- a flood of wrong sign-ins, 20 at a time over 10 s, each of argon2id with 19 MiB: how late /health
  is answered meanwhile, and how much memory it takes.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import statistics
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

import httpx2

from tests.agent.page.people_here import write_people
from tests.bench.page import Served, served
from tests.peers.snmpd import ON_BATTERY

STREAMS = 50
GUESSERS = 20
FLOOD_S = 10.0


async def cpu_with(agent: Served, streams: int, lasting_s: float) -> tuple[float, int]:
    """Return the share of a core that the agent takes with so many streams, and what they got."""
    host, port = agent.url.split("/")[2].split(":")
    got = 0

    async def listen() -> None:
        nonlocal got
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(b"GET /api/v1/events HTTP/1.1\r\nHost: localhost\r\n\r\n")
        while data := await reader.read(65536):
            got += data.count(b"\nevent: ")

    tasks = [asyncio.create_task(listen()) for _ in range(streams)]
    await asyncio.sleep(2)
    before, began = agent.cpu_s(), time.monotonic()
    await asyncio.sleep(lasting_s)
    share = (agent.cpu_s() - before) / (time.monotonic() - began)
    print(f"memory with {streams} streams: {agent.rss_mib():.0f} MiB")
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return share, got


async def delays_s(web: httpx2.AsyncClient, lasting_s: float) -> list[float]:
    """Ask for /health ten times a second; return how long each answer took."""
    found = []
    until = time.monotonic() + lasting_s
    while time.monotonic() < until:
        began = time.monotonic()
        await web.get("/health")
        found.append(time.monotonic() - began)
        await asyncio.sleep(0.1)
    return found


async def flood(agent: Served) -> None:
    """Have many guess at once, and see how the others fare."""
    codes: Counter[int] = Counter()
    host, port = agent.url.split("/")[2].split(":")
    until = time.monotonic() + 5.0 + FLOOD_S

    async def guess(number: int) -> None:
        await asyncio.sleep(5.0)
        turn = 0
        while time.monotonic() < until:
            turn += 1
            # Each guess from another address, or the pauses alone would hold the flood off.
            source = f"127.{10 + number}.{turn // 250}.{1 + turn % 250}"
            reader, writer = await asyncio.open_connection(host, int(port), local_addr=(source, 0))
            body = json.dumps({"name": f"n{number}-{turn}", "password": "a guess of some length"})
            writer.write(
                b"POST /api/v1/session HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
                b"content-type: application/json\r\n"
                + f"content-length: {len(body)}\r\n\r\n{body}".encode()
            )
            codes[int((await reader.read()).split()[1])] += 1
            writer.close()

    async with httpx2.AsyncClient(base_url=agent.url, timeout=60) as web:
        guesses = [asyncio.create_task(guess(number)) for number in range(GUESSERS)]
        quiet = await delays_s(web, 4.5)
        await asyncio.sleep(1.0)
        under = await delays_s(web, FLOOD_S - 1.0)
        await asyncio.gather(*guesses)
    for when, found in (("quiet", quiet), ("in the flood", under)):
        print(
            f"/health, {when}: median {1000 * statistics.median(found):.0f} ms, "
            f"worst of {len(found)} {1000 * max(found):.0f} ms"
        )
    print(f"the flood was answered {dict(codes)}; memory after it: {agent.rss_mib():.0f} MiB")


async def measure(agent: Served, lasting_s: float) -> None:
    """Print the figures of an agent in an outage."""
    for streams in (0, STREAMS):
        share, got = await cpu_with(agent, streams, lasting_s)
        each = got / streams if streams else 0
        print(f"{streams} streams in an outage: {share:.1%} of a core; {each:.0f} events each")
    async with httpx2.AsyncClient(base_url=agent.url, timeout=60) as web:
        took = []
        for _ in range(10):
            began = time.monotonic()
            got_ = await web.get("/metrics")
            took.append(time.monotonic() - began)
        size = len(got_.content)
    print(f"/metrics: median {1000 * statistics.median(took):.0f} ms, {size / 1000:.0f} kB")
    await flood(agent)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=40.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        write_people(Path(name) / "state")
        with served(Path(name), given.devices) as (agent, snmpd):
            time.sleep(5)
            print(f"{given.devices} devices; memory with nobody there: {agent.rss_mib():.0f} MiB")
            snmpd.put(ON_BATTERY)
            time.sleep(20)
            asyncio.run(measure(agent, given.seconds))


if __name__ == "__main__":
    main()
