"""How soon somebody may try a password again: growing pauses, and nobody is locked out for ever.

An address that guesses waits ever longer. A name that is guessed at from many addresses waits too,
but not where its own person signed in from before: a stranger's guessing must not keep the owner
out in an outage.
"""

from __future__ import annotations

import ipaddress
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

FREE = 3
"""So many wrong tries cost nothing: people mistype."""

ADDRESS_PAUSE_MOST_S = 300.0
NAME_PAUSE_MOST_S = 30.0
FORGOTTEN_AFTER_S = 3600.0
KEPT_MOST = 2000


@dataclass(slots=True)
class _Tally:
    wrong: int = 0
    last_at: float = 0.0
    open_at: float = 0.0


class Attempts:
    """What was tried lately, by address and by name."""

    def __init__(self, *, now: Callable[[], float]) -> None:
        """Take the clock, site time in s."""
        self._now = now
        self._of_address: OrderedDict[str, _Tally] = OrderedDict()
        self._of_name: OrderedDict[str, _Tally] = OrderedDict()
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    def pause_s(self, *, address: str, name: str) -> float:
        """Return how long this address must wait before it may try this name; 0 = not at all."""
        now, network = self._now(), network_of(address)
        open_at = self._tally(self._of_address, network).open_at
        if (network, _folded(name)) not in self._known:
            open_at = max(open_at, self._tally(self._of_name, _folded(name)).open_at)
        return max(0.0, open_at - now)

    def begin(self, *, address: str, name: str) -> None:
        """Count a try as wrong, before it is known: many at once must not slip through."""
        self._count(self._of_address, network_of(address), ADDRESS_PAUSE_MOST_S)
        self._count(self._of_name, _folded(name), NAME_PAUSE_MOST_S)

    def succeed(self, *, address: str, name: str) -> None:
        """Note that the try was right: its counts are taken back."""
        network = network_of(address)
        self._of_address.pop(network, None)
        self._of_name.pop(_folded(name), None)
        self._known[(network, _folded(name))] = None
        self._known.move_to_end((network, _folded(name)))
        while len(self._known) > KEPT_MOST:
            self._known.popitem(last=False)

    def _tally(self, tallies: OrderedDict[str, _Tally], key: str) -> _Tally:
        found = tallies.get(key)
        if found is None or self._now() - found.last_at > FORGOTTEN_AFTER_S:
            return _Tally()
        return found

    def _count(self, tallies: OrderedDict[str, _Tally], key: str, most_s: float) -> None:
        now, tally = self._now(), self._tally(tallies, key)
        tally.wrong += 1
        tally.last_at = now
        if tally.wrong > FREE:
            tally.open_at = now + min(most_s, 2.0 ** min(tally.wrong - FREE - 1, 20))
        tallies[key] = tally
        tallies.move_to_end(key)
        while len(tallies) > KEPT_MOST:
            tallies.popitem(last=False)


def network_of(address: str) -> str:
    """Return what counts as one address: of IPv6 the /64, which one household has."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address):
        if found.ipv4_mapped is not None:
            return str(found.ipv4_mapped)
        return str(ipaddress.ip_network((found, 64), strict=False))
    return str(found)


def _folded(name: str) -> str:
    return name.strip().casefold()[:64]
