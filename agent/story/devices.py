"""Follows the devices of a journal by the agent's own fold, without the site's file."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

from policies.events import (
    AgentStarted,
    DeviceSeen,
    Event,
    OrderClosed,
    OrderGiven,
    PauseSet,
    SettingRemembered,
    StepBegan,
    StepEnded,
)
from policies.model import Device, Site
from policies.state import DeviceState, SiteState, fold

_OF_A_DEVICE = StepBegan | StepEnded | SettingRemembered | OrderClosed | DeviceSeen


def device_of(event: Event) -> str | None:
    """Return whose story an event belongs to, None where it is no device's."""
    if isinstance(event, OrderGiven):
        return event.order.device
    return event.device if isinstance(event, _OF_A_DEVICE) else None


class Followed:
    """Devices, each from the moment on that the journal first names it; until then it ran."""

    def __init__(self) -> None:
        self._devices: dict[str, Device] = {}
        self._site = Site("", {}, self._devices)
        self._state = SiteState()

    @property
    def known(self) -> dict[str, DeviceState]:
        """Where each device is."""
        return dict(self._state.devices)

    def now(self, name: str) -> DeviceState:
        """Return where a device is; one not heard of runs."""
        return self._state.devices.get(name, DeviceState())

    def take(self, event: Event) -> None:
        """Fold one more event; what says nothing of devices changes nothing."""
        name = device_of(event)
        if name is None and not isinstance(event, AgentStarted | PauseSet):
            return
        if name is not None and name not in self._devices:
            self._devices[name] = Device(name)
            devices = MappingProxyType({**self._state.devices, name: DeviceState()})
            self._state = replace(self._state, devices=devices)
        self._state = fold(self._site, self._state, event)
