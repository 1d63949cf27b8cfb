"""A switch that feeds over its ports, as RFC 3621, the bridge tables and LLDP show it over SNMP.

Objects: RFC 3621 (pethPsePortTable), RFC 4188 (dot1dTpFdbTable), RFC 4363 (dot1qTpFdbTable),
IEEE 802.1AB (lldpRemTable).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Protocol

from drivers.errors import DeviceGarbledError, DeviceSilentError
from drivers.poe_settings import Draw, PoeAccess
from drivers.snmp_reach import accounts_line, sees_accounts
from drivers.transports.snmp_shared import SharedPeer
from drivers.transports.snmp_values import Oid, Value

PSE_PORT: Oid = (1, 3, 6, 1, 2, 1, 105, 1, 1, 1)
ADMIN, DETECTION, CLASSES = (*PSE_PORT, 3), (*PSE_PORT, 6), (*PSE_PORT, 10)
Q_FDB_PORT: Oid = (1, 3, 6, 1, 2, 1, 17, 7, 1, 2, 2, 1, 2)
D_FDB_PORT: Oid = (1, 3, 6, 1, 2, 1, 17, 4, 3, 1, 2)
LLDP_REMOTE: Oid = (1, 0, 8802, 1, 1, 2, 1, 4, 1, 1)
CHASSIS_SUBTYPE, CHASSIS_ID = (*LLDP_REMOTE, 4), (*LLDP_REMOTE, 5)

ON, OFF = 1, 2
"""TruthValue, as pethPsePortAdminEnable has it."""

MOST_ROWS = 8192
_STATUS_SELF = 4
_CHASSIS_IS_MAC = 4
_STATUS_COLUMN = 3


class Detection(IntEnum):
    """pethPsePortDetectionStatus."""

    DISABLED = 1
    SEARCHING = 2
    DELIVERING = 3
    FAULT = 4
    TEST = 5
    OTHER_FAULT = 6


@dataclass(frozen=True, slots=True)
class PortState:
    """What a port says of itself.

    Attributes:
        is_on: whether it may give power.
        detection: what it does; None where the switch does not say.
        power_class: 0 to 4, only while it delivers; None = unknown.
    """

    is_on: bool
    detection: Detection | None = None
    power_class: int | None = None

    @property
    def delivers(self) -> bool:
        """Whether power leaves it, as far as the switch says."""
        if self.detection is None:
            return self.is_on
        return self.detection in (Detection.DELIVERING, Detection.TEST)


@dataclass(frozen=True, slots=True)
class Heard:
    """Who is heard at a port.

    Attributes:
        addresses: hardware addresses that its table of addresses has there.
        announced: hardware addresses that were announced there over LLDP.
        elsewhere: address -> port, of the other ports.
    """

    addresses: frozenset[str] = frozenset()
    announced: frozenset[str] = frozenset()
    elsewhere: dict[str, int] = field(default_factory=dict)


class Switch(Protocol):
    """One port of a switch, in one conversation; `sent` has a line for each question."""

    sent: list[str]

    async def state(self) -> PortState:
        """Return what the port says of itself."""
        ...

    async def heard(self) -> Heard:
        """Return who is heard there."""
        ...

    async def draw_w(self, draw: Draw) -> float:
        """Return what the port gives, in W."""
        ...

    async def sees_accounts(self) -> bool:
        """Return whether our account sees more than its work needs."""
        ...

    async def set_admin(self, value: int) -> None:
        """Switch the port: ON or OFF."""
        ...


@dataclass(slots=True)
class DrySwitch:
    """Sends nothing; its port is what the file expects it to be."""

    access: PoeAccess
    sent: list[str] = field(default_factory=list)

    async def state(self) -> PortState:
        """Say that it is on, and feeds something."""
        self.sent.append(state_line(self.access))
        return PortState(True, Detection.DELIVERING, self.access.power_class)

    async def heard(self) -> Heard:
        """Say that who should be there is there."""
        self.sent.append(heard_line(self.access))
        return Heard(addresses=frozenset(self.access.neighbour))

    async def draw_w(self, draw: Draw) -> float:
        """Say what is expected."""
        self.sent.append(draw_line(self.access, draw))
        return draw.watts

    async def sees_accounts(self) -> bool:
        """Say no."""
        self.sent.append(accounts_line(_to(self.access)))
        return False

    async def set_admin(self, value: int) -> None:
        """Do nothing."""
        self.sent.append(set_line(self.access, value))


@dataclass(slots=True)
class LiveSwitch:
    """Asks the switch; every question is within the seconds that *left_s* says."""

    access: PoeAccess
    shared: SharedPeer
    left_s: Callable[[], float]
    sent: list[str] = field(default_factory=list)

    async def state(self) -> PortState:
        """Return what the port says of itself.

        Raises:
            DeviceGarbledError: the switch has no such port.
        """
        columns = (ADMIN, DETECTION, CLASSES)
        asked = [(*column, *self.access.port) for column in columns]
        within_s = self._within_s()
        self.sent.append(state_line(self.access))
        answer = await self.shared.peer().get(asked, within_s=within_s)
        admin, *others = (value for _, value in answer.values) if not answer.status else (None,)
        if admin not in (ON, OFF):
            raise DeviceGarbledError(
                f"{where(self.access)}: the switch has no such port in the table of RFC 3621"
            )
        detection, found_class = (*others, None, None)[:2]
        return port_state(admin, detection, found_class)

    async def heard(self) -> Heard:
        """Return who is heard there, by the table of addresses, and by LLDP where it has nobody."""
        self._within_s()
        self.sent.append(heard_line(self.access))
        table = Q_FDB_PORT
        rows = await self._column(table)
        if not rows:
            table = D_FDB_PORT
            rows = await self._column(table)
        here = {oid for oid, port in rows if port == self.access.at_bridge}
        here -= await self._own(table, here)
        addresses = frozenset(mac_of(oid) for oid in here)
        elsewhere = {
            mac_of(oid): port
            for oid, port in rows
            if isinstance(port, int) and port and port != self.access.at_bridge
        }
        announced = frozenset[str]() if addresses else await self._announced()
        return Heard(addresses, announced, elsewhere)

    async def draw_w(self, draw: Draw) -> float:
        """Return what the port gives, in W.

        Raises:
            DeviceGarbledError: the switch has no such object.
        """
        within_s = self._within_s()
        self.sent.append(draw_line(self.access, draw))
        answer = await self.shared.peer().get([draw.numbers()], within_s=within_s)
        value = None if answer.status else answer.values[0][1]
        if isinstance(value, bytes):  # many hide a number in text
            value = int(value) if value.strip().isdigit() else None
        if not isinstance(value, int):
            raise DeviceGarbledError(
                f"{where(self.access)}: the switch has no number at {draw.oid}"
            )
        return value / draw.per_watt

    async def sees_accounts(self) -> bool:
        """Return whether our account sees more than its work needs."""
        within_s = self._within_s()
        self.sent.append(accounts_line(_to(self.access)))
        return await sees_accounts(self.shared.peer(), within_s=within_s)

    async def set_admin(self, value: int) -> None:
        """Switch the port, and see that it is switched."""
        within_s = self._within_s()
        self.sent.append(set_line(self.access, value))
        await self.shared.peer().set((*ADMIN, *self.access.port), value, within_s=within_s)

    async def _column(self, column: Oid) -> tuple[tuple[Oid, Value], ...]:
        peer = self.shared.peer()
        return await peer.column(column, most=MOST_ROWS, within_s=self._within_s())

    async def _own(self, table: Oid, rows: set[Oid]) -> set[Oid]:
        """Those of the rows that stand for the switch itself."""
        if not rows:
            return set()
        asked = {(*table[:-1], _STATUS_COLUMN, *oid[len(table) :]): oid for oid in sorted(rows)[:8]}
        answer = await self.shared.peer().get(list(asked), within_s=self._within_s())
        return {asked[oid] for oid, status in answer.values if status == _STATUS_SELF}

    async def _announced(self) -> frozenset[str]:
        kinds = {
            oid[len(CHASSIS_SUBTYPE) :]: kind for oid, kind in await self._column(CHASSIS_SUBTYPE)
        }
        found = set()
        for oid, value in await self._column(CHASSIS_ID):
            row = oid[len(CHASSIS_ID) :]  # time mark, local port, number
            is_mac = kinds.get(row) == _CHASSIS_IS_MAC and isinstance(value, bytes)
            if is_mac and len(row) == 3 and row[1] == self.access.at_lldp:
                assert isinstance(value, bytes)
                found.add(value.hex(":"))
        return frozenset(found)

    def _within_s(self) -> float:
        left_s = self.left_s()
        if left_s <= 0.0:
            raise DeviceSilentError(f"{where(self.access)}: no time was left to ask the switch")
        return left_s


def port_state(admin: Value, detection: Value, found_class: Value) -> PortState:
    """Return the state that three columns of a port's row make."""
    known = detection in {status.value for status in Detection}
    has_class = isinstance(found_class, int) and 1 <= found_class <= 5
    return PortState(
        is_on=admin == ON,
        detection=Detection(detection) if known and isinstance(detection, int) else None,
        power_class=found_class - 1 if has_class and isinstance(found_class, int) else None,
    )


