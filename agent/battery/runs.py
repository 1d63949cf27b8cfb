"""The file of measured full runs: a CSV whose first line names its columns.

Needed are `watts` and `hours`; known are also `charge` (percent at the start, default 100),
`temperature_c`, `date`, `note`, and `or_watts`, a second figure for a load that was metered in two
ways that do not agree. Blank lines, and lines that begin with #, say nothing.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from agent.config.faults import Fault, Severity, did_you_mean
from agent.errors import ConfigError

NEEDED = ("watts", "hours")
OPTIONAL = ("charge", "temperature_c", "date", "note", "or_watts")

_LARGEST_BYTES = 1_000_000
_MOST_ROWS = 1_000
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")


Trouble = tuple[str, str, str] | None
"""Code, what is wrong with a value, what to write instead; None = nothing is."""

Check = Callable[[float], Trouble]


@dataclass(frozen=True, slots=True)
class RunRow:
    """One measured run as the file has it.

    Attributes:
        line: of the file, from 1.
        watts: load at the output; 0 = nothing was plugged in.
        charge_percent: at its start.
        or_watts: another figure for the same load, or None.
    """

    line: int
    watts: float
    hours: float
    charge_percent: float = 100.0
    temperature_c: float | None = None
    on: date | None = None
    note: str = ""
    or_watts: float | None = None


@dataclass(frozen=True, slots=True)
class RunsFile:
    """What a file of runs says.

    Attributes:
        rows: the runs that can be read, from top to bottom.
        faults: what is wrong; with an error among them, rows are missing.
    """

    rows: tuple[RunRow, ...]
    faults: tuple[Fault, ...]

    @property
    def is_readable(self) -> bool:
        """Whether every line was understood."""
        return all(fault.severity is not Severity.ERROR for fault in self.faults)


def read_runs(path: Path, *, today: date) -> RunsFile:
    """Return the runs in the file at *path*, and everything that is wrong with it.

    Raises:
        ConfigError: it cannot be read at all.
    """
    lines = _text(path).splitlines()
    reading = _Reading(str(path), today)
    told = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not told:
        raise ConfigError(f"{path}: nothing is in it; begin it with the line `watts,hours`")
    if reading.read_header(*told[0]):
        for number, line in told[1 : _MOST_ROWS + 1]:
            reading.read_row(number, line)
        if len(told) - 1 > _MOST_ROWS:
            reading.wrong(
                told[_MOST_ROWS + 1][0],
                "",
                "too-many",
                f"more than {_MOST_ROWS} runs",
                "keep those of the battery that is fitted now",
            )
    return RunsFile(tuple(reading.rows), tuple(reading.faults))


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        why = (error.strerror or "it cannot be read").lower()
        raise ConfigError(f"{path}: {why}; name a CSV file of full runs") from error
    if len(raw) > _LARGEST_BYTES:
        raise ConfigError(f"{path}: this is no file of runs: it has more than a megabyte")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: this is no text in UTF-8; save it as CSV, UTF-8") from error


@dataclass(slots=True)
class _Reading:
    """A file while it is read, line by line."""

    file: str
    today: date
    columns: tuple[str, ...] = ()
    rows: list[RunRow] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)

    def wrong(self, line: int, key: str, code: str, message: str, fix: str) -> None:
        """Note what is wrong."""
        self.faults.append(Fault(self.file, line, key or "runs", code, message, fix))

    def read_header(self, line: int, text: str) -> bool:
        """Read the names of the columns; False where nothing below can be understood."""
        names = tuple(cell.strip().lower() for cell in _cells(text))
        begin = "begin the file with a line that names its columns: watts,hours"
        if any(_NUMBER.fullmatch(name) for name in names):
            self.wrong(
                line, "", "no-header", "the first line has figures, and no names or units", begin
            )
            return False
        if len(names) == 1 and re.search(r"[;\t]", text):
            self.wrong(
                line,
                "",
                "wrong-delimiter",
                "the columns are not parted by commas",
                "save it with commas between columns and points in numbers",
            )
            return False
        if len(set(names)) != len(names):
            self.wrong(line, "", "duplicate-column", "a column is named twice", "name each once")
            return False
        missing = [name for name in NEEDED if name not in names]
        for name in missing:
            self.wrong(
                line, name, "no-column", f"no column is called {name}", f"{begin}{_hint(names)}"
            )
        for name in names:
            if name not in NEEDED + OPTIONAL and not missing:
                self.faults.append(
                    Fault(
                        self.file,
                        line,
                        name or "runs",
                        "unknown-column",
                        "this column is not known, and not read",
                        did_you_mean(name, NEEDED + OPTIONAL),
                        Severity.WARNING,
                    )
                )
        self.columns = names
        return not missing

    def read_row(self, line: int, text: str) -> None:
        """Read one run."""
        cells = [cell.strip() for cell in _cells(text)]
        while len(cells) > len(self.columns) and not cells[-1]:
            cells.pop()  # a spreadsheet's idea of an empty column
        if len(cells) > len(self.columns) or len(cells) < 2:
            self.wrong(
                line,
                "",
                "wrong-count",
                f"{len(cells)} values stand here, and {len(self.columns)} columns above",
                "write a value for each column, points in numbers, a note with commas in quotes",
            )
            return
        values = dict(zip(self.columns, cells, strict=False))
        known = len(self.faults)
        read = {name: check(self, line, values) for name, check in _COLUMNS.items()}
        on = self._date(line, values.get("date", ""))
        if len(self.faults) > known:
            return
        watts, hours, charge = read["watts"], read["hours"], read["charge"]
        assert watts is not None and hours is not None, "a missing figure is a fault"
        self.rows.append(
            RunRow(
                line=line,
                watts=watts,
                hours=hours,
                charge_percent=100.0 if charge is None else charge,
                temperature_c=read["temperature_c"],
                on=on,
                note=values.get("note", ""),
                or_watts=read["or_watts"],
            )
        )

    def number(self, line: int, name: str, text: str) -> float | None:
        """Return the number that *text* is, or None, with what is wrong noted."""
        if _NUMBER.fullmatch(text) and len(text) < 40:
            return float(text)
        self.wrong(
            line,
            name,
            "bad-number",
            "this is no number",
            "write the figure alone, without its unit: 33.3, and 2 h 48 min as 2.8",
        )
        return None

    def _date(self, line: int, text: str) -> date | None:
        if not text:
            return None
        try:
            on = date.fromisoformat(text)
        except ValueError:
            self.wrong(line, "date", "bad-date", "this is no date", "write it like 2026-03-01")
            return None
        if on > self.today:
            self.wrong(line, "date", "bad-date", "this date is yet to come", "correct it")
            return None
        return on


def _cells(text: str) -> list[str]:
    try:
        return next(csv.reader([text], skipinitialspace=True))
    except csv.Error:
        return []


def _hint(names: tuple[str, ...]) -> str:
    if any(name.startswith("min") for name in names):
        return "; 33 minutes are 0.55 hours"
    return ""


Reader = Callable[[_Reading, int, Mapping[str, str]], float | None]
"""What reads a column: from a line's number and values; None where it is empty or wrong."""


