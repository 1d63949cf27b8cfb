"""Has drawn devices hang on ports that may be cut, and recorders be spared by that.

Drawn apart from all else, so that a seed draws what it drew before. Three kinds: a camera whose
port is cut, a recorder that nothing can be told and is spared by that, perhaps cut itself, and a
recorder whose port is the second way to stop it.
"""

from __future__ import annotations

import random
from dataclasses import replace
from types import MappingProxyType

from agent.simulation.draw_site import TROUBLES, draw_build, troubled
from agent.simulation.scenario import Manners, Scenario
from agent.simulation.truth import DeviceBuild
from drivers.base import Act, Repeat, Stage
from policies.model import Device, Role, Starts

SWITCH = "switch"
_PORT_ACTS = (Act.REMEMBER, Act.STOP, Act.START, Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)
_PORT_S = 5.0
_WRITER = "yard camera"


def with_cuts(scenario: Scenario) -> Scenario:
    """Return the scenario with ports that may be cut at every site."""
    return _Cuts(scenario).drawn()


class _Cuts:
    """The scenario while it is changed."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._chance = random.Random(f"{scenario.seed} cuts")
        self._devices = dict(scenario.site.devices)
        self._builds = dict(scenario.builds)
        self._manners = dict(scenario.manners)
        self._ports: dict[str, Manners] = {}
        self._is_troubled = "troubled devices" in scenario.themes

    def drawn(self) -> Scenario:
        self._add_switch()
        recorders = [n for n, d in self._devices.items() if d.role is Role.RECORDER]
        for name in recorders:
            kind = self._chance.choices(["mute", "second", "as it is"], [4, 4, 2])[0]
            if kind == "mute":
                self._make_mute(name)
            elif kind == "second":
                self._give_second_way(name)
        for name, device in self._devices.items():
            if device.role is Role.CAMERA and self._chance.random() < 0.9:
                self._hang_on_port(name)
        return replace(
            self._scenario,
            site=replace(self._scenario.site, devices=MappingProxyType(self._devices)),
            builds=self._builds,
            manners=self._manners,
            ports=self._ports,
        )

    def _add_switch(self) -> None:
        if SWITCH in self._devices:
            return
        feeds = (next(iter(self._scenario.site.units)),)
        switch = Device(SWITCH, Role.SWITCH, 9.0, 9.0, feeds, starts=Starts.BY_ITSELF, start_s=45.0)
        self._devices = {SWITCH: switch, **self._devices}
        self._builds[SWITCH] = DeviceBuild(watts=9.0, quiesce_s=1.0, stop_s=1.0, boot_s=40.0)
        self._manners[SWITCH] = Manners(acts={}, stages=frozenset())

    def _port_manners(self) -> Manners:
        manners = Manners(
            MappingProxyType(dict.fromkeys(_PORT_ACTS, Repeat.SAFE)),
            frozenset({Stage.STOP, Stage.VERIFY, Stage.START}),
            talk_s=self._chance.choice([0.05, 0.3, 1.0]),
        )
        if not self._is_troubled or self._chance.random() < 0.7:
            return manners
        outages = self._scenario.outages
        outage = outages[0] if outages else (0.0, 0.0)
        return troubled(self._chance, manners, self._chance.choice(TROUBLES), outage)

    def _hang_on_port(self, name: str) -> None:
        """A camera whose port is cut."""
        self._devices[name] = replace(
            self._devices[name],
            feeds=(SWITCH,),
            path=(),
            stop_s=_PORT_S,
            settle_s=0.0,
            is_cut=True,
            starts=Starts.BY_ORDER,
            start_s=60.0,
        )
        self._builds[name] = replace(self._builds[name], starts_with_power=True)
        self._manners[name] = self._port_manners()

    def _make_mute(self, name: str) -> None:
        """A recorder that nothing can be told: its writers are cut, perhaps it itself as well."""
        chance = self._chance
        quiesce_s = float(chance.choice([10, 30, 60]))
        device = replace(
            self._devices[name],
            by_writers=True,
            quiesce_s=quiesce_s,
            stop_s=None,
            settle_s=0.0,
            starts=Starts.BY_ITSELF,
            stop_when=self._devices[name].stop_when,
        )
        manners = Manners(acts={}, stages=frozenset())
        if chance.random() < 0.4:
            device = replace(
                device, feeds=(SWITCH,), path=(), stop_s=_PORT_S, is_cut=True,
                starts=Starts.BY_ORDER, start_s=90.0,
            )  # fmt: skip
            manners = self._port_manners()
        is_slow = self._is_troubled and chance.random() < 0.1
        self._devices[name], self._manners[name] = device, manners
        self._builds[name] = replace(
            self._builds[name],
            quiesce_s=quiesce_s * chance.uniform(*((1.0, 2.0) if is_slow else (0.2, 0.9))),
            starts_with_power=True,
            stays_idle=False,
        )
        cameras = [n for n, d in self._devices.items() if d.role is Role.CAMERA]
        if not any(name in self._devices[camera].needs for camera in cameras):
            self._add_writer(name, cameras)

    def _add_writer(self, recorder: str, cameras: list[str]) -> None:
        free = [camera for camera in cameras if not self._devices[camera].needs]
        if free:
            camera = self._chance.choice(free)
            self._devices[camera] = replace(self._devices[camera], needs=(recorder,))
            return
        name = f"{_WRITER} {len(cameras) + 1}"
        self._devices[name] = Device(name, Role.CAMERA, 6.0, 6.0, (SWITCH,), needs=(recorder,))
        self._builds[name] = draw_build(self._scenario.seed, self._devices[name], is_slow=False)
        self._manners[name] = Manners(acts={}, stages=frozenset())

    def _give_second_way(self, name: str) -> None:
        """A recorder that is cut at its port when its stop has failed."""
        device, manners = self._devices[name], self._manners[name]
        if device.stop_s is None:
            return
        acts, stages = dict(manners.acts), set(manners.stages)
        quiesce_s = device.quiesce_s
        if quiesce_s is None:
            quiesce_s = 10.0
            self._builds[name] = replace(self._builds[name], quiesce_s=6.0)
            acts |= {Act.QUIESCE: Repeat.SAFE, Act.CONFIRM_QUIESCED: Repeat.SAFE}
            stages.add(Stage.QUIESCE)
        self._devices[name] = replace(
            device, feeds=(SWITCH,), path=(), quiesce_s=quiesce_s, cut_s=_PORT_S
        )
        self._manners[name] = replace(
            manners, acts=MappingProxyType(acts), stages=frozenset(stages)
        )
        self._ports[name] = self._port_manners()
