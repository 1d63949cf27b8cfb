"""An estimate of a battery as bytes, for the journal: a line of JSON, then arrays of float32.

Imports numpy: the agent imports this module when it needs its first estimate, and not before.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from policies.course import Stretch
from policies.draws import Array
from policies.estimate import Estimate
from policies.gauges import Gauges, Line
from policies.model import Unit
from policies.particles import COLUMNS, restored
from policies.sight import Sight

FORMAT = 1
"""The only format so far; what another release wrote in another is passed over."""

_LINES = (("charge", 2), ("minutes", 1), ("volts", 2))
"""The gauges, and of how many coefficients each is."""


@dataclass(frozen=True, slots=True)
class Kept:
    """An estimate as the journal had it.

    Attributes:
        battery: of the unit, as `battery_key` names it.
        fitted_on: when its history says that it was put in, ISO 8601; "" where it does not.
    """

    estimate: Estimate
    battery: str
    fitted_on: str


def battery_key(unit: Unit) -> str:
    """Return what tells the battery of the file from another one in its place, but for its age."""
    battery = unit.battery
    figures = (battery.volts, battery.amp_hours, battery.watt_hours, battery.chemistry.value)
    points = [(point.watts, point.lasts_s) for point in battery.table]
    return json.dumps([unit.rating_w, *figures, points])


def encode(estimate: Estimate, *, battery: str, fitted_on: str) -> bytes:
    """Return an estimate as bytes, about 80 for each guess; a collapse is seen anew instead."""
    particles = estimate.particles
    head = {
        "format": FORMAT,
        "battery": battery,
        "fitted_on": fitted_on,
        "n": len(particles),
        "seed": str(particles.seed),
        "steps": particles.steps,
        "passed": particles.passed,
        "seen_at": particles.seen_at if math.isfinite(particles.seen_at) else None,
        "is_refuted": particles.is_refuted,
        "course": [[each.hours, each.load_w] for each in particles.course],
        "bound_quantile": estimate.bound_quantile,
        "origin": estimate.origin,
        "heard_at": estimate.heard_at,
        "load_w": estimate.load_w,
        "is_drawing": estimate.is_drawing,
        "began_at": estimate.began_at,
        "drawn_wh": estimate.drawn_wh,
    }
    arrays = [particles.matrix, particles.rested_wh, particles.log_weight]
    for name, _ in _LINES:
        line: Line = getattr(particles.gauges, name)
        arrays += [line.mean, line.cov]
    text = json.dumps(head, allow_nan=False, separators=(",", ":")).encode()
    return text + b"\n" + b"".join(each.astype("<f4").tobytes() for each in arrays)


def decode(body: bytes) -> Kept:
    """Return the estimate in *body*.

    Raises:
        ValueError: there is none, or another release wrote it.
    """
    text, _, rest = body.partition(b"\n")
    try:
        head = _Head.model_validate_json(text)
    except ValidationError as error:
        raise ValueError(f"no estimate of this format: {error.error_count()} faults") from error
    n = head.n
    shapes: list[tuple[int, ...]] = [(n, COLUMNS), (n,), (n,)]
    for _, m in _LINES:
        shapes += [(n, m), (n, m, m)]
    sizes = [math.prod(shape) for shape in shapes]
    if len(rest) != 4 * sum(sizes):
        raise ValueError("an estimate that was cut off")
    flat = np.frombuffer(rest, "<f4").astype(np.float64)
    parts = np.split(flat, np.cumsum(sizes)[:-1])
    matrix, rested_wh, log_weight, *lines = (
        part.reshape(shape) for part, shape in zip(parts, shapes, strict=True)
    )
    finite = all(np.isfinite(each).all() for each in (matrix, rested_wh, *lines))
    if not finite or not np.isfinite(log_weight).any() or np.isnan(log_weight).any():
        raise ValueError("an estimate that holds no numbers")
    return Kept(_estimate(head, matrix, rested_wh, log_weight, lines), head.battery, head.fitted_on)


def _estimate(
    head: _Head, matrix: Array, rested_wh: Array, log_weight: Array, lines: list[Array]
) -> Estimate:
    gauges = Gauges(*(Line(*lines[i : i + 2]) for i in range(0, len(lines), 2)))
    particles = restored(
        int(head.seed),
        matrix,
        gauges=gauges,
        rested_wh=rested_wh,
        log_weight=log_weight,
        course=tuple(Stretch(hours, load_w) for hours, load_w in head.course),
        passed=head.passed,
        seen_at=-math.inf if head.seen_at is None else head.seen_at,
        steps=head.steps,
        is_refuted=head.is_refuted,
    )
    return Estimate(
        particles,
        head.bound_quantile,
        head.origin,
        heard_at=head.heard_at,
        load_w=head.load_w,
        is_drawing=head.is_drawing,
        began_at=head.began_at,
        drawn_wh=head.drawn_wh,
        sight=Sight(charge_since=head.passed, runtime_at=head.heard_at),
    )


Finite = Annotated[float, Field(allow_inf_nan=False)]
Amount = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _Head(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1]
    battery: str
    fitted_on: str
    n: Annotated[int, Field(ge=100, le=20_000)]
    seed: Annotated[str, Field(pattern=r"^\d{1,2000}$")]
    steps: Annotated[int, Field(ge=0)]
    passed: Amount
    seen_at: Finite | None
    is_refuted: bool
    course: Annotated[list[tuple[Amount, Amount | None]], Field(max_length=100)]
    bound_quantile: Annotated[float, Field(gt=0, lt=1)]
    origin: str
    heard_at: Finite
    load_w: Amount
    is_drawing: bool
    began_at: Finite
    drawn_wh: Finite
