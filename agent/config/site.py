"""A site as its file has it, ready for the agent: what `load` gives."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time
from ipaddress import ip_address
from pathlib import Path
from socket import gethostname
from types import MappingProxyType
from typing import Any, NamedTuple
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from pydantic import BaseModel, SecretStr

from agent.config.contacts import Contact
from agent.config.document import Document
from agent.config.notice_tables import NoticesTable
from agent.regular.due_times import Attended, Rule
from drivers.base import DriverKind, Stage
from drivers.transports.snmp_settings import SnmpSettings
from policies.grades import LASTS, Lasts
from policies.model import OutputSource, Place, Site


@dataclass(frozen=True, slots=True)
class SelfTestAccess:
    """When a unit is to test its battery, and in whose name it is told to."""

    rule: Rule
    snmp: SnmpSettings


@dataclass(frozen=True, slots=True)
class UnitAccess:
    """How a backup unit is spoken with.

    Attributes:
        output_sources: what the unit's own numbers of upsOutputSource mean; the others mean what
            RFC 1628 says.
        path: devices that the agent reaches it through.
        control: in whose name its output is switched; None = it never is.
        self_test: how and when its battery is tested; None = never.
        runs: file of measured full runs, or None.
        fit: file that holds what these runs taught, or None; it may not be there yet.
    """

    address: str
    snmp: SnmpSettings
    output_sources: Mapping[int, OutputSource] = field(default_factory=dict)
    path: tuple[str, ...] = ()
    control: SnmpSettings | None = None
    self_test: SelfTestAccess | None = None
    runs: Path | None = None
    fit: Path | None = None


class Fitted(NamedTuple):
    """One device language of one device: its kind, its access table, its stages' tables.

    Attributes:
        tables: the same as the file has them, defaults of the file filled in, secrets as the places
            that they lie in: the access table by the driver's name, each stage's keys by its name.
    """

    kind: DriverKind
    access: BaseModel
    stages: Mapping[Stage, BaseModel]
    tables: Mapping[str, Mapping[str, Any]] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class AgentSettings:
    """What the agent itself is told.

    Attributes:
        box: name of the device it runs on, or None where the file does not say.
        state: its state directory, or None where only the command line says.
        traps: address and UDP port on which notifications are heard, or None.
        grades_last: for how long what was shown to work counts.
        check_logins_at: when all logins are checked each day, local time; None = never.
    """

    box: str | None = None
    state: Path | None = None
    poll_on_mains_s: float = 10.0
    poll_on_battery_s: float = 2.0
    traps: tuple[str, int] | None = None
    grades_last: Lasts = LASTS
    check_logins_at: time | None = None


@dataclass(frozen=True, slots=True)
class RegularWork:
    """When regular work is due, None = never; and when somebody is at the site."""

    attended: Attended | None = None
    digest: Rule | None = None
    rehearsal: Rule | None = None
    battery_age: Rule | None = None


@dataclass(frozen=True, slots=True)
class OwedCopy:
    """A place outside the box that gets the list of what is owed: a file, or a web address.

    Attributes:
        method: "PUT" or "POST".
        secret: signs what is sent, as it does notices.
    """

    file: Path | None = None
    url: str = field(default="", repr=False)
    method: str = "PUT"
    secret: SecretStr | None = None

    @property
    def shown(self) -> str:
        """The place, for logs; of a web address its host alone, since the rest may be a key."""
        return urlsplit(self.url).hostname or "" if self.file is None else str(self.file)


@dataclass(frozen=True, slots=True)
class PageSettings:
    """How the page is served.

    Attributes:
        listen: address and TCP port; 0 = any free one.
        names: what it may be called besides the address, in lower case.
        certificate, key: PEM files of its own, or None.
        has_tls: a certificate is made where none is given.
        open_reading: whoever reaches it may look without signing in.
    """

    listen: tuple[str, int]
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    has_tls: bool = False
    open_reading: bool = False

    @property
    def address(self) -> str | None:
        """What to open in a browser: by its first name, if it has one; None = any free port."""
        host, port = self.listen
        listens = ip_address(host)
        if port == 0:
            return None
        if self.names:
            host = self.names[0]
        elif listens.is_unspecified:
            host = gethostname()
        shown = f"[{host}]" if ":" in host else host
        return f"{'https' if self.has_tls else 'http'}://{shown}:{port}/"

    @property
    def is_here_only(self) -> bool:
        """Whether nobody but the box itself reaches it."""
        return ip_address(self.listen[0]).is_loopback


@dataclass(frozen=True, slots=True)
class LoadedSite:
    """Everything that a site's file says, validated.

    Attributes:
        addresses: device -> address, "" where it has none.
        fittings: device -> driver name -> what that driver is built from.
        stage_drivers: device -> stage -> name of the driver that serves it.
        stage_takes: device -> stage -> seconds that the stage takes, by the file or by default.
        notices: who is told of what.
        owed_copies: where the list of what is owed goes besides the state directory.
        page: how it is served, or None where the file has no such table.
        document: the file, for the lines of later findings.
        schedule: regular work.
        contacts: whom to call about the site.
    """

    path: Path
    site: Site
    units: Mapping[str, UnitAccess]
    addresses: Mapping[str, str]
    fittings: Mapping[str, Mapping[str, Fitted]]
    stage_drivers: Mapping[str, Mapping[Stage, str]]
    stage_takes: Mapping[str, Mapping[Stage, float]]
    agent: AgentSettings
    time_zone: ZoneInfo
    place: Place | None
    notices: NoticesTable
    page: PageSettings | None
    owed_copies: tuple[OwedCopy, ...]
    document: Document = field(repr=False)
    schedule: RegularWork = RegularWork()
    contacts: tuple[Contact, ...] = ()
