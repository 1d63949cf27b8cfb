"""`lastwatt ports`: find what hangs on which port of a switch, as the file wants it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    json_option,
    show,
    show_document,
)
from agent.cli.site import load_whole

if TYPE_CHECKING:
    from drivers.poe_map import PortFound
    from drivers.poe_settings import PoeSwitchAccess

WITHIN_S = 30.0


@click.command(
    cls=Command,
    example='lastwatt ports site.toml "yard switch"',
    short_help="Find what hangs on which port of a switch.",
)
@click.argument("file", type=FILE)
@click.argument("device")
@json_option
def ports(file: Path, device: str, as_json: bool) -> int:
    """Ask the PoE switch DEVICE of FILE what hangs on its ports, read-only.

    Prints the lines that go into the file for each port that gives power, to be put beneath the
    device that is plugged in there. See at the switch that it is: the number by which a switch
    feeds a port need not be the one by which it hears who is there.

    DEVICE needs address and a table [device.poe.snmp].
    """
    import asyncio

    from drivers.errors import DeviceRefusedError, DeviceSilentError, DriverError
    from drivers.poe_map import ports_of

    address, access = _access(file, device)
    try:
        found = asyncio.run(ports_of(address, access, within_s=WITHIN_S))
    except DriverError as error:
        status = Exit.NO
        if isinstance(error, DeviceSilentError):
            status = Exit.UNREACHABLE
        elif isinstance(error, DeviceRefusedError):
            status = Exit.REFUSED
        raise CommandError(str(error), status=status) from error
    if as_json:
        show_document(True, device=device, ports=[_fields(port) for port in found])
    else:
        for line in lines_of(device, found):
            show(line)
    return Exit.YES


def lines_of(device: str, found: tuple[PortFound, ...]) -> Iterator[str]:
    """Give the lines for the file: a table for each port that feeds somebody."""
    yield f"# {device}: what was found on its ports"
    for port in found:
        text = ".".join(map(str, port.port))
        state = "on" if port.state.is_on else "off"
        detection = port.state.detection
        doing = "" if detection is None else f", {detection.name.lower().replace('_', ' ')}"
        called = f', calls itself "{port.name}"' if port.name else ""
        yield ""
        yield f"# port {text}: {state}{doing}{called}"
        if not port.state.delivers:
            continue
        if not port.neighbours:
            yield "# nobody is heard there: it cannot be told who it is, and it will not be cut"
            continue
        yield "[device.poe]"
        yield f'port = "{text}"'
        macs = ", ".join(f'"{mac}"' for mac in port.neighbours)
        yield f"neighbour = {macs if len(port.neighbours) == 1 else f'[{macs}]'}"
        if port.state.power_class is not None:
            yield f"power_class = {port.state.power_class}"


def _fields(port: PortFound) -> dict[str, Any]:
    detection = port.state.detection
    return {
        "port": ".".join(map(str, port.port)),
        "on": port.state.is_on,
        "detection": None if detection is None else detection.name.lower(),
        "power_class": port.state.power_class,
        "neighbour": list(port.neighbours),
        "name": port.name,
    }


def _access(file: Path, device: str) -> tuple[str, PoeSwitchAccess]:
    """Return where the switch is, and how it is asked.

    Raises:
        CommandError: the file does not say.
    """
    import os

    from pydantic import ValidationError

    from drivers.poe_settings import PoeSwitchAccess
    from drivers.settings import SecretSources

    loaded = load_whole(file)
    if device not in loaded.site.devices:
        known = ", ".join(loaded.site.devices)
        text = f'{file} lists no device "{device}"; it has: {known}'
        raise CommandError(text, status=Exit.UNREADABLE)
    tables = loaded.document.value["device"]
    raw = next(table for table in tables if table["name"] == device)
    own = raw.get("poe")
    address = loaded.addresses[device]
    if not address or not isinstance(own, Mapping):
        text = f"{device}: add its address, and how it is asked: [device.poe.snmp]"
        raise CommandError(text, status=Exit.UNREADABLE)
    sources = SecretSources(base=file.parent, env=os.environ)
    try:
        return address, PoeSwitchAccess.model_validate(own, context={"secrets": sources})
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False, include_context=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        text = f"{device}: [device.poe] {place}: {first['msg'].removeprefix('Value error, ')}"
        raise CommandError(text, status=Exit.UNREADABLE) from None
