"""What came of a rehearsal, as it is kept and shown; all moments are seconds after mains failed."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from policies.reasons import duration_text, names_text

FORMAT = 1


class Fate(StrEnum):
    """How a device ended an outage."""

    STAYED_ON = "stayed on"
    AT_REST = "at rest"
    GAVE_WAY = "without power"  # nothing is told it, and nothing of it can be lost
    UNSAVED = "unsaved"  # it lost its power, or what it writes to, in mid-writing
    NO_BATTERY = "off with mains"  # no battery stands behind it
    UNTOUCHED = "not touched"  # no order may reach it, as the file has it


@dataclass(frozen=True, slots=True)
class Told:
    """One order.

    Attributes:
        at_s: when it was given; ended_s: when it had ended, None = it had not.
        task: rest or start. code, reason: why, as a word and as a sentence.
        ending, evidence: how it ended.
        sent: what would go over the wire, a line each, secrets masked.
    """

    device: str
    at_s: float
    task: str
    code: str
    reason: str
    in_short: bool = False
    ended_s: float | None = None
    ending: str = ""
    evidence: str = ""
    sent: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Written:
    """One object of RFC 1628's control group that would be set at a unit."""

    unit: str
    at_s: float
    name: str
    value: int


@dataclass(frozen=True, slots=True)
class Span:
    """From when until when a device was in a phase; None = until the end."""

    phase: str
    from_s: float
    to_s: float | None


@dataclass(frozen=True, slots=True)
class DeviceResult:
    """One device.

    Attributes:
        stopped_s: when it was told to rest; rested_s: when it was at rest.
        dark_s: when it lost its power, told or not; back_s: when it ran again.
        hold_s: how long its owner wants it on; held: whether it was, or as long as mains was away.
        settings: fingerprint of what the file says of it.
        was_gone_through: an order to rest was gone through to its end.
    """

    name: str
    role: str
    fate: Fate
    stopped_s: float | None
    rested_s: float | None
    dark_s: float | None
    back_s: float | None
    hold_s: float
    held: bool
    reason: str
    spans: tuple[Span, ...]
    settings: str
    was_gone_through: bool


@dataclass(frozen=True, slots=True)
class Sample:
    """A unit at one moment; lower and median are how much longer it lasts, None = not known."""

    at_s: float
    load_w: float
    lower_s: float | None
    median_s: float | None
    charge: float


@dataclass(frozen=True, slots=True)
class UnitResult:
    """One backup unit.

    Attributes:
        lower_s, median_s: how long its battery lasts under the load at the beginning.
        ended_s: when its battery was empty, None = it never was.
        left: share of the battery that was left as mains came back.
    """

    name: str
    load_w: float
    lower_s: float | None
    median_s: float | None
    ended_s: float | None
    left: float
    samples: tuple[Sample, ...] = ()


