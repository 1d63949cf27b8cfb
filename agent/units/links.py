"""All ways between one agent and its site's backup units, over one SNMP engine."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from functools import partial

import structlog

from agent.conduct.unit_control import SnmpControl, UnitControl
from agent.config import LoadedSite
from agent.errors import BackupUnitError
from agent.units.notifications import Notifications
from agent.units.self_test import SelfTest
from agent.units.snmp_source import SnmpSource, UnitNotice
from agent.units.source import Source
from agent.units.watch import Watch
from drivers.base import Clock
from drivers.transports.snmp import ListenError, SnmpHub, SnmpPeer
from policies.model import Reading
from policies.state import SiteState
from policies.supply import poll_pace_s

log = structlog.get_logger()


class UnitLinks:
    """Watches every unit, hears what it sends unasked, and reaches what it can be told.

    Attributes:
        peers: each unit, asked read-only.
        watches: what polls each.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        *,
        clock: Clock,
        state: Callable[[], SiteState],
        on_reading: Callable[[Reading], Awaitable[None]],
        on_silence: Callable[[str, BackupUnitError, float], Awaitable[None]],
        say: Callable[[str, str, str], None],
        wrap_source: Callable[[Source], Source] = lambda source: source,
    ) -> None:
        """Prepare; nothing is asked.

        Args:
            loaded: the site's file.
            clock: of site time.
            state: what is known of the units, for the pace of polling.
            on_reading: awaited with each reading.
            on_silence: awaited with a unit, what went wrong there, and the site time of it, s.
            say: raises a notice: severity, about, text.
            wrap_source: what each unit's readings are put behind.
        """
        self._loaded = loaded
        self._clock = clock
        self._state = state
        self._on_reading = on_reading
        self._on_silence = on_silence
        self._say = say
        self._hub = SnmpHub()
        self._notifications = Notifications(clock=clock)
        self._sources: list[Source] = []
        self.peers: Mapping[str, SnmpPeer] = {
            name: self._hub.peer(access.address, access.snmp)
            for name, access in loaded.units.items()
        }
        self.watches: Mapping[str, Watch] = {
            name: self._watch(name, wrap_source) for name in loaded.site.units
        }

    @property
    def jobs(self) -> dict[str, Callable[[], Awaitable[None]]]:
        """Work for as long as the agent runs, by name."""
        return {f"watch of {name}": watch.run for name, watch in self.watches.items()}

    @property
    def due_at(self) -> dict[str, float | None]:
        """By name of work, until when it is to be done; see `Watch.due_at`."""
        return {f"the polling of {name}": watch.due_at for name, watch in self.watches.items()}

    def controls(self, wrap: Callable[[UnitControl], UnitControl]) -> dict[str, UnitControl]:
        """Return what switches the outputs that the file lets be switched, put behind *wrap*."""
        controls: dict[str, UnitControl] = {}
        for name, access in self._loaded.units.items():
            if access.control is not None:
                peer = self._hub.peer(access.address, access.control)
                controls[name] = wrap(SnmpControl(peer, unit=name, clock=self._clock))
        return controls

    def self_test(self, unit: str) -> SelfTest:
        """Return what has a unit test its battery; the file must have such a table for it."""
        access = self._loaded.units[unit]
        assert access.self_test is not None
        peer = self._hub.peer(access.address, access.self_test.snmp)
        return SelfTest(peer, unit=unit, clock=self._clock)

    async def listen(self) -> None:
        """Hear notifications where the file says so; the site is watched without them, too."""
        traps = self._loaded.agent.traps
        if traps is None:
            return
        try:
            await self._notifications.listen(self._hub, *traps)
        except ListenError as error:
            self._say("warning", "notifications", str(error))

    async def close(self) -> None:
        """Let go of every unit."""
        closing = (source.close() for source in self._sources)
        await asyncio.gather(*closing, return_exceptions=True)
        self._notifications.close()
        self._hub.close()

    def _watch(self, unit: str, wrap_source: Callable[[Source], Source]) -> Watch:
        access = self._loaded.units[unit]
        source = wrap_source(
            SnmpSource(
                self.peers[unit],
                unit=unit,
                clock=self._clock,
                output_sources=access.output_sources,
                on_notice=self._hear_notice,
            )
        )
        self._sources.append(source)
        watch = Watch(
            source,
            clock=self._clock,
            unit=unit,
            pace=partial(self._pace, unit),
            on_reading=self._on_reading,
            on_silence=partial(self._on_silence, unit),
        )
        self._notifications.expect(unit, access.address, watch.hasten)
        return watch

    def _pace(self, unit: str) -> float:
        agent = self._loaded.agent
        return poll_pace_s(
            self._loaded.site.units[unit],
            self._state().units[unit],
            on_mains_s=agent.poll_on_mains_s,
            on_battery_s=agent.poll_on_battery_s,
        )

    def _hear_notice(self, notice: UnitNotice) -> None:
        log.warning("changed_unit", unit=notice.unit, kind=notice.kind.value)
        self._say("warning", notice.unit, notice.text)
