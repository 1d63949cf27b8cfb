"""What a course of load leaves in the battery: many courses at once, and one exactly."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from policies.shed_items import HOUR_S, TINY_H, Array, Battery, Form, Mask, course

_SLIP = 1e-10  # share of the battery that arithmetic may lose; twice as much is kept back
_MOST = 600.0  # of an exponent


class Energy:
    """What is left when stops end so; arrays have a row for each course."""

    def __init__(self, form: Form, battery: Battery) -> None:
        self._form, self._battery = form, battery
        self._slip_wh = _SLIP * battery.cells.energy_wh
        edges = np.append(np.array(form.problem.pieces_s) / HOUR_S, math.inf)
        self._pieces = list(pairwise(edges.tolist()))
        self._drawing = np.flatnonzero(form.watts.max(axis=1, initial=0.0) > 0.0)
        # In each piece of time an item draws from its begin: until its stop, less until the begin.
        watts = form.watts[self._drawing] / battery.inverter.efficiency
        self._since = np.repeat(edges[1:-1], len(self._drawing))
        self._watts = np.concatenate([*watts.T, *-watts.T[1:], [0.0]])

    def lasts(self, offs: Array) -> bool:
        """Whether the output lasts until all stops have ended, by the chain over the course."""
        carried, end = self._form.carried(offs[None, :])
        carried = np.where(carried[0] >= end[0] - TINY_H, math.inf, offs)
        ends_s = self._battery.end_s(course(self._form.problem, carried))
        return bool(ends_s >= end[0, 0] * HOUR_S * (1.0 - _SLIP))

    def fits(self, offs: Array) -> Mask:
        """Whether the available well is never empty before all stops have ended."""
        return self.margin_wh(offs) >= -self._slip_wh

    def margin_wh(self, offs: Array) -> Array:
        """What the available well holds where it is emptiest, in Wh: at a stop, or at the end.

        What stays on until its last moment is counted on to the end: a stop that comes late then
        ends nothing.
        """
        offs, end = self._form.carried(offs)
        offs = offs[:, self._drawing]
        pieces = [
            np.minimum(np.minimum(np.maximum(offs, begins_h), ends_h), end)
            for begins_h, ends_h in self._pieces
        ]
        until = np.concatenate([*pieces, np.minimum(self._since, end), end], axis=1)
        order = until.argsort(axis=1)
        at, watts = until[np.arange(len(until))[:, None], order], self._watts[order]
        holds = self._without_items(at) - self._drawn(at, watts, end)
        least: Array = holds.min(axis=1) - 2.0 * self._slip_wh
        return least

    def _drawn(self, at: Array, watts: Array, end: Array) -> Array:
        """By how much the available well is emptied at each moment of *at*, in Wh.

        Each of *watts* is drawn from the begin until its moment, in rising order.
        """
        c, k = self._battery.cells.available_share, self._battery.cells.flow_per_h
        whole_w = watts.sum(axis=1, keepdims=True)
        still_w = whole_w - np.cumsum(watts, axis=1)
        scale = np.exp(np.minimum(k * (end - at), _MOST))
        # What was drawn until x and seen from a later moment: exp(k (x - at)), summed over all x.
        faded = np.cumsum(watts / scale, axis=1) * scale
        plain = np.cumsum(watts * at, axis=1) + still_w * at
        drawn: Array = c * plain + (1.0 - c) / k * (faded + still_w - whole_w * np.exp(-k * at))
        return drawn

    def _without_items(self, at: Array) -> Array:
        """What the available well holds at *at*, in Wh, under what is on whatever is planned."""
        battery = self._battery
        c, k = battery.cells.available_share, battery.cells.flow_per_h
        rest_wh = c * battery.wells.total_wh
        holds: Array = rest_wh + (battery.wells.available_wh - rest_wh) * np.exp(-k * at)
        for (begins_h, ends_h), base_w in zip(self._pieces, self._form.problem.base_w, strict=True):
            drawn_w = battery.inverter.drawn_w(base_w)
            start, end = np.minimum(begins_h, at), np.minimum(ends_h, at)
            seen = np.exp(k * (end - at)) - np.exp(k * (start - at))
            holds -= drawn_w * (c * (end - start) + (1.0 - c) / k * seen)
        return holds