@dataclass(frozen=True, slots=True)
class Result:
    """One rehearsal, from mains failing to everything being back.

    Attributes:
        name: its own, which sorts by when it was begun.
        made_utc: when; who: asked for it.
        begins: when mains failed, in the site's time.
        mains_back_s: when it returned; ended_s: when it was over.
        strength: of the batteries, "likely" or "weak".
        file: digest of the site's file.
        remarks: what is to be known with it, a sentence each.
        notices: what people would have been told: (when, severity, text).
        failures: faults of the agent's own in it; there should be none.
    """

    name: str
    site: str
    made_utc: datetime
    who: str
    begins: datetime
    mains_back_s: float
    ended_s: float
    strength: str
    file: str
    units: tuple[UnitResult, ...]
    devices: tuple[DeviceResult, ...]
    orders: tuple[Told, ...]
    written: tuple[Written, ...] = ()
    notices: tuple[tuple[float, str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    failures: tuple[str, ...] = ()

    @property
    def unsaved(self) -> list[str]:
        """What lost its power, or what it writes to, in mid-writing."""
        return [each.name for each in self.devices if each.fate is Fate.UNSAVED]

    @property
    def unmet(self) -> list[str]:
        """Devices that went before the time that their owner wants them on."""
        return [each.name for each in self.devices if not each.held]

    @property
    def not_back(self) -> list[str]:
        """Devices that did not run again at the end: somebody would have to start them."""
        return [
            each.name
            for each in self.devices
            if each.back_s is None and (each.stopped_s is not None or each.dark_s is not None)
        ]

    @property
    def ok(self) -> bool:
        """Whether all was saved and held, and no code failed."""
        return not (self.unsaved or self.unmet or self.failures)

    @property
    def sentence(self) -> str:
        """The result in one sentence."""
        if self.failures:
            return f"lastwatt's own code failed in it: {self.failures[0]}"
        if self.unsaved:
            return f"{names_text(self.unsaved)} would lose power in mid-writing"
        saved = "all would be saved and every hold time kept"
        if self.unmet:
            saved = (
                f"all would be saved, and {names_text(self.unmet)} would go before its hold time"
            )
        if self.not_back:
            saved += f"; {names_text(self.not_back)} would stay off until somebody starts it"
        return saved


@cache
def _adapter() -> TypeAdapter[Result]:
    return TypeAdapter(Result)


def as_document(result: Result) -> dict[str, Any]:
    """Return it JSON-ready, with what follows from it."""
    return {
        **_plain(result),
        "ok": result.ok,
        "sentence": result.sentence,
        "unsaved": result.unsaved,
        "unmet": result.unmet,
        "not_back": result.not_back,
    }


def to_text(result: Result) -> str:
    """Return it as it is kept."""
    return json.dumps({"format": FORMAT, **_plain(result)}, ensure_ascii=False)


def _plain(result: Result) -> dict[str, Any]:
    """Return its own fields, JSON-ready."""
    body: dict[str, Any] = json.loads(_adapter().dump_json(result))
    return body


def from_text(text: str) -> Result:
    """Return what `to_text` made.

    Raises:
        ValueError: it is none, or of a later format.
    """
    said = json.loads(text)
    if not isinstance(said, dict) or said.pop("format", None) != FORMAT:
        raise ValueError("it is of another format")
    return from_document(said)


def from_document(said: Mapping[str, Any]) -> Result:
    """Return the result that `as_document` made *said* of.

    Raises:
        ValueError: it is none.
    """
    try:
        return _adapter().validate_python(dict(said), strict=False)
    except ValidationError as error:
        raise ValueError(f"it is damaged: {error.error_count()} fields") from None


def lines(result: Result) -> Iterator[str]:
    """Yield it for people: the sentence, then each order, then what would go over the wire."""
    yield f"{result.site}, rehearsed: mains fails at {result.begins:%Y-%m-%d %H:%M:%S %Z}"
    yield result.sentence + "."
    yield f"Mains came back after {duration_text(result.mains_back_s)}."
    for unit in result.units:
        yield (
            f"{unit.name}: at {unit.load_w:.0f} W its battery lasts at least "
            f"{_span(unit.lower_s)}, {_span(unit.median_s)} likely; "
            + (
                f"it was empty after {duration_text(unit.ended_s)}"
                if unit.ended_s is not None
                else f"{100.0 * unit.left:.0f} % were left as mains came back"
            )
        )
    yield ""
    for order in result.orders:
        yield f"{clock(order.at_s)}  {order.device}: {order.reason}"
        until = "" if order.ended_s is None else f", at {clock(order.ended_s)}"
        if order.ending:
            yield f"          {order.ending}{until}: {order.evidence}"
    for each in result.written:
        yield f"{clock(each.at_s)}  {each.unit}: {each.name} = {each.value}"
    yield ""
    for device in result.devices:
        yield f"{device.name}: {device.fate.value}{_when(device)}"
    for remark in result.remarks:
        yield f"Note: {remark}"


def sent_lines(result: Result) -> Iterator[str]:
    """Yield what would go over the wire."""
    for order in result.orders:
        if order.sent:
            yield f"{clock(order.at_s)}  {order.device}"
            yield from (f"          {line}" for line in order.sent)


def _when(device: DeviceResult) -> str:
    said = []
    if device.rested_s is not None:
        said.append(f"at rest after {duration_text(device.rested_s)}")
    if device.dark_s is not None:
        said.append(f"without power after {duration_text(device.dark_s)}")
    if device.back_s is not None:
        said.append(f"runs again after {duration_text(device.back_s)}")
    if not device.held:
        said.append(f"not held for {duration_text(device.hold_s)}")
    return f" ({', '.join(said)})" if said else ""


def _span(seconds: float | None) -> str:
    return "an unknown time" if seconds is None else duration_text(seconds)


def clock(at_s: float) -> str:
    """Return seconds after mains failed as "0:04:10"."""
    sign, whole = ("-" if at_s < 0 else ""), abs(round(at_s))
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
