"""The tables of a device that belong to its drivers: stages, and access tables by driver name."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel

from agent.config.document import Document, Route
from agent.config.explain import known_keys, validated
from agent.config.faults import Fault, did_you_mean
from agent.config.models import START_WORDS, DeviceTable, StageTable, WritersTable
from agent.config.site import Fitted
from drivers import registry
from drivers.base import DriverKind, Stage
from drivers.registry import UnknownDriverError
from drivers.settings import SecretSources
from policies.model import HOLDS_DATA, Starts

Kinds = Callable[[str], DriverKind]

TAKES_S: Mapping[Stage, float] = {
    Stage.QUIESCE: 30.0,
    Stage.STOP: 120.0,
    Stage.STOP_ELSE: 120.0,
    Stage.VERIFY: 30.0,
    Stage.START: 180.0,
}
"""What a stage takes where the file does not say; too long only makes a stop come early."""

OWN = "local"
"""The driver of the box that the agent itself runs on."""

CUT_TAKES_S: Mapping[Stage, float] = {
    **TAKES_S,
    Stage.STOP: 10.0,
    Stage.CUT: 10.0,
    Stage.VERIFY: 10.0,
}
"""The same where a device's power is cut at its feed."""

WRITERS_TAKE_S = 60.0
"""What a recorder is given to write out, once its writers are off."""

WRITERS = "writers"
WRITERS_OFF = "writers off"
"""What `quiesce` may say of a recorder that nothing can be told."""

RECIPE_KEYS = frozenset({"recipe", "vars"})
"""What is replaced by a recipe's tables before anything here is read."""

WATCHER = "tcp"
"""The driver that watches a port; it verifies where the file has no verify table."""

_HEAD = frozenset(known_keys(StageTable))
"""The keys of a stage's table that are the file's own, whatever the driver."""


M = TypeVar("M", bound=BaseModel)

_AT_RISK = frozenset(role.value for role in HOLDS_DATA)

_WRITTEN = tuple(stage for stage in Stage if stage is not Stage.CUT)
"""What a device's table is read for; a cut is the second table of a list under `stop`."""

_OF_STAGES = frozenset(stage.value for stage in _WRITTEN)


@dataclass(slots=True)
class DeviceDrivers:
    """What the driver tables of one device came to; filled table by table while they are read.

    Attributes:
        settle_s: how long the verifying driver wants silence, 0 where it has no such setting.
        starts: None where the file does not say.
        is_cut: what stops it cuts its power.
        cutting: the stages of a stop that do.
        by_writers: it is quiesced by bringing to rest what needs it.
        can_restore: an order undoes its quiescing.
    """

    stages: dict[Stage, str] = field(default_factory=dict)
    takes_s: dict[Stage, float] = field(default_factory=dict)
    settle_s: float = 0.0
    starts: Starts | None = None
    is_cut: bool = False
    cutting: set[Stage] = field(default_factory=set)
    by_writers: bool = False
    can_restore: bool = False
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
    of_drivers = set(_used(raw)) | set(registry.BUILT_IN)
    return known_keys(DeviceTable) | _OF_STAGES | of_drivers | RECIPE_KEYS


def read_drivers(
    raw: Mapping[str, Any], route: Route, document: Document, secrets: SecretSources, kinds: Kinds
) -> DeviceDrivers:
    """Return what the driver tables of the device at *route* come to, faults included."""
    out = DeviceDrivers()
    raw = _with_second_stop(raw)
    reader = _Reader(raw, route, document, secrets, kinds, out)
    own: dict[Stage, dict[str, Any]] = {}
    for stage in _WRITTEN:
        if stage.value in raw:
            keys = reader.stage(stage)
            if keys is not None:
                own[reader.kept_as(stage)] = keys
    reader.fill_cut(own)
    for driver in dict.fromkeys(out.stages.values()):
        if driver != WATCHER:
            reader.fit(driver, own, reader.access_table(driver))
    reader.fit_watcher(own)
    reader.check_address()
    reader.check_unused()
    return out


