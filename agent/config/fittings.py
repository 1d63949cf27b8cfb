"""The tables of a device that belong to its drivers: stages, and access tables by driver name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel

from agent.config.document import Document, Route
from agent.config.explain import known_keys, validated
from agent.config.faults import Fault, did_you_mean
from agent.config.models import START_WORDS, DeviceTable, StageTable
from agent.config.site import Fitted
from drivers import registry
from drivers.base import DriverKind, Stage
from drivers.registry import UnknownDriverError
from drivers.settings import SecretSources
from policies.model import Starts

Kinds = Callable[[str], DriverKind]

TAKES_S: Mapping[Stage, float] = {
    Stage.QUIESCE: 30.0,
    Stage.STOP: 120.0,
    Stage.VERIFY: 30.0,
    Stage.START: 180.0,
}
"""What a stage takes where the file does not say; too long only makes a stop come early."""

OWN = "local"
"""The driver of the box that the agent itself runs on."""

WATCHER = "tcp"
"""The driver that watches a port; it verifies where the file has no verify table."""

_HEAD = frozenset(known_keys(StageTable))
"""The keys of a stage's table that are the file's own, whatever the driver."""


M = TypeVar("M", bound=BaseModel)

_OF_STAGES = frozenset(stage.value for stage in Stage)


@dataclass(slots=True)
class DeviceDrivers:
    """What the driver tables of one device came to; filled table by table while they are read.

    Attributes:
        settle_s: how long the verifying driver wants silence, 0 where it has no such setting.
        starts: None where the file does not say.
    """

    stages: dict[Stage, str] = field(default_factory=dict)
    takes_s: dict[Stage, float] = field(default_factory=dict)
    settle_s: float = 0.0
    starts: Starts | None = None
    fitted: dict[str, Fitted] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)


def core_of(raw: Mapping[str, Any], kinds: Kinds) -> dict[str, Any]:
    """Return a device's table without what belongs to its drivers."""
    used = _used(raw)
    return {
        key: value
        for key, value in raw.items()
        if key not in _OF_STAGES
        and key not in used
        and not (isinstance(value, Mapping) and _kind(key, kinds) is not None)
    }


def device_keys(raw: Mapping[str, Any]) -> set[str]:
    """Return every key that this device's table may have."""
    return known_keys(DeviceTable) | _OF_STAGES | set(_used(raw)) | set(registry.BUILT_IN)


def read_drivers(
    raw: Mapping[str, Any], route: Route, document: Document, secrets: SecretSources, kinds: Kinds
) -> DeviceDrivers:
    """Return what the driver tables of the device at *route* come to, faults included."""
    out = DeviceDrivers()
    reader = _Reader(raw, route, document, secrets, kinds, out)
    own: dict[Stage, dict[str, Any]] = {}
    for stage in Stage:
        if stage.value in raw:
            keys = reader.stage(stage)
            if keys is not None:
                own[stage] = keys
    for driver in dict.fromkeys(out.stages.values()):
        if driver != WATCHER:
            reader.fit(driver, own, raw.get(driver, {}))
    reader.fit_watcher(own)
    reader.check_address()
    reader.check_unused()
    return out


def _used(raw: Mapping[str, Any]) -> list[str]:
    """The drivers that a device's stages name."""
    tables = [raw.get(stage.value) for stage in Stage]
    drivers = [table.get("driver") for table in tables if isinstance(table, Mapping)]
    known = known_keys(DeviceTable)
    return [name for name in drivers if isinstance(name, str) and name not in known]


def _kind(name: str, kinds: Kinds) -> DriverKind | None:
    try:
        return kinds(name)
    except UnknownDriverError:
        return None


