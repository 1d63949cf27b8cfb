"""Whether a device dies with mains, though the file has it on the battery: it is miswired.

What answered on its port before, and falls silent within ten seconds of mains failing without
having been told anything, hangs on another socket than its file says.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress

from agent.clock import real_monotonic
from agent.config import LoadedSite
from policies.graph import graph_of

WINDOW_S = 10.0
"""How soon after mains failed a silence says that a device hangs on mains, in s."""

_WITHIN_S = 0.5
_SILENCES = 2
_EARLY_S = 3.0
"""By so much the agent may place the moment late: units count whole seconds."""


def places_of(loaded: LoadedSite) -> dict[str, tuple[str, int]]:
    """Return where each device on a battery can be seen to answer: its address and a TCP port."""
    graph = graph_of(loaded.site)
    found: dict[str, tuple[str, int]] = {}
    for name in loaded.site.devices:
        address = loaded.addresses[name]
        ports = [fitted.kind.port(fitted.access) for fitted in loaded.fittings[name].values()]
        known = [port for port in ports if port is not None]
        if graph.units[name] and address and known:
            found[name] = (address, known[0])
    return found


class WiringWatch:
    """Looks who answers, from before mains fails until the window has passed.

    The agent learns of mains up to a poll later; so silences are timed here, and held against the
    moment at which the agent says that mains failed.

    Attributes:
        miswired: device -> seconds from mains failing to its silence.
        is_over: whether whatever answers now has outlasted the window.
    """

    def __init__(
        self,
        places: Mapping[str, tuple[str, int]],
        *,
        monotonic: Callable[[], float] = real_monotonic,
    ) -> None:
        """Prepare; *places* is where each device is asked, *monotonic* real time in s."""
        self._places = dict(places)
        self._monotonic = monotonic
        self._answered: set[str] = set()
        self._silent_at: dict[str, float] = {}
        self._silences: dict[str, int] = {}
        self.miswired: dict[str, float] = {}
        self.is_over = False

    @property
    def answered(self) -> frozenset[str]:
        """The devices that answered while mains was on."""
        return frozenset(self._answered)

    def look(self, outage_s: float | None, *, told: Iterable[str]) -> None:
        """Ask who answers, once.

        Args:
            outage_s: since when mains has been away, in s, by the agent's clock; None = it is on,
                as far as the agent knows.
            told: devices that were told to stop, whose silence is in order.
        """
        asked = {name: at for name, at in self._places.items() if name not in set(told)}
        for name, is_there in asyncio.run(_answers(asked)).items():
            if is_there:
                self._silent_at.pop(name, None)
                self._silences.pop(name, None)
                if outage_s is None:
                    self._answered.add(name)
            elif name in self._answered:
                self._silent_at.setdefault(name, self._monotonic())
                self._silences[name] = self._silences.get(name, 0) + 1
        if outage_s is not None:
            self._judge(outage_s, set(asked))

    def _judge(self, outage_s: float, asked: set[str]) -> None:
        doubtful = False
        for name in asked & self._silent_at.keys() - self.miswired.keys():
            after_s = outage_s - (self._monotonic() - self._silent_at[name])
            if -_EARLY_S <= after_s <= WINDOW_S:
                if self._silences[name] >= _SILENCES:
                    self.miswired[name] = max(0.0, after_s)
                else:
                    doubtful = True
        self.is_over = outage_s > WINDOW_S and not doubtful


async def _answers(places: Mapping[str, tuple[str, int]]) -> dict[str, bool]:
    async def answers(address: str, port: int) -> bool:
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(_WITHIN_S):
                _, writer = await asyncio.open_connection(address, port)
            writer.transport.abort()
            return True
        return False

    found = await asyncio.gather(*(answers(*at) for at in places.values()))
    return dict(zip(places, found, strict=True))
