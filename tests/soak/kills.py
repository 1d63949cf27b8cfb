"""Kill the agent amid ride-throughs on real peers, fifty times: `python tests/soak/kills.py`.

Ten outages on snmpd, sshd and ffmpeg, five SIGKILLs at random moments of each. Prints each ride's
fate; status 0 only if every recording plays, and nothing was lost nor done twice that must not be.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.ride_through.rides import lost_or_doubled, ridden_with_kills, yard_for_kills

KILLS = 5


def one(seed: int) -> bool:
    """Ride through one outage; say how it went, and whether that is well."""
    began_at = time.monotonic()
    with tempfile.TemporaryDirectory() as folder, yard_for_kills(Path(folder)) as yard:
        try:
            ridden_with_kills(yard, seed, kills=KILLS)
        except AssertionError as error:
            print(f"ride {seed}: not at rest: {error}", flush=True)
            return False
        film = yard.hosts["gate recorder"].film
        assert film is not None
        plays_s = film.seconds()
        told = {name: host.told for name, host in yard.hosts.items()}
        wrong = lost_or_doubled(yard)
    for each in wrong:
        print(f"ride {seed}: {each}", flush=True)
    is_well = (plays_s or 0.0) > 1.0 and not wrong
    took_s = time.monotonic() - began_at
    fate = "does not play" if plays_s is None else f"plays {plays_s:.1f} s"
    print(f"ride {seed}: {fate}; told {told}; {took_s:.0f} s", flush=True)
    return is_well


def main() -> int:
    """Ride, and return 0 only if all went well."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rides", type=int, default=10)
    parser.add_argument("--first", type=int, default=0, help="seed of the first ride")
    chosen = parser.parse_args()
    seeds = range(chosen.first, chosen.first + chosen.rides)
    fates = [one(seed) for seed in seeds]
    print(f"{sum(fates)} of {len(fates)} rides well, {KILLS * len(fates)} kills")
    return 0 if all(fates) else 1


if __name__ == "__main__":
    sys.exit(main())
