"""How quickly the agent acts, and how much memory it takes: `python tests/bench/latency.py`.

Against net-snmp's snmpd and a plain TCP listener as the device, on loopback:
- trap to decision: from sending upsTrapOnBattery (RFC 1628) to the order, the confirming poll
  included, no flicker time;
- deciding reading to first byte: from that reading to the first byte at the device;
- resident memory of `lastwatt run` on a site of one unit, one recorder and one PC.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from agent.config import load
from agent.logs import set_up_logs
from agent.wiring import Agent
from policies.events import Event, OrderGiven, ReadingTaken
from tests.peers.boatyard import boatyard
from tests.peers.snmpd import COMMUNITY, ON_BATTERY, ON_MAINS, Snmpd, free_port

ROUNDS = 15

SITE = """format = 1
[site]
name = "bench"
time_zone = "UTC"
[agent]
box = "box"
poll_on_mains = "{poll}"
traps = {{ listen = "127.0.0.1:{traps}" }}
[[unit]]
name = "cabinet"
address = "127.0.0.1"
snmp = {snmp}
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7 }}
flicker = "0s"
[[device]]
name = "box"
role = "agent box"
watts = 4
feed = "cabinet"
[[device]]
name = "recorder"
role = "recorder"
address = "127.0.0.1"
watts = 20
feed = "cabinet"
stop_when = {{ on_battery_for = "1s" }}
start = "by itself"
stop = {{ driver = "{driver}", {stop}, takes = "10s" }}
[device.{driver}]
port = {port}
{access}
"""

HTTP = ("http", 'method = "POST", path = "/off"', 'scheme = "http"\nauth = "none"')
SSH = ("ssh", 'run = "poweroff"', 'user = "x"\npassword = {{ file = "s" }}\nhost_keys = ["{pin}"]')
V3 = (
    '{{ version = "3", port = {port}, user = "watch", auth = "sha256", auth_secret = '
    '{{ file = "auth" }}, privacy = "aes128", privacy_secret = {{ file = "privacy" }} }}'
)
V2C = '{{ version = "2c", port = {port}, community = {{ file = "s" }} }}'


def trap_bytes() -> bytes:
    """Return upsTrapOnBattery as net-snmp's snmptrap sends it (v2c)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.settimeout(5)
        subprocess.run(
            ["snmptrap", "-v2c", "-c", COMMUNITY, f"127.0.0.1:{ear.getsockname()[1]}", "",
             "1.3.6.1.2.1.33.2.1"],
            check=True, env={**os.environ, "MIBS": ""},
        )  # fmt: skip
        return ear.recv(4096)


async def one_round(
    unit: Snmpd, trap: bytes, how: tuple[str, str, str], snmp: str
) -> tuple[float, float]:
    """Return trap to decision, and deciding reading to first byte, in s."""
    folder = Path(tempfile.mkdtemp())
    loop = asyncio.get_running_loop()
    first_byte: asyncio.Future[float] = loop.create_future()

    async def meet(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if await reader.read(1) and not first_byte.done():
            first_byte.set_result(loop.time())
        writer.close()

    server = await asyncio.start_server(meet, "127.0.0.1", 0)
    traps = free_port()
    driver, stop, access = how
    for name, text in (
        ("s", COMMUNITY), ("auth", "slipway-and-ropes"), ("privacy", "tide-tables-2026"),
    ):  # fmt: skip
        (folder / name).write_text(text)
        (folder / name).chmod(0o600)
    (folder / "site.toml").write_text(
        SITE.format(
            traps=traps, poll="1s" if snmp is V3 else "10s", driver=driver, stop=stop,
            port=server.sockets[0].getsockname()[1],
            access=access.format(pin="SHA256:" + "A" * 43), snmp=snmp.format(port=unit.port),
        )
    )  # fmt: skip
    loaded, faults = load(folder / "site.toml", today=date(2026, 11, 25))
    assert loaded is not None, [str(fault) for fault in faults]
    decided: asyncio.Future[float] = loop.create_future()
    readings: list[float] = []
    watched = asyncio.Event()

    def hear(event: Event) -> None:
        if isinstance(event, ReadingTaken):
            readings.append(loop.time())
            watched.set()
        if isinstance(event, OrderGiven) and not decided.done():
            decided.set_result(loop.time())

    until = asyncio.Event()
    running = asyncio.create_task(
        Agent(loaded, folder / "state", dry_run=False, on_event=hear).run(until)
    )
    await watched.wait()
    await asyncio.sleep(0.3)
    unit.put(ON_BATTERY)
    await asyncio.sleep(0.05)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mouth:
        sent_at = loop.time()
        mouth.sendto(trap, ("127.0.0.1", traps))
    async with asyncio.timeout(20):
        decided_at, byte_at = await decided, await first_byte
    deciding_at = max(at for at in readings if at <= decided_at)
    until.set()
    await running
    server.close()
    unit.replace(ON_MAINS)
    shutil.rmtree(folder)
    return decided_at - sent_at, byte_at - deciding_at


def resident_mib() -> float:
    """Return the resident memory of a running agent after 15 s, in MiB."""
    folder = Path(tempfile.mkdtemp())
    try:
        with boatyard(folder) as yard:
            agent = yard.start_agent()
            time.sleep(15)
            status = Path(f"/proc/{agent.pid}/status").read_text()
            return int(status.split("VmRSS:")[1].split()[0]) / 1024
    finally:
        shutil.rmtree(folder)


def main() -> None:
    """Print the figures."""
    set_up_logs(level=logging.CRITICAL)
    logging.disable(logging.CRITICAL)
    folder = Path(tempfile.mkdtemp())
    trap = trap_bytes()
    found: dict[str, float] = {}
    with Snmpd(folder / "unit") as unit:
        for label, how, snmp in (
            ("http, v2c", HTTP, V2C), ("http, v3 authPriv", HTTP, V3), ("ssh, v2c", SSH, V2C),
        ):  # fmt: skip
            rounds = [asyncio.run(one_round(unit, trap, how, snmp)) for _ in range(ROUNDS)]
            for index, what in enumerate(("trap to decision", "reading to first byte")):
                if snmp is V3 and index == 0:
                    continue  # the trap sent is v2c's, which a v3 site does not let in
                times_ms = sorted(1000 * times[index] for times in rounds)
                found[f"{what}, {label}"] = statistics.median(times_ms)
                print(
                    f"{what:24} {label:18} median {statistics.median(times_ms):6.1f} ms, "
                    f"worst of {ROUNDS} {times_ms[-1]:6.1f} ms"
                )
    found["resident"] = resident_mib()
    print(f"{'resident memory':24} {'run, no page':18} {found['resident']:6.1f} MiB")
    shutil.rmtree(folder)
    if "--json" in sys.argv:
        print(json.dumps(found))


if __name__ == "__main__":
    main()
