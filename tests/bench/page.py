"""What the page costs and how quick it is: `python tests/bench/page.py [--devices 30]`.

Against the agent in a process of its own, net-snmp's snmpd as the unit, and Chromium:
- bytes over the wire of the first view, everything included, as Chromium counts them (CDP
  Network.loadingFinished), on mains and in an outage;
- time to usable on an emulated slow phone: first contentful paint, when the sentence stands there
  (it needs no script). Emulated by CDP: CPU four times slower, and round trip and rate as named;
- reading to page: from the reading in the agent to the change in the browser's document;
- CPU of the agent with 50 pages open beside none, in an outage (a poll every 4 s);
- resident memory of the agent: no page opened, one opened on mains, in an outage.
"""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from playwright.sync_api import Browser, Page

from agent.config import load
from agent.logs import set_up_logs
from agent.wiring import Agent
from policies.events import Event, ReadingTaken
from tests.agent.commands import V2C, unit
from tests.peers.chromium import PHONE, chromium
from tests.peers.snmpd import COMMUNITY, ON_BATTERY, ON_MAINS, Snmpd, free_port

PAGES = 50
TURNS = 7
LINKS = {
    "no limit": (0.0, 0.0),
    "4G, 150 ms and 1.6 Mbit/s": (150.0, 1.6e6),
    "3G, 400 ms and 0.4 Mbit/s": (400.0, 0.4e6),
}
_CPU_TIMES = 4
_PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime"


def site_text(devices: int, snmp_port: int, page_port: int) -> str:
    """Return a site of so many devices with a page: cameras, recorders and PCs on one unit."""
    tables = [
        'format = 1\n[site]\nname = "Quayside boatyard"\ntime_zone = "Europe/Lisbon"\n'
        'place = { latitude = 38.70, longitude = -9.14 }\n[agent]\nbox = "warden"\n'
        f'poll_on_battery = "4s"\n[page]\nlisten = "127.0.0.1:{page_port}"\n',
        unit(snmp_port, snmp=V2C, more='flicker = "1s"'),
        '[[device]]\nname = "warden"\nrole = "agent box"\nwatts = 5\nfeed = "cabinet"\n',
    ]
    for number in range(devices - 1):
        role = ("camera", "camera", "camera", "recorder", "computer")[number % 5]
        table = (
            f'[[device]]\nname = "{role} {number}"\nrole = "{role}"\nfeed = "cabinet"\n'
            f"watts = {4 + number % 5}\n"
        )
        if role != "camera":
            table += (
                'address = "127.0.0.1"\nhold = "30m"\nstart = "by itself"\n'
                'stop = { driver = "http", method = "POST", path = "/off", takes = "20s" }\n'
                f'[device.http]\nport = {20000 + number}\nscheme = "http"\nauth = "none"\n'
            )
        tables.append(table)
    return "\n".join(tables)


# The agent


async def serve(file: Path) -> None:
    """Run the agent, print where its page is, and when each reading came."""
    loaded, faults = load(file, today=date.today())
    assert loaded is not None, [str(fault) for fault in faults]

    def hear(event: Event) -> None:
        if isinstance(event, ReadingTaken):
            print(f"reading {time.time()} {event.reading.output_w}", flush=True)

    agent = Agent(loaded, file.parent / "state", dry_run=True, on_event=hear)
    running = asyncio.create_task(agent.run(asyncio.Event()))
    assert agent.page is not None
    await agent.page.server.wait()
    print("listens http://{}:{}/".format(*agent.page.server.address), flush=True)
    await running


