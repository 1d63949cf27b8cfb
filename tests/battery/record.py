"""Writes the small table of PyBaMM's figures that the default run of the tests checks against."""

from __future__ import annotations

import json
import random
from pathlib import Path

from tests.battery.first_principles import VERSION, discharge_h

TABLE = Path(__file__).parents[1] / "policies" / "pybamm_lead_acid.json"

AMPS = (1.08, 1.707, 3.385, 8.515, 17.05, 34.2, 69.0)
"""About 20, 12.5, 6.1, 2.26, 1.03, 0.44 and 0.17 h."""

WIDE_W = tuple(7.2 * 300.0 ** (i / 13.0) for i in range(14))
USUAL_W = tuple(12.0 * 40.0 ** (i / 9.0) for i in range(10))
INVERTER = {"efficiency": 0.86, "own_draw_w": 30.0}
OUTPUT_W = (5.0, 8.0, 12.0, 20.0, 30.0, 50.0, 75.0, 120.0, 180.0, 240.0, 330.0)

KINDS = (("LOQS", "power"), ("Full", "power"), ("Full", "current"))


def main() -> None:
    """Write the table."""
    table = {
        "source": f"PyBaMM {VERSION}, lead-acid models LOQS and Full, parameter set Sulzer2019, "
        "10.5 V; written by ./tests/run --battery",
        "capacity": [{"amps": amps, "hours": _hours("Full", amps, "current")} for amps in AMPS],
        "wide": [[_short(w), _hours("LOQS", w, "power")] for w in WIDE_W],
        "usual": {
            f"{model} {by}": [[_short(x), _hours(model, x, by)] for x in _loads(by)]
            for model, by in KINDS
        },
        "behind_inverter": {
            **INVERTER,
            "runs": [
                [w, _hours("Full", w / INVERTER["efficiency"] + INVERTER["own_draw_w"], "power")]
                for w in OUTPUT_W
            ],
        },
        "shed": {f"{model} {by}": courses(model, by, seed=11, count=24) for model, by in KINDS},
        "varied": {
            f"{model} {by}": courses(model, by, seed=5, count=16, rising=True)
            for model, by in KINDS
        },
    }
    lines = json.dumps(table, separators=(",", ":")).replace('],"', '],\n"').replace("},{", "},\n{")
    TABLE.write_text(lines + "\n", encoding="utf-8")


def courses(
    model: str, by: str, *, seed: int, count: int, rising: bool = False
) -> list[dict[str, object]]:
    """Return discharges under loads that are given up step by step, or also grow, to their end."""
    chance = random.Random(seed)
    return [_course(model, by, chance, rising) for _ in range(count)]


def _course(model: str, by: str, chance: random.Random, rising: bool) -> dict[str, object]:
    load = 48.0 * 7.5 ** chance.random()
    full_h = 228.0 / load
    load *= 1.0 if by == "power" else 1.0 / 12.0
    steps, at_s = [], 0.0
    for _ in range(chance.randint(2, 5)):
        steps.append([round(at_s), _short(load)])
        at_s += 3600.0 * full_h * chance.uniform(0.1, 0.5)
        grows = rising and chance.random() < 0.25
        load *= chance.uniform(1.05, 1.3) if grows else chance.uniform(0.3, 0.9)
    hours = discharge_h(model, [(a, b) for a, b in steps], by=by)
    return {"steps": [step for step in steps if step[0] < 3600.0 * hours], "hours": _short(hours)}


def _loads(by: str) -> tuple[float, ...]:
    return USUAL_W if by == "power" else tuple(w / 12.0 for w in USUAL_W)


def _hours(model: str, load: float, by: str) -> float:
    return _short(discharge_h(model, [(0.0, _short(load))], by=by))


def _short(value: float) -> float:
    return float(f"{value:.5g}")


if __name__ == "__main__":
    main()
