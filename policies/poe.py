"""What is lost between a network port that feeds a device and the device itself.

A cable of resistance R on a port of V volts that gives P watts turns R (P / V)^2 of them into heat.
With the longest cable and the lowest voltages that IEEE 802.3 reckons with, that is the standard's
own table: 15.4 W at the port are 12.95 W at the device, 90 W are 71.3 W.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

MOST_PORT_W = 90.0
"""The most that a port gives: class 8 of IEEE 802.3, clause 145."""

_LONGEST_M = 100.0


@dataclass(frozen=True, slots=True)
class _Wiring:
    """How IEEE 802.3 feeds a device of so many watts: clause 33 on two pairs, clause 145 on four.

    Attributes:
        most_w: at the device; port_v: the lowest at the port; ohms: of 100 m of cable.
    """

    most_w: float
    port_v: float
    ohms: float


_WIRINGS = (
    _Wiring(12.95, 44.0, 20.0),  # classes 0 to 3
    _Wiring(25.5, 50.0, 12.5),  # class 4
    _Wiring(51.0, 50.0, 6.25),  # classes 5 and 6
    _Wiring(math.inf, 52.0, 6.25),  # classes 7 and 8
)


def at_port_w(device_w: float, *, most_w: float, cable_m: float) -> float:
    """Return what a port gives so that *device_w* arrive: the lesser root of P = D + R (P / V)^2.

    Args:
        device_w: at the device's end of the cable, in W, >= 0.
        most_w: the most that this device ever takes, in W; decides how it is fed.
        cable_m: length of the cable, in m; 0 where the watts were measured at the port.

    Returns:
        Watts at the port. Where no cable carries that much: twice the device's, as at its limit.
    """
    wiring = next(w for w in _WIRINGS if max(most_w, device_w) <= w.most_w)
    per_watt = wiring.ohms * (cable_m / _LONGEST_M) / (wiring.port_v * wiring.port_v)
    root = 1.0 - 4.0 * per_watt * device_w
    if root <= 0.0:
        return 2.0 * device_w
    # The lesser root, written so that a short cable divides by no small number.
    return 2.0 * device_w / (1.0 + math.sqrt(root))
