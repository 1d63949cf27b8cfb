"""From the start of the agent's process to its first decision, and what takes the time.

Run: .venv/bin/python tests/bench/start.py [rounds] [devices]. To be reached: 3 s. The agent runs as
the service does, told by NOTIFY_SOCKET; READY=1 follows its first decision. Wall time suffers from
whatever else runs; CPU time is the process's own, so that a slower box can be reckoned from it.
"""

from __future__ import annotations

import os
import resource
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.peers.snmpd import COMMUNITY, Snmpd

MOST_S = 3.0
WITHIN_S = 30.0
SITE = """format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
[[unit]]
name = "cabinet"
address = "127.0.0.1"
snmp = {{ version = "2c", port = {port}, community = {{ env = "COMMUNITY" }} }}
rating = {{ va = 1000, watts = 700 }}
battery = {{ volts = 36, amp_hours = 7, fitted = 2026-01-10 }}
"""
DEVICE = """[[device]]
name = "recorder {number}"
role = "recorder"
address = "192.0.2.{number}"
feed = "cabinet"
watts = 12
stop = {{ driver = "ssh", takes = "50s", run = "poweroff" }}
[device.ssh]
user = "keeper"
password = {{ env = "COMMUNITY" }}
host_keys = ["SHA256:47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU"]
"""


def children_s() -> float:
    """Return the CPU of all children that have ended, in s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def started(site: Path, state: Path) -> tuple[float, float]:
    """Start the agent, wait for READY=1, end it; return wall and CPU seconds, the end included."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(state.with_suffix(".notify")))
        heard.settimeout(WITHIN_S)
        before, began_at = children_s(), time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "agent", "run", str(site), "--state", str(state), "--dry-run"],
            env={
                **os.environ,
                "NOTIFY_SOCKET": str(state.with_suffix(".notify")),
                "COMMUNITY": COMMUNITY,
                "OMP_NUM_THREADS": "1",
            },
            stderr=(state.with_suffix(".log")).open("wb"),
        )
        try:
            while b"READY=1" not in heard.recv(4096):
                pass
        except TimeoutError:
            process.kill()
            log = state.with_suffix(".log").read_text()
            sys.exit(f"no decision within {WITHIN_S} s: {log[-900:]}")
        took_s = time.monotonic() - began_at
        process.send_signal(signal.SIGTERM)
        process.wait()
    Path(state.with_suffix(".notify")).unlink()
    return took_s, children_s() - before


def imports() -> list[tuple[float, str]]:
    """Return the costliest imports of the agent, in s, what each imports itself included."""
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-c", "import agent.cli, agent.wiring"],
        capture_output=True,
        text=True,
    )
    found = []
    for line in done.stderr.splitlines():
        parts = line.removeprefix("import time:").split("|")
        if len(parts) == 3 and parts[1].strip().isdigit():
            found.append((int(parts[1]) / 1e6, parts[2].strip()))
    return sorted(found, reverse=True)


def main() -> None:
    """Print the figures."""
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    devices = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    with tempfile.TemporaryDirectory() as name, Snmpd(Path(name) / "snmpd") as unit:
        folder = Path(name)
        tables = [DEVICE.format(number=number) for number in range(1, devices + 1)]
        (folder / "site.toml").write_text(SITE.format(port=unit.port) + "".join(tables))
        took = [started(folder / "site.toml", folder / f"state{n}") for n in range(rounds)]
    walls, cpus = [wall for wall, _ in took], [cpu for _, cpu in took]
    print(f"{devices} devices, {rounds} starts; at most {MOST_S} s are wanted")
    print(f"to the first decision: {statistics.median(walls):.2f} s, worst {max(walls):.2f} s")
    print(f"CPU of it, end included: {statistics.median(cpus):.2f} s")
    print("imports, each with its own:")
    for seconds, module in imports()[:12]:
        print(f"  {seconds:.3f} s  {module}")


if __name__ == "__main__":
    main()
