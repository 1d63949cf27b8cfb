"""Whether the agent grows: `python tests/soak/memory.py [--minutes 60]`.

`lastwatt run` as people run it, with its page, on net-snmp's snmpd, polled ten times a second where
a site polls every ten seconds: a month of polls in seven hours. Somebody has a stream open all the
time, and every ten seconds the page, /metrics and the status are fetched. Prints resident memory
each minute, and at the end what it grows by in a month of polls, by a line fitted from a third of
the time on; that is when libraries and caches are filled.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.bench.page import site_text
from tests.peers.snmpd import COMMUNITY, Snmpd, free_port

DEVICES = 20
POLL_S = 0.1
MONTH_POLLS = 30 * 86400 / 10
EVERY_S = 10.0


def rss_mib(pid: int) -> float:
    """Return the resident memory of a process."""
    status = Path(f"/proc/{pid}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def listen(url: str) -> None:
    """Hold a stream open until the other end goes."""
    with urllib.request.urlopen(f"{url}live", timeout=3600) as stream:
        while stream.readline():
            pass


def visit(url: str) -> None:
    """Look as people and programs do."""
    for path in ("", "metrics", "api/v1/status", "health"):
        with urllib.request.urlopen(url + path, timeout=30) as answer:
            answer.read()


def watch(pid: int, url: str, minutes: float) -> list[tuple[float, float]]:
    """Return (seconds, MiB), one each look."""
    found: list[tuple[float, float]] = []
    began = time.monotonic()
    while (passed_s := time.monotonic() - began) < minutes * 60:
        visit(url)
        found.append((passed_s, rss_mib(pid)))
        if len(found) % 6 == 1:
            print(f"{passed_s / 60:5.1f} min: {found[-1][1]:.1f} MiB", flush=True)
        time.sleep(EVERY_S)
    return found


def main() -> int:
    """Run, watch, and tell."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Snmpd(folder / "unit") as snmpd:
            (folder / "community").write_text(COMMUNITY)
            (folder / "community").chmod(0o600)
            port = free_port()
            text = site_text(DEVICES, snmpd.port, port)
            head = f'[agent]\npoll_on_mains = "{POLL_S}s"\n'
            text = text.replace("[agent]\n", head, 1) if "[agent]" in text else text + head
            (folder / "site.toml").write_text(text)
            command = [sys.executable, "-m", "agent", "run", str(folder / "site.toml")]
            command += ["--state", str(folder / "state"), "--dry-run"]
            agent = subprocess.Popen(command, stderr=subprocess.DEVNULL)
            try:
                url = f"http://127.0.0.1:{port}/"
                time.sleep(10)
                threading.Thread(target=listen, args=(url,), daemon=True).start()
                found = watch(agent.pid, url, minutes)
            finally:
                agent.terminate()
                agent.wait(20)
    late = found[len(found) // 3 :]
    slope = statistics.linear_regression(*zip(*late, strict=True)).slope
    polls_a_second = 1.0 / POLL_S
    told = {
        "polls": round(found[-1][0] * polls_a_second),
        "first_mib": round(found[0][1], 1),
        "last_mib": round(found[-1][1], 1),
        "most_mib": round(max(mib for _, mib in found), 1),
        "a_month_mib": round(slope / polls_a_second * MONTH_POLLS, 1),
    }
    print(json.dumps(told))
    return 0


if __name__ == "__main__":
    sys.exit(main())
