"""A process that lives through half an outage, says what it believes, and dies: see its user."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from datetime import UTC, date, datetime
from pathlib import Path

from agent.battery.estimator import Estimator
from agent.journal.journal import Journal
from policies.events import ReadingTaken
from policies.model import Site
from policies.runtime import LoadStep
from policies.state import fold, initial
from tests.policies.discharges import UNIT, Truth, holding, on_mains

SITE = Site("boatyard", {"cabinet": UNIT}, {})
TRUTH = Truth(cells=holding(1.3))
HALF_S = 1000.0
STEPS = [LoadStep(0.0, 200.0)]
QUANTILES = (0.01, 0.05, 0.5)
BOOT = "boot-1"


def estimator_of(journal: Journal) -> Estimator:
    return Estimator(
        SITE,
        fits={},
        kept=journal.recall_estimates(),
        today=lambda: date(2026, 11, 25),
        keep=journal.keep_estimate,
        say=lambda severity, about, text: print(text, file=sys.stderr),
    )


async def main(folder: Path) -> None:
    at = TRUTH.began_at
    journal = Journal.open(
        folder,
        dry_run=False,
        utc=lambda: datetime.now(UTC),
        monotonic=lambda: at,
        boot=BOOT,
    )
    estimator, state = estimator_of(journal), initial(SITE)
    readings = [on_mains(at - 5.0)]
    while at < TRUTH.began_at + HALF_S:
        at += 5.0
        readings.append(TRUTH.reading(at))
    for reading in readings:
        event = ReadingTaken(reading.at, reading)
        state = fold(SITE, state, event)
        estimator.hear(event, state)
        await journal.commit(event)
    belief = estimator.beliefs(SITE, state, at)["cabinet"]
    print(json.dumps([belief.end_after_s(STEPS, quantile) for quantile in QUANTILES]), flush=True)
    os.kill(os.getpid(), signal.SIGKILL)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1])))