@dataclass(frozen=True, slots=True)
class _Reader:
    """One device's table while its drivers are read."""

    raw: Mapping[str, Any]
    route: Route
    document: Document
    secrets: SecretSources
    kinds: Kinds
    out: DeviceDrivers

    def fault(self, keys: Route, code: str, message: str, fix: str) -> None:
        self.out.faults.append(self.document.fault((*self.route, *keys), code, message, fix))

    def warn(self, keys: Route, code: str, message: str, fix: str) -> None:
        self.out.faults.append(self.document.warning((*self.route, *keys), code, message, fix))

    def validated(
        self, model: type[M], value: object, keys: Route, *, also: Iterable[str] = ()
    ) -> M | None:
        place = (*self.route, *keys)
        found, faults = validated(model, value, self.document, place, self.secrets, also=also)
        self.out.faults += faults
        return found

    def stage(self, stage: Stage) -> dict[str, Any] | None:
        """Read what the file itself says of a stage; return the keys that are its driver's."""
        table = self.raw[stage.value]
        if stage is Stage.START and isinstance(table, str):
            self.start_word(table)
            return None
        if not isinstance(table, Mapping):
            words = f', or "{START_WORDS[0]}"' if stage is Stage.START else ""
            fix = f'write {stage} = {{ driver = "ssh", … }}{words}'
            self.fault((stage,), "wrong-type", "a table is due here", fix)
            return None
        mine = {key: value for key, value in table.items() if key in _HEAD}
        head = self.validated(StageTable, mine, (stage,))
        driver = table.get("driver")
        if not isinstance(driver, str) or not driver:
            return None
        kind = self.kind(driver, stage)
        if kind is None:
            return None
        self.out.stages[stage] = driver
        takes_s = None if head is None else head.takes
        self.out.takes_s[stage] = TAKES_S[stage] if takes_s is None else takes_s
        if stage is Stage.START:
            self.out.starts = Starts.BY_ORDER
        return {key: value for key, value in table.items() if key not in _HEAD}

    def start_word(self, word: str) -> None:
        if word in START_WORDS:
            self.out.starts = Starts(word)
            return
        fix = did_you_mean(word, START_WORDS) + ', or a table like { driver = "wake", … }'
        self.fault(("start",), "unknown-word", "this word is not known here", fix)

    def kind(self, driver: str, stage: Stage) -> DriverKind | None:
        """Return the kind behind the driver that a stage names, if it can serve that stage."""
        try:
            kind = self.kinds(driver)
        except UnknownDriverError:
            near = did_you_mean(driver, registry.names())
            self.fault((stage, "driver"), "unknown-driver", "no driver has this name", near)
            return None
        if stage not in kind.stages:
            served = ", ".join(f'"{known}"' for known in kind.stages) or "nothing"
            self.fault(
                (stage, "driver"),
                "driver-cannot",
                f'driver "{driver}" cannot {stage}: it serves {served}',
                "name another driver for this stage",
            )
            return None
        return kind

    def fit(self, driver: str, own: Mapping[Stage, Mapping[str, Any]], table: object) -> None:
        """Read the driver's access table, and its part of each stage that it serves."""
        kind = self.kinds(driver)
        access = self.validated(kind.access, table, (driver,))
        stages: dict[Stage, BaseModel] = {}
        for stage, keys in own.items():
            if self.out.stages.get(stage) == driver:
                found = self.validated(kind.stages[stage], keys, (stage,), also=_HEAD)
                if found is not None:
                    stages[stage] = found
                    if stage is Stage.VERIFY:
                        self.out.settle_s = getattr(found, "settle", 0.0)
        if access is not None:
            self.out.fitted[driver] = Fitted(kind, access, stages)

    def fit_watcher(self, own: dict[Stage, dict[str, Any]]) -> None:
        """Fit what watches a port: that of the driver that stops the device, if none is given.

        Where the file has no verify table, it is what verifies.
        """
        stopper = self.out.stages.get(Stage.STOP)
        if stopper == OWN:
            return  # nobody is left to verify that the agent's own box is off
        is_default = stopper is not None and Stage.VERIFY.value not in self.raw
        if WATCHER not in self.out.stages.values() and not is_default:
            return
        fitted = self.out.fitted.get(stopper or "")
        if stopper not in (None, WATCHER) and fitted is None:
            return  # that driver's own faults are told, and its port is not known
        port = None if fitted is None else fitted.kind.port(fitted.access)
        if is_default:
            if port is None:
                self.fault(
                    (Stage.STOP,),
                    "missing-verify",
                    "nothing says how to tell that the device is gone",
                    f'add verify = {{ driver = "{WATCHER}", port = … }}',
                )
                return
            own[Stage.VERIFY] = {}
            self.out.stages[Stage.VERIFY] = WATCHER
            self.out.takes_s[Stage.VERIFY] = TAKES_S[Stage.VERIFY]
        kind = self.kinds(WATCHER)
        raw = self.raw.get(WATCHER, {})
        if isinstance(raw, Mapping):
            raw = _with_port(raw, kind.access, port)
        for stage, keys in own.items():
            if self.out.stages.get(stage) == WATCHER:
                own[stage] = dict(_with_port(keys, kind.stages[stage], port))
        self.fit(WATCHER, own, raw)

    def check_address(self) -> None:
        if self.raw.get("address"):
            return
        for driver, fitted in self.out.fitted.items():
            if driver == WATCHER or fitted.kind.port(fitted.access) is not None:
                self.fault(
                    ("address",),
                    "missing-key",
                    f'driver "{driver}" needs an address to reach the device at',
                    'add address = "192.0.2.20"',
                )
                return

    def check_unused(self) -> None:
        """Warn of tables that nothing uses: a stage that was forgotten, or is misspelt."""
        used = set(self.out.stages.values()) | set(_used(self.raw))
        known = known_keys(DeviceTable) | _OF_STAGES
        for key, value in self.raw.items():
            if key in used or key in known or not isinstance(value, Mapping):
                continue
            if _kind(key, self.kinds) is not None:
                self.warn(
                    (key,),
                    "unused-table",
                    "no stage of this device names this driver",
                    f'add stop = {{ driver = "{key}", … }}, or remove the table',
                )
        if Stage.VERIFY in self.out.stages and "stop" not in self.raw:
            self.warn(
                (Stage.VERIFY,),
                "unused-table",
                "nothing stops this device, so nothing is verified",
                "add stop = { … }, or remove verify",
            )


def _with_port(
    table: Mapping[str, Any], model: type[BaseModel], port: int | None
) -> Mapping[str, Any]:
    """Return the table with the port filled in, where its model has one that is not given."""
    if port is None or "port" in table or "port" not in model.model_fields:
        return table
    return {**table, "port": port}
