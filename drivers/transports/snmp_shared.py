"""One SNMP engine for all drivers of a loop: making one takes 0.2 s, and it belongs to its loop.

It is made for the first driver, and let go of when the last one is closed.
"""

from __future__ import annotations

import asyncio
from weakref import WeakKeyDictionary

from drivers.transports.snmp import SnmpHub, SnmpPeer
from drivers.transports.snmp_settings import SnmpSettings

_HUBS: WeakKeyDictionary[asyncio.AbstractEventLoop, _Shared] = WeakKeyDictionary()


class _Shared:
    """A hub, and how many use it."""

    def __init__(self) -> None:
        self.hub = SnmpHub()
        self.users = 0


class SharedPeer:
    """Somebody to ask through the loop's one hub; nothing is opened before the first question."""

    def __init__(self, address: str, settings: SnmpSettings) -> None:
        """Prepare; no loop need be running yet."""
        self._address = address
        self._settings = settings
        self._shared: _Shared | None = None
        self._peer: SnmpPeer | None = None

    def warm(self) -> None:
        """Make what takes CPU, the engine and the keys, so that no order waits for it; no I/O.

        Without a running loop nothing happens, and the first question makes it.
        """
        try:
            asyncio.get_running_loop()
        except RuntimeError:
            return
        self.peer().introduce()

    def peer(self) -> SnmpPeer:
        """Return whom to ask; to be called on the loop that asks."""
        if self._peer is None:
            loop = asyncio.get_running_loop()
            if loop not in _HUBS:
                _HUBS[loop] = _Shared()
            self._shared = _HUBS[loop]
            self._shared.users += 1
            self._peer = self._shared.hub.peer(self._address, self._settings)
        return self._peer

    def close(self) -> None:
        """Let go of it, at once; safe to call twice. The next question begins anew."""
        shared, self._shared, self._peer = self._shared, None, None
        if shared is None:
            return
        shared.users -= 1
        if not shared.users:
            loops = [loop for loop, held in _HUBS.items() if held is shared]
            for loop in loops:
                del _HUBS[loop]
            shared.hub.close()