def _needed(name: str, check: Check) -> Reader:
    """Return what reads a column that every run must have."""

    def read(reading: _Reading, line: int, values: Mapping[str, str]) -> float | None:
        text = values.get(name, "")
        if not text:
            reading.wrong(
                line, name, "no-value", "this value is missing", "write it, or remove the run"
            )
            return None
        return _checked(reading, line, name, text, check)

    return read


def _optional(name: str, check: Check) -> Reader:
    """Return what reads a column that may be missing or empty."""

    def read(reading: _Reading, line: int, values: Mapping[str, str]) -> float | None:
        text = values.get(name, "")
        return _checked(reading, line, name, text, check) if text else None

    return read


def _checked(
    reading: _Reading,
    line: int,
    name: str,
    text: str,
    check: Check,
) -> float | None:
    value = reading.number(line, name, text)
    trouble = None if value is None else check(value)
    if trouble is None:
        return value
    reading.wrong(line, name, *trouble)
    return None


def _bad_watts(watts: float) -> Trouble:
    if watts < 0.0:
        return "negative", "a load is not below zero", "write what the meter showed; nothing is 0"
    if watts > 1e6:
        return "too-large", "no unit here carries a megawatt", "write it in watts"
    return None


def _bad_hours(hours: float) -> Trouble:
    if hours <= 0.0:
        return "negative", "a run lasts longer than no time", "write its hours: 33 minutes are 0.55"
    if hours > 10_000.0:
        return "too-large", "no battery here lasts a year", "write it in hours"
    return None


def _bad_charge(charge: float) -> Trouble:
    if charge <= 0.0 or charge > 100.0:
        return "bad-charge", "a charge lies above 0 and up to 100", "write percent, like 95"
    if charge <= 1.0:
        return "bad-charge", "a run from 1 % or less is none", "write percent: 95, and not 0.95"
    return None


def _bad_temperature(celsius: float) -> Trouble:
    if -40.0 <= celsius <= 80.0:
        return None
    return "bad-temperature", "no battery is run at this", "write degrees Celsius, like 21"


def _bad_other_watts(watts: float) -> Trouble:
    return _bad_watts(watts) if watts != 0.0 else ("negative", "this is zero", "leave it empty")


_COLUMNS: Mapping[str, Reader] = {
    "watts": _needed("watts", _bad_watts),
    "hours": _needed("hours", _bad_hours),
    "charge": _optional("charge", _bad_charge),
    "temperature_c": _optional("temperature_c", _bad_temperature),
    "or_watts": _optional("or_watts", _bad_other_watts),
}
