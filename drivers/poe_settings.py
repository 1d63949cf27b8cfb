"""The tables of a device that hangs on a PoE port: which port, and what commissioning saw there."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from drivers.settings import Duration, Settings
from drivers.transports.snmp_settings import SnmpSettings
from drivers.transports.snmp_values import Oid, oid_from, oid_text
from drivers.wake import mac_from

_PORT = re.compile(r"(?:(\d{1,9})\.)?(\d{1,9})")


def port_from(text: object) -> tuple[int, int]:
    """Return group and index of a port as RFC 3621 numbers them, from "1.3" or "3".

    Raises:
        ValueError: *text* is neither.
    """
    match = _PORT.fullmatch(text) if isinstance(text, str) else None
    if match is None or not int(match[2]) or match[1] == "0":
        raise ValueError('write the port as its switch numbers it, group and port, like "1.3"')
    return int(match[1] or 1), int(match[2])


def _macs(value: object) -> tuple[str, ...]:
    found = [value] if isinstance(value, str) else value
    if not isinstance(found, list | tuple) or not found:
        raise ValueError('write the hardware address that is heard there: "02:00:5e:10:00:21"')
    return tuple(mac_from(str(text)) for text in found)


class Draw(Settings):
    """`draw`: an object of the switch's own that says what a port gives, as RFC 3621 has none.

    Attributes:
        oid: the object, its instance included.
        per_watt: its number at 1 W: 1000 where it counts milliwatts.
        watts: what it said at commissioning.
    """

    oid: Annotated[str, AfterValidator(oid_text)]
    per_watt: Annotated[float, Field(gt=0, allow_inf_nan=False)] = 1.0
    watts: Annotated[float, Field(ge=0, le=100, allow_inf_nan=False)]

    def numbers(self) -> Oid:
        """Return the object's numbers."""
        return oid_from(self.oid)


class PoeSwitchAccess(Settings):
    """`[device.poe]` of a switch: how it is asked; the devices on its ports use this.

    Attributes:
        snmp: as a unit's, with a user that may also write pethPsePortAdminEnable.
    """

    snmp: SnmpSettings


class PoeAccess(PoeSwitchAccess):
    """`[device.poe]` of what hangs on a port.

    Attributes:
        switch: the address of the switch; where the file does not say, that of what feeds it.
        port: group and index of RFC 3621, "1.3".
        neighbour: hardware addresses heard there at commissioning, one of them at least; before a
            cut one must be heard there again, and nothing else.
        bridge_port: the same port in the switch's table of addresses; None = as `port`.
        lldp_port: the same port in its LLDP table; None = as `bridge_port`.
        power_class: class 0 to 4 seen at commissioning; None = not compared.
        draw: an object that tells the port's watts; None = not compared.
    """

    switch: Annotated[str, Field(min_length=1)]
    port: Annotated[tuple[int, int], BeforeValidator(port_from)]
    neighbour: Annotated[tuple[str, ...], BeforeValidator(_macs)]
    bridge_port: Annotated[int, Field(ge=1)] | None = None
    lldp_port: Annotated[int, Field(ge=1)] | None = None
    power_class: Annotated[int, Field(ge=0, le=4)] | None = None
    draw: Draw | None = None

    @property
    def at_bridge(self) -> int:
        """The port's number in the table of addresses."""
        return self.port[1] if self.bridge_port is None else self.bridge_port

    @property
    def at_lldp(self) -> int:
        """The port's number in the LLDP table."""
        return self.at_bridge if self.lldp_port is None else self.lldp_port


class PoeStop(Settings):
    """`stop`: nothing to say beyond the access table."""


class PoeStart(Settings):
    """`start`: nothing to say beyond the access table."""


class PoeVerify(Settings):
    """`verify`: whether the port gives power.

    Attributes:
        interval: seconds between two looks.
    """

    interval: Annotated[Duration, Field(gt=0)] = 2.0
