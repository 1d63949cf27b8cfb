"""Driver names of the site's file, and the kinds behind them; each is imported when first used."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import entry_points

from drivers.base import DriverKind
from drivers.errors import LastwattError

BUILT_IN: dict[str, str] = {
    "ssh": "drivers.ssh:KIND",
    "http": "drivers.http:KIND",
    "tcp": "drivers.tcp:KIND",
    "wake": "drivers.wake:KIND",
    "poe": "drivers.poe:KIND",
    "redfish": "drivers.redfish:KIND",
    "onvif": "drivers.onvif:KIND",
    "snmp-write": "drivers.snmp_write:KIND",
    "local": "drivers.local:KIND",
    "command": "drivers.command:KIND",
}
"""Driver name -> "module:attribute" of its DriverKind."""

GROUP = "lastwatt.drivers"
"""Entry-point group through which other people's packages bring drivers."""


class UnknownDriverError(LastwattError):
    """The file names a driver that nobody brought; another name, or a package, mends it."""


def names() -> tuple[str, ...]:
    """Return every driver name that `kind` knows, sorted."""
    return tuple(sorted({*BUILT_IN, *(entry.name for entry in entry_points(group=GROUP))}))


def kind(name: str) -> DriverKind:
    """Return the driver kind called *name*; ours win over a package's of the same name.

    Raises:
        UnknownDriverError: there is none, or the package that brings it does not load.
    """
    target = BUILT_IN.get(name)
    if target is not None:
        module, _, attribute = target.partition(":")
        found = getattr(import_module(module), attribute)
    else:
        found = _from_packages(name)
    if not isinstance(found, DriverKind):
        raise UnknownDriverError(f'driver "{name}" is not a DriverKind; mend or remove its package')
    return found


def _from_packages(name: str) -> object:
    for entry in entry_points(group=GROUP, name=name):
        try:
            return entry.load()
        except ImportError as error:
            raise UnknownDriverError(f'driver "{name}" does not load: {error}') from error
    raise UnknownDriverError(f'no driver "{name}"; known are: {", ".join(names())}')