def mac_of(row: Oid) -> str:
    """Return the hardware address that ends the index of a row of a table of addresses."""
    return ":".join(f"{arc & 255:02x}" for arc in row[-6:])


def where(access: PoeAccess) -> str:
    """Return how people are told of the port."""
    return f"port {port_text(access)} of the switch at {access.switch}"


def port_text(access: PoeAccess) -> str:
    """Return group and port with a dot."""
    return ".".join(str(number) for number in access.port)


def state_line(access: PoeAccess) -> str:
    """Return the line of `state`."""
    columns = ("AdminEnable", "DetectionStatus", "PowerClassifications")
    asked = ", ".join(f"pethPsePort{column}.{port_text(access)}" for column in columns)
    return f"{_to(access)}: GET {asked}"


def heard_line(access: PoeAccess) -> str:
    """Return the line of `heard`."""
    return (
        f"{_to(access)}: read dot1qTpFdbTable (dot1dTpFdbTable where that is empty) for port "
        f"{access.at_bridge}, and lldpRemTable for port {access.at_lldp} where it has nobody"
    )


def draw_line(access: PoeAccess, draw: Draw) -> str:
    """Return the line of `draw_w`."""
    return f"{_to(access)}: GET {draw.oid}"


def set_line(access: PoeAccess, value: int) -> str:
    """Return the line of `set_admin`."""
    word = "on" if value == ON else "off"
    return f"{_to(access)}: SET pethPsePortAdminEnable.{port_text(access)} = {value} ({word})"


def _to(access: PoeAccess) -> str:
    return f"SNMP {access.switch} port {access.snmp.port}"
