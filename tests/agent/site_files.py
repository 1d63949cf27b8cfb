"""Site files for tests, written as text; `# <- code` marks a line that a fault must name."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, Field

from agent.config import Fault, LoadedSite, Severity, load
from drivers import tcp
from drivers.base import Act, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.registry import UnknownDriverError
from drivers.settings import Duration, Secret, Settings

TODAY = date(2026, 11, 25)
ENV = {"CABINET_COMMUNITY": "slipway-and-ropes", "KNOCK_PASSWORD": "tide-tables"}


class KnockAccess(Settings):
    """Login of a made-up language."""

    user: Annotated[str, Field(min_length=1, examples=['user = "keeper"'])]
    password: Secret | None = None
    port: Annotated[int, Field(ge=1, le=65535)] = 7022


class KnockStop(Settings):
    """How to stop in it."""

    command: str = "rest"
    pause: Duration = 1.0


class KnockDriver:
    """Does nothing, but remembers what it was built from."""

    def __init__(self, fitting: Fitting) -> None:
        self.fitting = fitting

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        return {}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        return Outcome(act, Verdict.REFUSED, "made up")

    async def close(self) -> None:
        return None


def _build(fitting: Fitting) -> Driver:
    return KnockDriver(fitting)


def _port(access: BaseModel) -> int | None:
    assert isinstance(access, KnockAccess)
    return access.port


KNOCK = DriverKind(
    name="knock",
    access=KnockAccess,
    stages={Stage.QUIESCE: KnockStop, Stage.STOP: KnockStop, Stage.START: KnockStop},
    build=_build,
    port=_port,
)

PORTLESS = DriverKind(
    name="shout",
    access=Settings,
    stages={Stage.STOP: KnockStop, Stage.VERIFY: KnockStop},
    build=_build,
    port=lambda _: None,
)


def kinds(name: str) -> DriverKind:
    """Find the made-up languages, and the real watcher of ports."""
    known = {"knock": KNOCK, "shout": PORTLESS, "tcp": tcp.KIND}
    if name not in known:
        raise UnknownDriverError(f'no driver "{name}"')
    return known[name]


HEAD = """\
format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
"""

UNIT = """\
[[unit]]
name = "cabinet"
address = "192.0.2.10"
snmp = { version = "2c", community = { env = "CABINET_COMMUNITY" } }
rating = { va = 1000, watts = 700 }
battery = { volts = 36, amp_hours = 7, fitted = 2025-03-01 }
"""

RECORDER = """\
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
watts = 24
stop = { driver = "knock", takes = "50s" }
[device.knock]
user = "keeper"
"""

SITE = HEAD + UNIT + RECORDER
"""A small site without an error."""


@dataclass(frozen=True)
class Read:
    """What came of a file."""

    site: LoadedSite | None
    faults: tuple[Fault, ...]

    @property
    def loaded(self) -> LoadedSite:
        """The site, which the test takes to be without errors."""
        errors = [str(fault) for fault in self.faults if fault.severity is Severity.ERROR]
        assert self.site is not None, errors
        return self.site

    def codes(self, severity: Severity = Severity.ERROR) -> set[tuple[int | None, str]]:
        """Line and code of each fault of that severity."""
        return {(f.line, f.code) for f in self.faults if f.severity is severity}


def read(folder: Path, text: str, **options: object) -> Read:
    """Write *text* as a file, and load it with the made-up languages."""
    path = folder / "site.toml"
    path.write_text(text, encoding="utf-8")
    settings: dict[str, object] = {"today": TODAY, "env": ENV, "kinds": kinds, **options}
    return Read(*load(path, **settings))  # type: ignore[arg-type]  # options of `load`, by name


def marked(text: str) -> set[tuple[int | None, str]]:
    """Return line and code of each `# <- code` in *text*."""
    found: set[tuple[int | None, str]] = set()
    for number, line in enumerate(text.splitlines(), start=1):
        mark = re.search(r"# <- ([^#]+)", line)
        for code in mark[1].split() if mark else ():
            found.add((number, code))
    return found
