"""The virtual site: a yard on loopback that loses mains when told, and keeps the truth of it.

It is wired here: what feeds what, what loads the unit, what happens when the output ends. The
agent under demonstration gets the file that is written beside it, and nothing else.
"""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import Callable
from datetime import date
from pathlib import Path

from agent.virtual import truth, yard
from agent.virtual.battery import VirtualBattery
from agent.virtual.host import VirtualConsole, VirtualPc, WakeListener
from agent.virtual.machine import Fate, Machine, Nature
from agent.virtual.recorder import Account, VirtualRecorder
from agent.virtual.ssh_server import Logins, new_key_pair
from agent.virtual.unit import Plate, VirtualUnit
from drivers.transports.snmp_responder import Listener, UsmUser

_TRAP_COMMUNITY = "heron"


class VirtualSite:
    """The yard of Heron Lock, with everything on and the battery full.

    Use it as an async context manager; `file` is the site's file, ready for an agent. Every
    duration is the running loop's: on a PacedLoop an hour of the yard is a minute.
    """

    def __init__(
        self,
        folder: Path,
        *,
        chance: random.Random,
        polling: yard.Polling | None = None,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        """Prepare; nothing is opened or written yet.

        Args:
            folder: where the file and its secrets go; it should be one that only we can read.
            chance: draws addresses, and passwords good enough for a yard that does not exist.
            polling: how often the agent is to ask the unit.
            on_change: called whenever a device, its draw or its power changed; must not block.
        """
        self.folder = folder
        self.file = folder / "heron-lock.toml"
        self._chance = chance
        self._polling = polling or yard.Polling()
        self._on_change = on_change
        # A corner of 127/8 of its own, so that a port that is closed for a while stays ours.
        self._net = f"127.{chance.randint(64, 254)}.{chance.randint(1, 254)}"
        self._failed_at: float | None = None
        self._returned_at: float | None = None
        self._ended_at: float | None = None
        self._savable: frozenset[str] = frozenset()
        self._load_at_failure_w = 0.0
        self._timers: list[asyncio.TimerHandle] = []
        self._waiting: set[asyncio.Future[None]] = set()

    async def __aenter__(self) -> VirtualSite:
        """Open everything and write the file."""
        self._loop = asyncio.get_running_loop()
        key, public_key = new_key_pair()
        self._secrets = yard.Secrets.drawn(self._chance, ssh_key=key)
        self._wire = WakeListener()
        self.devices = self._machines(public_key)
        self.battery = VirtualBattery(
            yard.TRUE_BATTERY, yard.UNITS_GAUGE, at=self._loop.time(), load_w=self.load_w
        )
        self.unit = self._unit()
        try:
            await self._open()
        except BaseException:
            self.close()
            raise
        return self

    async def __aexit__(self, *_: object) -> None:
        """Close everything; the folder is its maker's."""
        self.close()
        await asyncio.sleep(0)  # a turn of the loop for the sockets to go

    def close(self) -> None:
        """Let go of every socket and timer; threads end by themselves. Safe to call twice."""
        for timer in self._timers:
            timer.cancel()
        for machine in self.devices.values():
            machine.close()
        self._wire.close()
        self.unit.close()

    @property
    def load_w(self) -> float:
        """What the unit's output carries now, in W."""
        return sum(machine.watts for machine in self.devices.values())

    def mains_fails(self) -> None:
        """Begin an outage, with a truth of its own."""
        if not self.unit.mains:
            return
        self._failed_at, self._returned_at, self._ended_at = self._loop.time(), None, None
        self._load_at_failure_w = self.load_w
        running = [machine for machine in self.devices.values() if machine.is_running]
        self._savable = truth.savable(yard.TRUE_BATTERY, running)
        for machine in self.devices.values():
            machine.fate = Fate()
        self.unit.mains_fails()
        self._tell()

    def mains_returns(self) -> None:
        """End the outage; the truth of it goes on until the next."""
        if self.unit.mains:
            return
        self._returned_at = self._loop.time()
        self.unit.mains_returns()
        self._tell()

    def play(self, *, fails_after_s: float, returns_after_s: float | None) -> None:
        """Let mains fail, and return so long after that (None = never), both in s of the loop."""

        def fail() -> None:
            self.mains_fails()
            if returns_after_s is not None:
                self._timers.append(self._loop.call_later(returns_after_s, self.mains_returns))

        self._timers.append(self._loop.call_later(fails_after_s, fail))

    @property
    def outage_s(self) -> float | None:
        """How long ago mains failed, in s; None = it never did."""
        return None if self._failed_at is None else self._loop.time() - self._failed_at

    def truth(self) -> truth.Truth:
        """Return what truly happened in the last outage so far.

        Raises:
            ValueError: mains never failed.
        """
        failed_at = self._failed_at
        if failed_at is None:
            raise ValueError("there is no truth of an outage before mains fails")

        def since(at: float | None) -> float | None:
            return None if at is None else at - failed_at

        return truth.Truth(
            output_end_s=since(self._ended_at),
            mains_back_s=since(self._returned_at),
            unattended_end_s=truth.unattended_end_s(yard.TRUE_BATTERY, self._load_at_failure_w),
            energy_wh=yard.TRUE_BATTERY.cells.energy_wh,
            devices=tuple(
                truth.truth_of(machine, failed_at=failed_at, possible=name in self._savable)
                for name, machine in self.devices.items()
            ),
        )

    async def until(self, holds: Callable[[], bool]) -> None:
        """Return once *holds*, which is asked anew whenever something changed at the site."""
        while not holds():
            change: asyncio.Future[None] = self._loop.create_future()
            self._waiting.add(change)
            try:
                await change
            finally:
                self._waiting.discard(change)

    # Building.

    def _machines(self, public_key: str) -> dict[str, Machine]:
        natures = yard.natures()
        secrets, changed = self._secrets, self._rebalance
        self._switch = self._console(
            natures[yard.SWITCH], secrets.switch, secrets.switch_enable, host=11
        )
        self._store = self._console(
            natures[yard.STORE], secrets.store, secrets.store_enable, host=41
        )
        self._recorder = VirtualRecorder(
            natures[yard.RECORDER],
            Account("keeper", secrets.recorder),
            address=f"{self._net}.21",
            on_change=changed,
            files=yard.RECORDER_FILES,
        )
        self._pc = VirtualPc(
            natures[yard.PC],
            Logins("operator", public_key=public_key),
            address=f"{self._net}.31",
            on_change=changed,
            files=yard.PC_FILES,
        )
        made: dict[str, Machine] = {
            yard.SWITCH: self._switch,
            yard.RECORDER: self._recorder,
            yard.PC: self._pc,
            yard.STORE: self._store,
        }
        for name, nature in natures.items():
            made.setdefault(name, Machine(nature, None, on_change=changed))
        return {name: made[name] for name in natures}

    def _console(
        self, nature: Nature, password: str, enable_password: str, *, host: int
    ) -> VirtualConsole:
        return VirtualConsole(
            nature,
            Logins("operator", password=password),
            enable_password=enable_password,
            address=f"{self._net}.{host}",
            on_change=self._rebalance,
        )

    def _unit(self) -> VirtualUnit:
        secrets = self._secrets
        return VirtualUnit(
            Plate(
                yard.UNIT,
                va=yard.RATING_VA,
                watts=yard.RATING_W,
                attached=", ".join((yard.RECORDER, yard.PC, yard.STORE)),
            ),
            self.battery,
            on_output=self._output_changes,
            address=f"{self._net}.10",
            community="",
            users=[UsmUser("watch", "sha256", secrets.unit_auth, "aes128", secrets.unit_privacy)],
        )

    async def _open(self) -> None:
        self.unit.load(self.load_w)
        await self.unit.start()
        for machine in self.devices.values():
            machine.open()
            if machine.nature.mac:
                self._wire.attach(machine)
        await self._wire.open(f"{self._net}.9")
        traps = (f"{self._net}.1", _free_udp_port(f"{self._net}.1"))
        self.unit.listen(Listener(*traps, community=_TRAP_COMMUNITY))
        places = yard.Places(
            unit=self.unit.address,
            recorder=self._recorder.address,
            pc=self._pc.ssh.address,
            store=self._store.ssh.address,
            switch=self._switch.ssh.address,
            wire=self._wire.address,
            traps=traps,
            recorder_pin=self._recorder.identity.fingerprint,
            pc_pin=self._pc.ssh.fingerprint,
            store_pin=self._store.ssh.fingerprint,
            switch_pin=self._switch.ssh.fingerprint,
        )
        self._secrets.write(self.folder)
        self.file.write_text(yard.file_text(places, self._polling, today=date.today()))

    # Power.

    def _output_changes(self, is_on: bool) -> None:
        """Hand the change on to everything at the unit's output; the cameras' power follows."""
        if not is_on:
            self._ended_at = self._ended_at or self._loop.time()
        for name, machine in self.devices.items():
            if name not in yard.CAMERAS:
                _power(machine, is_on=is_on)
        self._rebalance()

    def _rebalance(self) -> None:
        """Feed what hangs on the switch's ports, and load the unit with all that is on."""
        for name in yard.CAMERAS:
            _power(self.devices[name], is_on=self._switch.feeds_ports)
        self.unit.load(self.load_w)
        self._tell()

    def _tell(self) -> None:
        for change in self._waiting:
            if not change.done():
                change.set_result(None)
        self._on_change()


def _power(machine: Machine, *, is_on: bool) -> None:
    if is_on:
        machine.power_comes()
    else:
        machine.power_goes()


def _free_udp_port(address: str) -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind((address, 0))
        port: int = probe.getsockname()[1]
        return port
