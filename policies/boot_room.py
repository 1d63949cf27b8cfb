"""How many devices may start side by side: what they draw while they do stays under the rating."""

from __future__ import annotations

from policies.graph import graph_of
from policies.load import own_draw
from policies.model import Role, Starts
from policies.scene import Scene
from policies.state import Phase

FILLED_TO = 0.9
"""Starts may fill a unit to this share of its rating; inrush and the charger want the rest."""

FIRST: tuple[frozenset[Role], ...] = (
    frozenset({Role.MODEM, Role.ROUTER, Role.SWITCH}),
    frozenset({Role.STORAGE}),
    frozenset({Role.RECORDER}),
    frozenset({Role.CAMERA}),
)
"""Who starts first where there is no room for all; who is in none of these comes last."""


def start_rank(scene: Scene, name: str) -> tuple[int, float, str]:
    """Return where a device stands in the order of starts: by role, then by falling worth."""
    device = scene.site.devices[name]
    role = next((rank for rank, roles in enumerate(FIRST) if device.role in roles), len(FIRST))
    return role, -device.worth, name


class BootRoom:
    """What is left of each unit's rating, as starts are given one by one."""

    def __init__(self, scene: Scene) -> None:
        """Begin with what the units carry now, and what has not yet come to run."""
        self._scene = scene
        self._left_w: dict[str, float] = {}
        self._starting: set[str] = set()
        for name, unit in scene.site.units.items():
            self._left_w[name] = FILLED_TO * unit.rating_w - scene.state.units[name].load_w
        for name, state in scene.state.devices.items():
            if state.phase is Phase.STARTING:
                self._take(name)

    def has_room(self, name: str) -> bool:
        """Whether a device may be started now; if so, its room is taken.

        One at a time may always: a site whose file lists too much must come back all the same.
        What starts by itself asks nobody.
        """
        device = self._scene.site.devices[name]
        units = graph_of(self._scene.site).units[name]
        if device.starts is Starts.BY_ORDER and units & self._starting:
            needed_w = self._boot_w(name)
            if any(self._left_w[unit] < needed_w for unit in units):
                return False
        self._take(name)
        return True

    def _take(self, name: str) -> None:
        for unit in graph_of(self._scene.site).units[name]:
            self._left_w[unit] -= self._boot_w(name)
            self._starting.add(unit)

    def _boot_w(self, name: str) -> float:
        """What the unit gives to a device that starts; the supplies in between lose their part."""
        devices = self._scene.site.devices
        watts, at = own_draw(devices[name]).boot, devices[name]
        for _ in devices:  # a feed chain is no longer than that
            feed = next((devices[f] for f in at.feeds if f in devices), None)
            if feed is None:
                break
            watts /= feed.poe_efficiency
            at = feed
        return watts
