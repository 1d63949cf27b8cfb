"""How quickly many sites are checked: `python tests/bench/sites.py [--sites 300]`.

A repository as an integrator has it (tests/agent/many_sites.py), each site of a dozen cameras over
one base, checked by the command as a person would run it, start of the processes included.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.agent.many_sites import write_sites

ROOT = Path(__file__).parent.parent.parent


def main() -> None:
    """Print the seconds of a few turns."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=300)
    parser.add_argument("--turns", type=int, default=3)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        write_sites(Path(folder) / "sites", given.sites)
        for turn in range(given.turns):
            began = time.perf_counter()
            done = subprocess.run(
                [sys.executable, "-m", "agent", "check", "--all", folder, "--json"],
                cwd=ROOT,
                capture_output=True,
                check=True,
            )
            took_s = time.perf_counter() - began
            count = len(json.loads(done.stdout)["sites"])
            print(f"turn {turn + 1}: {count} sites in {took_s:.1f} s")


if __name__ == "__main__":
    main()
