"""PyBaMM's figures for a lead-acid battery, recorded by tests/battery/record.py."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

TABLE: dict[str, Any] = json.loads(
    (Path(__file__).parent / "pybamm_lead_acid.json").read_text(encoding="utf-8")
)


@dataclass(frozen=True, slots=True)
class Course:
    """A load that changes in time, and after how many hours the battery was empty.

    Attributes:
        steps: (s, load) by rising time from 0, up to the end.
    """

    steps: tuple[tuple[float, float], ...]
    hours: float


def courses(found: Sequence[dict[str, Any]]) -> list[Course]:
    """Return the recorded discharges under changing load."""
    return [Course(tuple((a, b) for a, b in one["steps"]), one["hours"]) for one in found]
