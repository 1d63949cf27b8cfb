"""What hangs on which port of a switch, as commissioning finds it: read-only.

The number of a port in RFC 3621 need be none of its numbers elsewhere. Here they are taken to be
the same, which holds on most switches and is to be seen before it is relied on: whoever is heard at
a port that gives power should be who is plugged in there.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass

from drivers.errors import DeviceGarbledError, DeviceSilentError
from drivers.poe_settings import PoeSwitchAccess
from drivers.poe_switch import (
    ADMIN,
    CHASSIS_ID,
    CHASSIS_SUBTYPE,
    CLASSES,
    D_FDB_PORT,
    DETECTION,
    MOST_ROWS,
    Q_FDB_PORT,
    PortState,
    mac_of,
    port_state,
)
from drivers.transports.snmp_shared import SharedPeer
from drivers.transports.snmp_values import Oid, Value

LLDP_NAME: Oid = (1, 0, 8802, 1, 1, 2, 1, 4, 1, 1, 9)
_CHASSIS_IS_MAC = 4
_STATUS_SELF = 4
_Q_FDB_STATUS = (*Q_FDB_PORT[:-1], 3)
_D_FDB_STATUS = (*D_FDB_PORT[:-1], 3)


@dataclass(frozen=True, slots=True)
class PortFound:
    """One port.

    Attributes:
        port: group and index of RFC 3621.
        neighbours: hardware addresses heard there, by the table of addresses or else by LLDP.
        name: what its device calls itself over LLDP, or "".
    """

    port: tuple[int, int]
    state: PortState
    neighbours: tuple[str, ...]
    name: str = ""


async def ports_of(
    address: str, access: PoeSwitchAccess, *, within_s: float
) -> tuple[PortFound, ...]:
    """Return every port that the switch can feed over, in order.

    Raises:
        DriverError: it does not answer, refuses, or has no table of such ports.
    """
    shared = SharedPeer(address, access.snmp)
    loop = asyncio.get_running_loop()
    ends_at = loop.time() + within_s

    def left_s() -> float:
        left = ends_at - loop.time()
        if left <= 0.0:
            raise DeviceSilentError(f"{address}: no time was left to read the whole map")
        return left

    try:
        return await _Reader(shared, left_s).read(address)
    finally:
        shared.close()


@dataclass(frozen=True, slots=True)
class _Reader:
    shared: SharedPeer
    left_s: Callable[[], float]

    async def read(self, address: str) -> tuple[PortFound, ...]:
        admin = await self._rows(ADMIN)
        if not admin:
            raise DeviceGarbledError(
                f"{address}: it has no table of RFC 3621; see whether it feeds over its ports, and "
                "lets this user read 1.3.6.1.2.1.105"
            )
        detection, classes = await self._rows(DETECTION), await self._rows(CLASSES)
        heard = await self._heard(Q_FDB_PORT, _Q_FDB_STATUS)
        heard = heard or await self._heard(D_FDB_PORT, _D_FDB_STATUS)
        announced, names = await self._announced()
        found = []
        for row, value in sorted(admin.items()):
            at = row[-1]
            found.append(
                PortFound(
                    port=(row[0], at),
                    state=port_state(value, detection.get(row), classes.get(row)),
                    neighbours=tuple(heard.get(at) or announced.get(at) or ()),
                    name=names.get(at, ""),
                )
            )
        return tuple(found)

    async def _rows(self, column: Oid) -> dict[Oid, Value]:
        peer = self.shared.peer()
        rows = await peer.column(column, most=MOST_ROWS, within_s=self.left_s())
        return {oid[len(column) :]: value for oid, value in rows}

    async def _heard(self, ports: Oid, statuses: Oid) -> dict[int, list[str]]:
        """Hardware addresses by port, the switch's own left out."""
        rows = await self._rows(ports)
        status = await self._rows(statuses) if rows else {}
        found: dict[int, list[str]] = defaultdict(list)
        for row, port in rows.items():
            if isinstance(port, int) and port and status.get(row) != _STATUS_SELF:
                found[port].append(mac_of(row))
        return found

    async def _announced(self) -> tuple[dict[int, list[str]], dict[int, str]]:
        kinds = await self._rows(CHASSIS_SUBTYPE)
        found: dict[int, list[str]] = defaultdict(list)
        for row, value in (await self._rows(CHASSIS_ID)).items():
            is_mac = kinds.get(row) == _CHASSIS_IS_MAC
            if len(row) == 3 and is_mac and isinstance(value, bytes):
                found[row[1]].append(value.hex(":"))
        names = {
            row[1]: value.decode(errors="replace")
            for row, value in (await self._rows(LLDP_NAME)).items()
            if len(row) == 3 and isinstance(value, bytes)
        }
        return found, names
