"""A belief of equally likely guesses of a battery, such as a fit of full runs gives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from policies.draws import Draws, ManyWells, ends_after_s
from policies.runtime import LoadStep


@dataclass(frozen=True, slots=True)
class GuessBelief:
    """The belief of one unit, by guesses of its battery that count alike.

    Attributes:
        wells: of each guess, now.
        bound_quantile: the quantile to act on.
    """

    draws: Draws
    wells: ManyWells
    bound_quantile: float

    def end_after_s(self, load_steps: Sequence[LoadStep], quantile: float) -> float:
        """Return the time to the end of the output, in s from now (see `belief.Belief`)."""
        ends_s = ends_after_s(self.draws, self.wells, load_steps)
        return float(np.quantile(ends_s, quantile, method="lower"))
