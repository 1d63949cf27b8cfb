"""Read a site's file: all faults in one go, or the site."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from agent.config.bases import with_bases
from agent.config.contacts import contacts_of
from agent.config.document import Document, Route, read_document
from agent.config.expand import expanded
from agent.config.explain import validated
from agent.config.faults import Fault, Severity, in_order
from agent.config.fittings import DeviceDrivers, Kinds, core_of, device_keys, read_drivers
from agent.config.models import DeviceTable, FileTable, UnitTable
from agent.config.notice_rules import notice_faults
from agent.config.rules import (
    box_faults,
    circle_faults,
    local_faults,
    name_faults,
    reference_faults,
    tables,
    unit_faults,
)
from agent.config.site import LoadedSite
from agent.config.thresholds import threshold_faults
from agent.config.translate import (
    access_of,
    agent_of,
    device_of,
    owed_copies_of,
    page_of,
    place_of,
    schedule_of,
    site_of,
    unit_of,
    worth_of,
    zone_of,
)
from drivers import registry
from drivers.settings import SecretSources
from policies.model import Device, Site, Unit

FORMAT = 1
"""The only format of the file so far."""

M = TypeVar("M", bound=BaseModel)


def load(
    path: str | Path,
    *,
    today: date,
    secrets_must_exist: bool = True,
    secret_files_must_exist: bool = True,
    env: Mapping[str, str] = os.environ,
    kinds: Kinds = registry.kind,
) -> tuple[LoadedSite | None, tuple[Fault, ...]]:
    """Return the site of the file at *path*, and everything that is wrong with the file.

    Args:
        path: the file; what it names is counted from its folder.
        today: gives batteries an age.
        secrets_must_exist: False while a file is only checked, far from its box: an environment
            variable or credential that is not there is then a warning.
        secret_files_must_exist: False where the secrets' files are not there either; a missing one
            is then a warning too.
        env: the environment.
        kinds: what finds a driver by its name.

    Returns:
        The site, or None where one of the faults is an error; the faults from top to bottom.

    Raises:
        ConfigError: the file cannot be read, or is not TOML.
    """
    document, of_bases = with_bases(read_document(Path(path)))
    wrong = of_bases or _format_faults(document)
    if wrong:
        return None, wrong
    whole, of_recipes = expanded(document)
    base, files = whole.path.parent, secret_files_must_exist
    known = SecretSources(base, env, must_exist=secrets_must_exist, files_must_exist=files)
    reading = _Reading(whole, today, known, kinds, list(of_recipes))
    reading.read()
    faults = in_order(reading.faults)
    if any(fault.severity is Severity.ERROR for fault in faults):
        return None, faults
    return reading.site(), faults


def _format_faults(document: Document) -> tuple[Fault, ...]:
    found = document.value.get("format")
    if type(found) is int and found == FORMAT:
        return ()
    if found is None:
        message, fix = (
            "the file does not say which format it is in",
            f"add format = {FORMAT} at its top",
        )
    else:
        message, fix = "this format of the file is not known here", f"write format = {FORMAT}"
    return (document.fault(("format",), "unknown-format", message, fix),)


@dataclass(slots=True)
class _Reading:
    """A file while it is read, table by table."""

    document: Document
    today: date
    known: SecretSources
    kinds: Kinds
    faults: list[Fault] = field(default_factory=list)
    file: FileTable | None = None
    units: dict[str, UnitTable] = field(default_factory=dict)
    devices: dict[str, DeviceTable] = field(default_factory=dict)
    drivers: dict[str, DeviceDrivers] = field(default_factory=dict)
    routes: dict[str, Route] = field(default_factory=dict)

    def read(self) -> None:
        """Read everything; what is wrong goes to `faults`."""
        document = self.document
        self.file = self._validated(FileTable, dict(document.value), ())
        for place, raw in tables(document, "unit"):
            self._read_unit(place, raw)
        for place, raw in tables(document, "device"):
            self._read_device(place, raw)
        self.faults += name_faults(document)
        self.faults += reference_faults(document)
        self.faults += box_faults(document)
        self.faults += local_faults(document)
        self.faults += notice_faults(document)
        self.faults += circle_faults(document)
        self.faults += threshold_faults(document, self._policy_site(), self.routes)

    def site(self) -> LoadedSite:
        """Return the site of a file without errors."""
        assert self.file is not None
        base = self.document.path.parent
        site = self._policy_site()
        return LoadedSite(
            path=self.document.path,
            site=site,
            units={name: access_of(table, base) for name, table in self.units.items()},
            addresses={name: table.address for name, table in self.devices.items()},
            fittings={name: drivers.fitted for name, drivers in self.drivers.items()},
            stage_drivers={name: drivers.stages for name, drivers in self.drivers.items()},
            stage_takes={name: drivers.takes_s for name, drivers in self.drivers.items()},
            agent=agent_of(self.file.agent, dict(site.devices), base),
            time_zone=zone_of(self.file),
            place=place_of(self.file),
            notices=self.file.notices,
            page=None if self.file.page is None else page_of(self.file.page, base),
            owed_copies=owed_copies_of(self.file, base),
            document=self.document,
            schedule=schedule_of(self.file.schedule),
            contacts=contacts_of(self.file.contact),
        )

    def _read_unit(self, place: int, raw: Mapping[str, Any]) -> None:
        table = self._validated(UnitTable, raw, ("unit", place))
        if table is not None:
            self.units[table.name] = table
            self.faults += unit_faults(self.document, place, table, self.today)

    def _read_device(self, place: int, raw: Mapping[str, Any]) -> None:
        route: Route = ("device", place)
        secrets = self._sources()
        drivers = read_drivers(raw, route, self.document, secrets, self.kinds)
        self.faults += drivers.faults
        self._warn_absent(secrets, route)
        core = core_of(raw, self.kinds)
        table, faults = validated(
            DeviceTable, core, self.document, route, secrets, also=device_keys(raw)
        )
        self.faults += faults
        if table is not None:
            self.devices[table.name] = table
            self.drivers[table.name] = drivers
            self.routes[table.name] = route

    def _validated(self, model: type[M], value: object, route: Route) -> M | None:
        secrets = self._sources()
        found, faults = validated(model, value, self.document, route, secrets)
        self.faults += faults
        self._warn_absent(secrets, route)
        return found

    def _sources(self) -> SecretSources:
        return replace(self.known, absent=[])

    def _warn_absent(self, secrets: SecretSources, route: Route) -> None:
        table = self.document.at(route)
        for what in dict.fromkeys(secrets.absent):
            message = f"{what} is not there, and cannot be checked here"
            fix = "see that it is there where the agent runs"
            self.faults += [
                self.document.warning(place, "secret-absent", message, fix)
                for place in _places_of(table, route, what)
            ]

    def _policy_site(self) -> Site:
        """Return what is without faults of its own, in the policies' words."""
        units: dict[str, Unit] = {n: unit_of(t, self.today) for n, t in self.units.items()}
        devices: dict[str, Device] = {
            name: device_of(table, self.drivers[name], worth=worth_of(table, self.devices))
            for name, table in self.devices.items()
        }
        if self.file is None:
            return Site("", units, devices)
        return site_of(self.file, units, devices)


def _places_of(value: object, route: Route, what: str) -> list[Route]:
    """Return where an absent source is named: *what* ends in the name or file that stands there."""
    places = [
        place
        for place, text in _texts(value, route)
        if (place[-1] in ("env", "credential") and what.endswith(f" {text}"))
        or (text and what.endswith(f"/{text}"))
    ]
    return places or [route]


def _texts(value: object, route: Route) -> Iterator[tuple[Route, str]]:
    if isinstance(value, str):
        yield route, value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            if not (len(route) == 0 and key in ("unit", "device")):
                yield from _texts(inner, (*route, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _texts(inner, (*route, place))
