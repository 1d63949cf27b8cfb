"""The fit of a unit's battery on disk: what full runs taught, kept for everything that plans.

A JSON document, `format` 1, with the guesses as arrays. Imports numpy: the agent imports this
module when it needs its first estimate, and not before.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from agent.errors import ConfigError
from agent.journal.whole_file import write_whole
from policies.battery import SAME_BATTERY_DAYS
from policies.draws import Draws
from policies.model import Chemistry
from policies.runtime import health_at, temperature_factor

FORMAT = 1
"""The only format of the file so far."""

_YEAR_DAYS = 365.25
_FULL = 0.95
_LARGEST_BYTES = 20_000_000


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run behind the fit; a share as `charge`."""

    watts: float
    hours: float
    charge: float
    outlier_probability: float
    on: date | None = None

    @property
    def counts(self) -> bool:
        """Whether it is a good run from a full battery."""
        return self.charge >= _FULL and self.outlier_probability < 0.5


@dataclass(frozen=True, slots=True)
class StoredFit:
    """What full runs said of one battery.

    Attributes:
        draws: guesses of the full battery on the day the fit was made, at `temperature_c`.
        runs: those it was made from.
        unit: the name its site gives to the unit, "" where there was no site.
        rating_w: of the unit, or None.
        made_on: day of the fit.
        fitted_on: day the battery was put in, or None.
        temperature_c: for which the energy holds.
    """

    draws: Draws
    runs: tuple[StoredRun, ...]
    made_on: date
    unit: str = ""
    rating_w: float | None = None
    fitted_on: date | None = None
    temperature_c: float = 25.0
    chemistry: Chemistry = Chemistry.LEAD_ACID

    @property
    def full_runs(self) -> int:
        """How many good runs from full are known: from two on, the 5 % bound may be acted on."""
        return sum(run.counts for run in self.runs)

    def is_of(self, fitted_on: date | None) -> bool:
        """Whether it is a fit of the battery that was put in on that day.

        One that was made before that day is not. Else, where either day is not known, nobody can
        tell, and it is taken to be.
        """
        if fitted_on is not None and self.made_on < fitted_on:
            return False
        if fitted_on is None or self.fitted_on is None:
            return True
        return abs((fitted_on - self.fitted_on).days) <= SAME_BATTERY_DAYS

    def draws_on(self, day: date, *, temperature_c: float | None = None) -> Draws:
        """Return the guesses as they are on *day*, aged since the fit, at that temperature."""
        years = max(0.0, (day - self.made_on).days / _YEAR_DAYS)
        # Where its age is not known, two years: then a year costs five percent.
        age = 2.0 if self.fitted_on is None else self._age_years()
        factor = health_at(age + years) / health_at(age)
        if temperature_c is not None:
            factor *= temperature_factor(self.temperature_c) / temperature_factor(temperature_c)
        return Draws(
            energy_wh=self.draws.energy_wh * factor,
            available_share=self.draws.available_share,
            flow_per_h=self.draws.flow_per_h,
            own_draw_w=self.draws.own_draw_w,
            efficiency=self.draws.efficiency,
        )

    def _age_years(self) -> float:
        assert self.fitted_on is not None
        return max(0.0, (self.made_on - self.fitted_on).days / _YEAR_DAYS)


def save_fit(path: Path, stored: StoredFit) -> None:
    """Write a fit; the file appears only when it is whole.

    Raises:
        OSError: it cannot be written.
    """
    draws = stored.draws
    document = {
        "format": FORMAT,
        "what": "fit",
        "unit": stored.unit,
        "rating_w": stored.rating_w,
        "made_on": stored.made_on.isoformat(),
        "fitted_on": None if stored.fitted_on is None else stored.fitted_on.isoformat(),
        "temperature_c": stored.temperature_c,
        "chemistry": stored.chemistry.value,
        "runs": [
            {
                "watts": run.watts,
                "hours": run.hours,
                "charge": run.charge,
                "outlier_probability": round(run.outlier_probability, 6),
                "on": None if run.on is None else run.on.isoformat(),
            }
            for run in stored.runs
        ],
        "draws": {
            name: [float(f"{value:.6g}") for value in getattr(draws, name)] for name in _ARRAYS
        },
    }
    write_whole(path, json.dumps(document, ensure_ascii=False) + "\n")


def load_fit(path: Path) -> StoredFit:
    """Return the fit in a file.

    Raises:
        ConfigError: it cannot be read, or holds none.
    """
    again = "make it anew with `lastwatt fit`"
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "it cannot be read").lower()
        raise ConfigError(f"{path}: {why}; {again}") from error
    try:
        table = _FitTable.model_validate_json(raw)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(map(str, first["loc"])) or "the file"
        raise ConfigError(f"{path}: this is no fit ({place}: {first['msg']}); {again}") from error
    return table.stored()


Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Inner = Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Guesses = Annotated[list[Positive], Field(min_length=100)]
Shares = Annotated[
    list[Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)]], Field(min_length=100)
]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _RunTable(_Table):
    watts: Positive
    hours: Positive
    charge: Share
    outlier_probability: Share
    on: date | None


class _DrawsTable(_Table):
    energy_wh: Guesses
    available_share: Shares
    flow_per_h: Guesses
    own_draw_w: Guesses
    efficiency: Shares

    @model_validator(mode="after")
    def _as_many(self) -> _DrawsTable:
        if len({len(getattr(self, name)) for name in _ARRAYS}) != 1:
            raise ValueError("the arrays differ in length")
        return self


class _FitTable(_Table):
    format: Literal[1]
    what: Literal["fit"]
    unit: str
    rating_w: Positive | None
    made_on: date
    fitted_on: date | None
    temperature_c: Annotated[float, Field(ge=-40, le=80, allow_inf_nan=False)]
    chemistry: Chemistry
    runs: Annotated[list[_RunTable], Field(min_length=1)]
    draws: _DrawsTable

    def stored(self) -> StoredFit:
        return StoredFit(
            draws=Draws(*(_array(getattr(self.draws, name)) for name in _ARRAYS)),
            runs=tuple(
                StoredRun(run.watts, run.hours, run.charge, run.outlier_probability, run.on)
                for run in self.runs
            ),
            made_on=self.made_on,
            unit=self.unit,
            rating_w=self.rating_w,
            fitted_on=self.fitted_on,
            temperature_c=self.temperature_c,
            chemistry=self.chemistry,
        )


_ARRAYS = ("energy_wh", "available_share", "flow_per_h", "own_draw_w", "efficiency")
"""In the order of `Draws`."""


def _array(values: Sequence[float]) -> np.ndarray:
    return np.array(values, dtype=np.float64)