def _with_second_stop(raw: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return a device's table with the two tables of a list under `stop` as stages of their own.

    Another list stays as it is, and is refused where it is read.
    """
    stops = raw.get(Stage.STOP.value)
    if not isinstance(stops, list) or not 1 <= len(stops) <= 2:
        return raw
    return {**raw, **dict(zip((Stage.STOP.value, Stage.STOP_ELSE.value), stops, strict=False))}


def _used(raw: Mapping[str, Any]) -> list[str]:
    """The drivers that a device's stages name."""
    whole = _with_second_stop(raw)
    tables = [whole.get(stage.value) for stage in _WRITTEN]
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

    def place(self, stage: Stage) -> Route:
        """Where a stage's table stands in the device's."""
        stops = self.document.at((*self.route, Stage.STOP))
        is_split = isinstance(stops, list) and self.raw.get(Stage.STOP) is not stops
        if is_split and stage in (Stage.STOP, Stage.STOP_ELSE, Stage.CUT):
            return (Stage.STOP, 0 if stage is Stage.STOP else 1)
        return (stage,)

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
        if stage is Stage.QUIESCE and (table == WRITERS_OFF or _names_writers(table)):
            self.quiesce_by_writers(table)
            return None
        if not isinstance(table, Mapping):
            words = {Stage.START: START_WORDS[0], Stage.QUIESCE: WRITERS_OFF}
            words_text = f', or "{words[stage]}"' if stage in words else ""
            fix = f'write {stage} = {{ driver = "ssh", … }}{words_text}'
            if stage in (Stage.STOP, Stage.STOP_ELSE):
                fix += ", or a list of two such tables with different drivers"
            self.fault(self.place(stage), "wrong-type", "a table is due here", fix)
            return None
        mine = {key: value for key, value in table.items() if key in _HEAD}
        head = self.validated(StageTable, mine, self.place(stage))
        driver = table.get("driver")
        if not isinstance(driver, str) or not driver:
            return None
        kind = self.kind(driver, stage)
        if kind is None or (stage is Stage.STOP_ELSE and not self.is_second(driver)):
            return None
        is_stop = stage in (Stage.STOP, Stage.STOP_ELSE)
        said = None if head is None else head.cuts
        if said is not None and not is_stop:
            self.cuts_elsewhere(stage)
        cuts = is_stop and (kind.cuts if said is None else said)
        if stage is Stage.STOP_ELSE and cuts:
            stage = Stage.CUT
        if cuts:
            self.out.cutting.add(stage)
        self.out.stages[stage] = driver
        takes_s = None if head is None else head.takes
        usual_s = (CUT_TAKES_S if cuts or (kind.cuts and not is_stop) else TAKES_S)[stage]
        self.out.takes_s[stage] = usual_s if takes_s is None else takes_s
        if stage is Stage.START:
            self.out.starts = Starts.BY_ORDER
        return {key: value for key, value in table.items() if key not in _HEAD}

    def kept_as(self, stage: Stage) -> Stage:
        """The stage that a table was read as: a second way to stop that cuts is one of its own."""
        is_cut = stage is Stage.STOP_ELSE and Stage.CUT in self.out.stages
        return Stage.CUT if is_cut else stage

    def is_second(self, driver: str) -> bool:
        """Whether a driver may be the second way to stop a device; if not, that is a fault."""
        if driver == self.out.stages.get(Stage.STOP):
            self.fault(
                (*self.place(Stage.STOP_ELSE), "driver"),
                "second-stop-same",
                f'driver "{driver}" is the first way to stop it already, and fails as that does',
                "name another driver, or write one table",
            )
            return False
        return True

    def quiesce_by_writers(self, table: object) -> None:
        """Read `quiesce` of a recorder that is quiesced by what writes to it."""
        takes_s = WRITERS_TAKE_S
        if isinstance(table, Mapping):
            found = self.validated(WritersTable, table, (Stage.QUIESCE,))
            if found is not None and found.takes is not None:
                takes_s = found.takes
        self.out.by_writers = True
        self.out.takes_s[Stage.QUIESCE] = takes_s

    def fill_cut(self, own: dict[Stage, dict[str, Any]]) -> None:
        """Have what cuts a device's power also verify that, and undo it, unless the file differs.

        A port that was switched off stays so: without an order that device never comes back.
        """
        stopper = self.out.stages.get(Stage.STOP)
        if Stage.CUT in self.out.stages:
            self.check_unquiesced(Stage.CUT)
            self.check_undone(Stage.CUT)
        if stopper is None or Stage.STOP not in self.out.cutting:
            return
        kind = self.kinds(stopper)
        if Stage.CUT in self.out.stages or Stage.STOP_ELSE in self.out.stages:
            self.fault(
                (*self.place(Stage.STOP), "driver"),
                "cut-first",
                "a cut is the last way to stop a device, and nothing is left to tell after it",
                "write the other way first",
            )
        self.out.is_cut = True
        for stage in (Stage.VERIFY, Stage.START):
            if stage.value not in self.raw and stage in kind.stages and _is_plain(kind, stage):
                own[stage] = {}
                self.out.stages[stage] = stopper
                self.out.takes_s[stage] = CUT_TAKES_S[stage]
                if stage is Stage.START:
                    self.out.starts = Starts.BY_ORDER
        if self.out.starts is Starts.BY_ITSELF:
            self.fault(
                (Stage.START,),
                "cut-not-undone",
                "its power is cut at the feed, which stays so: it never starts by itself",
                "remove start, and its power is given back by the same driver",
            )
        self.check_undone(Stage.STOP)
        self.check_unquiesced(Stage.STOP)

    def check_undone(self, cut: Stage) -> None:
        """Find a cut that nothing in the file gives the power back after."""
        driver = self.out.stages[cut]
        if self.out.stages.get(Stage.START) == driver or _is_plain(self.kinds(driver), Stage.START):
            return
        self.fault(
            (*self.place(cut), "driver"),
            "cut-not-undone",
            "it takes the device's power away, and nothing gives it back",
            f'add start = {{ driver = "{driver}", … }}; or write cuts = false, where it has the '
            "device shut down by itself",
        )

    def cuts_elsewhere(self, stage: Stage) -> None:
        """Say that only a stop can cut."""
        self.fault(
            (*self.place(stage), "cuts"),
            "unknown-key",
            "only a stop takes power away",
            "remove cuts here",
        )

    def check_unquiesced(self, stage: Stage) -> None:
        """Find a device that holds data and would be cut by *stage* without being quiesced."""
        is_at_risk = self.raw.get("role") in _AT_RISK
        if is_at_risk and Stage.QUIESCE.value not in self.raw:
            self.fault(
                self.place(stage),
                "cut-while-writing",
                "its power would be cut while it writes",
                f'add quiesce = {{ … }}, or quiesce = "{WRITERS_OFF}" where it has no interface',
            )

    def access_table(self, driver: str) -> object:
        """Return a driver's access table, filled up from that of the device that feeds this one."""
        own, kind = self.raw.get(driver, {}), self.kinds(driver)
        feeder = self._feeder() if kind.feeder and isinstance(own, Mapping) else None
        if feeder is None:
            return own
        shared, address = feeder.get(driver), feeder.get("address")
        filled = {kind.feeder: address} if isinstance(address, str) and address else {}
        return {**filled, **(shared if isinstance(shared, Mapping) else {}), **own}

    def _feeder(self) -> Mapping[str, Any] | None:
        """The table of the one device that feeds this one, or None."""
        feed = self.raw.get("feed")
        names = feed if isinstance(feed, list) else [feed]
        listed = self.document.value.get("device")
        found = [
            table
            for table in (listed if isinstance(listed, list) else ())
            if isinstance(table, Mapping) and table.get("name") in names
        ]
        return found[0] if len(found) == 1 else None

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
            self.fault(
                (*self.place(stage), "driver"), "unknown-driver", "no driver has this name", near
            )
            return None
        if _served(stage) not in kind.stages:
            served = ", ".join(f'"{known}"' for known in kind.stages) or "nothing"
            self.fault(
                (*self.place(stage), "driver"),
                "driver-cannot",
                f'driver "{driver}" cannot {_served(stage)}: it serves {served}',
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
                model = kind.stages[_served(stage)]
                found = self.validated(model, keys, self.place(stage), also=_HEAD)
                if found is not None:
                    stages[_served(stage)] = found
                    if stage is Stage.QUIESCE:
                        self.out.can_restore = kind.restores(found)
                    if stage is Stage.VERIFY:
                        self.out.settle_s = getattr(found, "settle", 0.0)
        is_cutting = Stage.CUT in own and self.out.stages.get(Stage.CUT) == driver
        if is_cutting and Stage.START not in stages and _is_plain(kind, Stage.START):
            # Whoever cuts must be able to give it back.
            stages[Stage.START] = kind.stages[Stage.START]()
        if access is not None:
            assert isinstance(table, Mapping), "it was validated"
            mine = {_served(stage): stage for stage in own if self.out.stages.get(stage) == driver}
            raw = {
                (Stage.CUT if mine[stage] is Stage.CUT else stage).value: own[mine[stage]]
                for stage in stages
                if stage in mine
            }
            self.out.fitted[driver] = Fitted(kind, access, stages, {driver: table, **raw})

    def fit_watcher(self, own: dict[Stage, dict[str, Any]]) -> None:
        """Fit what watches a port: that of the driver that stops the device, if none is given.

        Where the file has no verify table, it is what verifies.
        """
        stopper = self.out.stages.get(Stage.STOP)
        if stopper == OWN:
            return  # nobody is left to verify that the agent's own box is off
        is_default = stopper is not None and Stage.VERIFY not in self.out.stages
        is_default = is_default and Stage.VERIFY.value not in self.raw
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
                own[stage] = dict(_with_port(keys, kind.stages[_served(stage)], port))
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
            kind = _kind(key, self.kinds)
            if kind is not None and not kind.feeder:
                self.warn(
                    (key,),
                    "unused-table",
                    "no stage of this device names this driver",
                    f'add stop = {{ driver = "{key}", … }}, or remove the table',
                )
        if Stage.VERIFY in self.out.stages and not {"stop", "quiesce"} & set(self.raw):
            self.warn(
                (Stage.VERIFY,),
                "unused-table",
                "nothing brings this device to rest, so nothing is verified",
                "add stop = { … }, or remove verify",
            )


def _is_plain(kind: DriverKind, stage: Stage) -> bool:
    """Whether a driver serves a stage with nothing said of it."""
    model = kind.stages.get(stage)
    return model is not None and not any(f.is_required() for f in model.model_fields.values())


def _served(stage: Stage) -> Stage:
    """The stage that a driver is asked to serve: it does not know whether it is the second."""
    return Stage.STOP if stage in (Stage.STOP_ELSE, Stage.CUT) else stage


def _names_writers(table: object) -> bool:
    return isinstance(table, Mapping) and WRITERS in table


def _with_port(
    table: Mapping[str, Any], model: type[BaseModel], port: int | None
) -> Mapping[str, Any]:
    """Return the table with the port filled in, where its model has one that is not given."""
    if port is None or "port" in table or "port" not in model.model_fields:
        return table
    return {**table, "port": port}
