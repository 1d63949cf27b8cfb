"""What a backup unit itself should be set to, held against what it says; written only when asked.

RFC 1628 sections 4.8 and 4.9: upsConfigLowBattTime (a unit may round it, so it is read back),
upsAutoRestart. In upsIdentAttachedDevices, which an administrator may write (section 4.1), the mark
goes by which another agent sees whose the unit is.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from agent.clock import LoopClock
from agent.conduct.unit_control import ON
from agent.config import LoadedSite
from agent.units import rfc1628
from drivers.transports.snmp import SnmpHub, SnmpPeer
from drivers.transports.snmp_settings import SnmpSettings
from policies.graph import graph_of, may_be_stopped
from policies.identity import mark_of, with_mark
from policies.model import Site
from policies.timeline import MARGIN_S

LOW_BATTERY = "upsConfigLowBattTime"
RESTART = "upsAutoRestart"
ATTACHED = "upsIdentAttachedDevices"

_OIDS = {
    LOW_BATTERY: rfc1628.STATIC[LOW_BATTERY],
    RESTART: rfc1628.CONTROL[RESTART],
    ATTACHED: rfc1628.STATIC[ATTACHED],
}
_WITHIN_S = 8.0
_SPARE_MIN = 1
_TOO_EARLY = 3
"""A unit that calls its battery low at so many times what is needed gives up too much."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a unit.

    Attributes:
        now: as the unit says, None = it has no such object.
        wanted: what to write.
        is_met: whether it is as it should be.
        why: for the person who is asked.
    """

    unit: str
    name: str
    now: int | str | None
    wanted: int | str
    is_met: bool
    why: str


def needed_min(site: Site, unit: str) -> int:
    """Return the minutes that bringing everything on a unit to rest may take, in order.

    One device waits for those that hang on it; a minute is spare.
    """
    graph = graph_of(site)
    ends_s: dict[str, float] = {}
    on_it = [name for name in site.devices if unit in graph.units[name]]
    for name in sorted(on_it, key=lambda each: len(graph.users[each])):
        before_s = max((ends_s.get(user, 0.0) for user in graph.users[name]), default=0.0)
        own_s = site.devices[name].rest_s if may_be_stopped(site, name) else 0.0
        ends_s[name] = before_s + own_s
    longest_s = max(ends_s.values(), default=0.0) + MARGIN_S
    return math.ceil(longest_s / 60.0) + _SPARE_MIN


def settings_of(loaded: LoadedSite, unit: str, *, box: str) -> tuple[Setting, ...]:
    """Ask a unit how it is set, and return what should be; read-only.

    Args:
        loaded: the site.
        unit: its unit.
        box: what this box is known by, "" = nothing, and then no mark is wanted.

    Raises:
        DriverError: it did not answer, or refused.
    """
    access = loaded.units[unit]
    values = asyncio.run(_read(access.address, access.snmp))
    return tuple(_judged(loaded.site, unit, values, box))


async def _read(address: str, settings: SnmpSettings) -> Mapping[str, int | str | None]:
    hub = SnmpHub()
    try:
        peer = hub.peer(address, settings)
        return {name: await _value(peer, name) for name in _OIDS}
    finally:
        hub.close()


async def _value(peer: SnmpPeer, name: str) -> int | str | None:
    answer = await peer.get([_OIDS[name]], within_s=_WITHIN_S)
    value = answer.values[0][1] if answer.values and answer.status == 0 else None
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return value if isinstance(value, int) else None


def _judged(
    site: Site, unit: str, values: Mapping[str, int | str | None], box: str
) -> Iterator[Setting]:
    wanted = needed_min(site, unit)
    low = values[LOW_BATTERY]
    why = (
        f"bringing all on it to rest takes {wanted - _SPARE_MIN} min: its own warning is the last "
        "one, and must not come later, nor so early that it costs hours"
    )
    is_met = isinstance(low, int) and wanted <= low <= _TOO_EARLY * wanted + 5
    yield Setting(unit, LOW_BATTERY, low, wanted, is_met, why)
    why = "else nothing comes back by itself after an outage that the battery did not outlast"
    yield Setting(unit, RESTART, values[RESTART], ON, values[RESTART] == ON, why)
    attached = values[ATTACHED]
    if box and isinstance(attached, str):
        is_ours = mark_of(attached) == box[:12]
        why = "by its mark another agent sees that this one looks after the unit"
        yield Setting(unit, ATTACHED, attached, with_mark(attached, box), is_ours, why)


def may_write(settings: SnmpSettings) -> bool:
    """Whether writing goes with authentication and privacy; in clear text nothing is written."""
    return settings.version == "3" and settings.privacy != "none"


def write(loaded: LoadedSite, setting: Setting) -> int | str | None:
    """Write one setting in the name of whoever may control the unit; return what is read back.

    Raises:
        DriverError: it did not answer, or refused.
    """
    access = loaded.units[setting.unit]
    settings = access.control or access.snmp
    assert may_write(settings), "whoever asks has looked"
    return asyncio.run(_write(access.address, settings, setting))


async def _write(address: str, settings: SnmpSettings, setting: Setting) -> int | str | None:
    hub, clock = SnmpHub(), LoopClock()
    try:
        peer = hub.peer(address, settings)
        value = setting.wanted
        plain = value.encode("ascii", "replace") if isinstance(value, str) else value
        await peer.set(_OIDS[setting.name], plain, within_s=_WITHIN_S)
        await clock.sleep(0.2)  # some cards answer before they have taken it
        return await _value(peer, setting.name)
    finally:
        hub.close()


def is_taken(setting: Setting, now: int | str | None) -> bool:
    """Whether a unit has taken a setting: minutes may have been rounded up to its next step."""
    if setting.name == LOW_BATTERY:
        return isinstance(now, int) and isinstance(setting.wanted, int) and now >= setting.wanted
    return now == setting.wanted


def is_anothers(setting: Setting) -> bool:
    """Whether a unit carries the mark of another box."""
    return isinstance(setting.now, str) and mark_of(setting.now) is not None and not setting.is_met
