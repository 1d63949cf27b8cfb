"""A lead-acid battery from first principles, discharged: PyBaMM's models of Sulzer et al.

Source: PyBaMM, a general library of battery models, lead-acid models `Full` (porous electrodes and
diffusion) and `LOQS` (its leading order), parameter set Sulzer2019: six cells, nominal 17 Ah at
12 V, ended at 10.5 V. Power in PyBaMM is that of one cell; here it is the battery's.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
os.environ.setdefault("OMP_NUM_THREADS", "1")

import numpy as np
import pybamm  # type: ignore[import-not-found,unused-ignore]  # only in this group's own venv

CELLS = 6
VERSION: str = pybamm.__version__
_LONGEST_S = 60 * 3600.0
_CHANGE_S = 1.0
_LOOK_S = 30.0


def discharge_h(model: str, loads: Sequence[tuple[float, float]], *, by: str) -> float:
    """Return after how many hours the full battery is at 10.5 V.

    Args:
        model: "Full" or "LOQS".
        loads: the load from each time on, as (s, W or A), by rising time from 0.
        by: "power" for W, "current" for A.
    """
    options = {"operating mode": "power"} if by == "power" else None
    made = getattr(pybamm.lead_acid, model)(options)
    name = "Power function [W]" if by == "power" else "Current function [A]"
    scale = 1.0 / CELLS if by == "power" else 1.0
    values = made.default_parameter_values
    values.update({name: _course(loads, scale)}, check_already_exists=False)
    solver = pybamm.IDAKLUSolver(options={"dt_max": _LOOK_S} if len(loads) > 1 else {})
    found = pybamm.Simulation(made, parameter_values=values, solver=solver).solve([0, _LONGEST_S])
    assert found.termination == "event: Minimum voltage [V]", found.termination
    return float(found.t[-1]) / 3600.0


def _course(loads: Sequence[tuple[float, float]], scale: float) -> Any:
    """A load that changes within a second: an interpolant, since Experiment steps would not do."""
    if len(loads) == 1:
        return scale * loads[0][1]
    times, values = [0.0], [scale * loads[0][1]]
    for at_s, load in loads[1:]:
        times += [at_s, at_s + _CHANGE_S]
        values += [values[-1], scale * load]
    times.append(_LONGEST_S + 60.0)
    values.append(values[-1])
    x, y = np.array(times), np.array(values)
    return lambda t: pybamm.Interpolant(x, y, t)