class Served:
    """An agent in a process of its own."""

    def __init__(self, file: Path) -> None:
        self.log = file.parent / "out"
        with self.log.open("w") as out:
            self.process = subprocess.Popen(
                [sys.executable, __file__, "--serve", str(file)],
                stdout=out,
                stderr=subprocess.DEVNULL,
            )
        self.url = self._line("listens")[1]

    def _line(self, word: str) -> list[str]:
        for _ in range(200):
            for line in self.log.read_text().splitlines():
                if line.startswith(word):
                    return line.split()
            time.sleep(0.1)
        raise RuntimeError(f"it does not say {word}")

    def readings(self) -> dict[float, float]:
        """Return watts -> when the first reading that said so came."""
        found: dict[float, float] = {}
        for line in self.log.read_text().splitlines():
            if line.startswith("reading "):
                _, at, watts = line.split()
                found.setdefault(float(watts), float(at))
        return found

    def cpu_s(self) -> float:
        """Return the seconds of CPU it has had."""
        fields = Path(f"/proc/{self.process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def rss_mib(self) -> float:
        """Return its resident memory."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.split("VmRSS:")[1].split()[0]) / 1024


@contextmanager
def served(folder: Path, devices: int) -> Iterator[tuple[Served, Snmpd]]:
    """Run an agent on a unit that answers."""
    with Snmpd(folder / "unit") as snmpd:
        for name in ("community",):
            (folder / name).write_text(COMMUNITY)
            (folder / name).chmod(0o600)
        (folder / "site.toml").write_text(site_text(devices, snmpd.port, free_port()))
        agent = Served(folder / "site.toml")
        try:
            yield agent, snmpd
        finally:
            agent.process.terminate()
            agent.process.wait(10)


# The browser


def opened(browser: Browser, url: str, link: str) -> tuple[Page, int, float]:
    """Open the page on a slow phone; return it, its bytes over the wire, and when it is usable."""
    latency_ms, rate_bit = LINKS[link]
    page = browser.new_context(**PHONE).new_page()
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    got: list[float] = []
    wire.on("Network.loadingFinished", lambda event: got.append(event["encodedDataLength"]))
    if latency_ms:
        wire.send("Emulation.setCPUThrottlingRate", {"rate": _CPU_TIMES})
        conditions: dict[str, Any] = {
            "offline": False,
            "latency": latency_ms,
            "downloadThroughput": rate_bit / 8,
            "uploadThroughput": rate_bit / 8,
        }
        wire.send("Network.emulateNetworkConditions", conditions)
    page.goto(url, wait_until="load")
    paint_ms = until(lambda: page.evaluate(_PAINT))
    return page, int(sum(got)), float(paint_ms) / 1000.0


def until(found: Callable[[], Any]) -> Any:
    """Return what is found, asked anew until there is something; at most 20 s."""
    ends_at = time.monotonic() + 20.0
    while not (value := found()):
        if time.monotonic() > ends_at:
            raise RuntimeError("it does not come")
        time.sleep(0.02)
    return value


def tell_first_view(browser: Browser, url: str, when: str) -> None:
    """Open it several times over each link."""
    for link in LINKS:
        seen = []
        for _ in range(TURNS):
            page, size, paint_s = opened(browser, url, link)
            seen.append((size, paint_s))
            page.context.close()
        sizes, paints = zip(*seen, strict=True)
        print(
            f"first view, {when}, {link}: {max(sizes) / 1000:.1f} kB; usable after "
            f"{statistics.median(paints):.2f} s, worst of {TURNS} {max(paints):.2f} s"
        )


def tell_delay(browser: Browser, agent: Served, snmpd: Snmpd) -> None:
    """Change the load several times; see when each stands on the page."""
    page = browser.new_context(**PHONE).new_page()
    page.goto(agent.url)
    page.evaluate(
        "() => { window.seen = {}; new MutationObserver(() => {"
        " const w = document.querySelector('#part-heard').textContent.match(/carries (\\d+) W/);"
        " if (w && !(w[1] in seen)) seen[w[1]] = Date.now() / 1000; }).observe("
        "document.querySelector('#part-heard'), {subtree: true, childList: true,"
        " characterData: true}); }"
    )
    for turn in range(TURNS):
        snmpd.put({"upsOutputPower.1": ("integer", 111 + turn)})
        until(partial(page.evaluate, f"seen[{111 + turn}]"))
    seen, readings = page.evaluate("seen"), agent.readings()
    asked = range(111, 111 + TURNS)
    delays = [seen[str(watts)] - readings[float(watts)] for watts in asked]
    print(
        f"reading to page: median {1000 * statistics.median(delays):.0f} ms, worst of "
        f"{len(delays)} {1000 * max(delays):.0f} ms"
    )
    page.context.close()


async def listening(url: str, pages: int, lasting_s: float) -> int:
    """Hold so many event streams open; return the bytes that came."""
    host, port = url.split("/")[2].split(":")
    got = 0

    async def one() -> None:
        nonlocal got
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(f"GET /live HTTP/1.1\r\nhost: {host}:{port}\r\n\r\n".encode())
        while data := await reader.read(65536):
            got += len(data)

    tasks = [asyncio.create_task(one()) for _ in range(pages)]
    await asyncio.sleep(lasting_s)
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    return got


def cpu_share(agent: Served, pages: int, lasting_s: float) -> tuple[float, float]:
    """Return the share of a core that the agent takes with so many open pages, and kB/s of each."""
    before, began = agent.cpu_s(), time.monotonic()
    got = asyncio.run(listening(agent.url, pages, lasting_s))
    took_s = time.monotonic() - began
    return (agent.cpu_s() - before) / took_s, got / max(1, pages) / took_s / 1000


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--devices", type=int, default=12)
    parser.add_argument("--seconds", type=float, default=40.0)
    parser.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    set_up_logs(level=logging.CRITICAL)
    if given.serve:
        asyncio.run(serve(given.serve))
        return
    with tempfile.TemporaryDirectory() as name, served(Path(name), given.devices) as (agent, snmpd):
        time.sleep(5)
        print(f"{given.devices} devices; memory before anybody looks: {agent.rss_mib():.0f} MiB")
        with chromium() as browser:
            tell_first_view(browser, agent.url, "on mains")
            print(f"memory with pages opened on mains: {agent.rss_mib():.0f} MiB")
            snmpd.put(ON_BATTERY)
            time.sleep(30)
            tell_first_view(browser, agent.url, "in an outage")
            tell_delay(browser, agent, snmpd)
        for pages in (0, 1, PAGES):
            share, rate = cpu_share(agent, pages, given.seconds)
            print(f"{pages} open pages in an outage: {share:.1%} of a core, {rate:.1f} kB/s each")
        print(f"memory in an outage: {agent.rss_mib():.0f} MiB")
        snmpd.replace(ON_MAINS)
        time.sleep(20)
        share, _ = cpu_share(agent, PAGES, given.seconds)
        print(f"{PAGES} open pages on mains: {share:.1%} of a core")


if __name__ == "__main__":
    main()
