"""The journal for people and for programs: sentences, JSON, and following it as it grows."""

from __future__ import annotations

import json
import math
import time
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

from agent.errors import JournalError
from agent.journal.codec import VERSION, decode
from agent.journal.file import (
    Row,
    facts,
    file_of,
    newest_rows,
    reading,
    rows_after,
    rows_before,
)
from agent.moment import shown
from policies.events import (
    AgentEnded,
    AgentStarted,
    BatteryFitted,
    BatteryJudged,
    BatteryMeasured,
    BeliefHeld,
    BoxLeft,
    BoxStayed,
    DeviceSeen,
    Event,
    FloorTaken,
    GradeEarned,
    GradeVoided,
    IdentityPinned,
    LightChanged,
    LoadFound,
    LoginRefused,
    NoticeRaised,
    NoticesSilenced,
    OrderClosed,
    OrderGiven,
    OutputArmed,
    OutputBegan,
    OutputDropped,
    OutputFailed,
    OutputReturned,
    OutputWithdrawn,
    PauseSet,
    PlanHeld,
    PollMissed,
    ReadingTaken,
    RehearsalBegan,
    RehearsalEnded,
    SelfTestBegan,
    SelfTestEnded,
    SettingRemembered,
    StepBegan,
    StepEnded,
    SupplyJudged,
    WatchOnlySet,
    WorkDone,
    WorkPlanned,
)
from policies.model import OutputSource, Reading
from policies.night import Light
from policies.output_state import OutputTask
from policies.reasons import duration_text, names_text, sureness_text
from policies.telling import silenced_text

FOLLOW_EVERY_S = 0.5
FORMAT = 1
_INDENT = "    "
_CLOCK_NOTES = {
    True: "from here on the clock is synchronised",
    False: "from here on the clock is not synchronised",
    None: "from here on nobody knows whether the clock is synchronised",
}


# Reading


def rows(
    place: Path,
    *,
    newest: int | None = None,
    after_id: int = 0,
    readings_from: float = -math.inf,
) -> Iterator[Row]:
    """Yield the entries of the journal in *place*, oldest first.

    It is read in small pieces, so that a long export never holds up the agent.

    Args:
        place: the state directory, or a copy of the journal's file.
        newest: only so many of the latest; None = all.
        after_id: only those that follow this entry.
        readings_from: of the readings only those from this site time on, in s.

    Raises:
        JournalError: there is no journal, or it cannot be read.
    """
    with reading(place) as connection:
        if newest is not None:
            yield from (row for row in newest_rows(connection, newest) if row.id > after_id)
            return
        while found := rows_after(connection, after_id, readings_from=readings_from):
            yield from found
            after_id = found[-1].id


def leaf(place: Path, *, before_id: int | None, after_id: int | None, count: int) -> list[Row]:
    """Return one leaf of the journal in *place*, at most *count* entries, oldest first.

    Args:
        place: as in `rows`.
        before_id: only those before this entry; the newest of them, without *after_id*.
        after_id: the oldest of those after this entry.
        count: at most so many.

    Raises:
        JournalError: as `rows`.
    """
    with reading(place) as connection:
        if after_id is not None:
            found = rows_after(connection, after_id, limit=count)
            return [row for row in found if before_id is None or row.id < before_id]
        if before_id is not None:
            return rows_before(connection, before_id, count)
        return newest_rows(connection, count)


def site_facts(place: Path) -> dict[str, str]:
    """Return what the agent wrote down about its site, such as its `time_zone`, by name.

    Raises:
        JournalError: there is no journal, or it cannot be read.
    """
    with reading(place) as connection:
        return facts(connection)


def follow(
    place: Path, *, after_id: int, wait: Callable[[float], None] = time.sleep
) -> Iterator[Row]:
    """Yield entries as they come, for ever; also across a damaged file's replacement by a new one.

    Args:
        place: as in `rows`.
        after_id: the last entry that was shown already.
        wait: takes the seconds to the next look.

    Raises:
        JournalError: there is no journal at the start.
    """
    path = file_of(place)
    known = _identity(path)
    if known is None:
        raise JournalError(
            f"{place} holds no journal; `lastwatt run FILE --state {place}` begins one"
        )
    while True:
        now = _identity(path)
        if now is not None and now != known:
            known, after_id = now, 0
        if now is not None:
            try:
                for row in rows(path, after_id=after_id):
                    after_id = row.id
                    yield row
            except JournalError:
                # It is being replaced at this moment, or will be when the agent starts again.
                if _identity(path) == known:
                    raise
        wait(FOLLOW_EVERY_S)


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


# For programs


def as_json(row: Row) -> dict[str, Any]:
    """Return one entry as `--json` has it: what it is, then the fields of its event.

    A body that is no JSON object stands as text under `damaged`.
    """
    head = {
        "id": row.id,
        "at": row.at,
        "utc": row.utc,
        "boot": row.boot,
        "synced": row.synced,
        "dry": row.dry,
        "kind": row.kind,
        "event_version": row.version,
    }
    try:
        body = json.loads(row.body)
    except ValueError:
        body = None
    return {**body, **head} if isinstance(body, dict) else {**head, "damaged": row.body}


def document(of: Iterable[Row]) -> dict[str, Any]:
    """Return the one document that `journal --json` prints."""
    return {"format": FORMAT, "ok": True, "events": [as_json(row) for row in of]}


def json_lines(of: Iterable[Row]) -> Iterator[str]:
    """Yield each entry as a line of JSON, for `--follow --json` and for a whole export."""
    for row in of:
        yield json.dumps(as_json(row), ensure_ascii=False)


# For people


def lines(of: Iterable[Row], *, zone: tzinfo, with_sent: bool = False) -> Iterator[str]:
    """Yield one line an entry: the site's local time, and what happened in a sentence.

    Dry runs are marked on each line; a clock that is not synchronised only where that begins.

    Args:
        of: the entries.
        zone: the site's time zone.
        with_sent: show beneath each step, indented, what went over the wire.
    """
    was_synced: bool | None = True
    for row in of:
        text, sent = _sentence_and_sent(row, zone)
        notes = ["dry run"] if row.dry else []
        if row.synced is not was_synced:
            notes.append(_CLOCK_NOTES[row.synced])
            was_synced = row.synced
        aside = f" ({', '.join(notes)})" if notes else ""
        yield f"{_local(row.utc, zone)}  {_printable(text)}{aside}"
        if with_sent:
            yield from (f"{_INDENT}{_printable(line)}" for line in sent)


def sentence_of(row: Row, zone: tzinfo) -> str:
    """Return what one entry says, as a sentence; *zone* is the site's."""
    return _printable(_sentence_and_sent(row, zone)[0])


def _sentence_and_sent(row: Row, zone: tzinfo) -> tuple[str, tuple[str, ...]]:
    try:
        event = decode(row.kind, row.version, row.body)
    except ValueError as error:
        return f"entry {row.id} ({row.kind}) is damaged: {error}", ()
    if event is None:
        age = "a newer release" if row.version > VERSION else "another release"
        return f"entry {row.id} ({row.kind}) was written by {age}, which can show it", ()
    return sentence(event, utc=row.utc, zone=zone), event.sent if isinstance(
        event, StepEnded
    ) else ()


def sentence(event: Event, *, utc: str, zone: tzinfo) -> str:  # noqa: C901  # one case an event
    """Return what happened, as a site's owner would say it.

    Args:
        event: what happened.
        utc: when, RFC 3339; only for events that name another time.
        zone: the site's time zone.
    """
    match event:
        case ReadingTaken(reading=reading):
            return f"{reading.unit}: {_reading(reading)}"
        case PollMissed(unit=unit, why=why):
            return f"{unit}: poll missed: {why}"
        case SupplyJudged(unit=unit, supply=supply, why=why):
            return f"{unit}: the supply is {supply.value}: {why}"
        case OrderGiven(order=order):
            return _about(order.device, order.reason.sentence)
        case StepBegan(device=device, act=act):
            return f"{device}: {_words(act)} begins"
        case StepEnded(device=device, act=act, verdict=verdict):
            advice = f" ({event.advice})" if event.advice else ""
            return f"{device}: {_words(act)} {verdict}: {event.evidence}{advice}"
        case SettingRemembered(device=device, stage=stage, was=was):
            return f"{device}: before {_words(stage)} it was set to: {was}"
        case OrderClosed(device=device, task=task, ending=ending):
            return f"{device}: order to {task.value} ended, {ending.value}: {event.evidence}"
        case DeviceSeen(device=device, evidence=evidence):
            return f"{device}: seen running again: {evidence}"
        case PauseSet(at=at, until_at=until_at, who=who):
            if until_at <= at:
                return f"pause ended by {who}: orders are given again"
            until = _local(utc, zone, later_s=until_at - at)
            return f"pause until {until}, set by {who}: no automatic orders"
        case NoticeRaised(severity=severity, about=about, text=text):
            return f"{severity}: {_about(about, text)}"
        case NoticesSilenced(at=at, until_at=until_at, who=who):
            what = silenced_text(event.topic, event.about)
            if until_at <= at:
                return f"{who} has {what} told again"
            until = _local(utc, zone, later_s=until_at - at)
            return f"{who} has silenced {what} until {until}"
        case (
            OutputBegan()
            | OutputArmed()
            | OutputWithdrawn()
            | OutputFailed()
            | OutputDropped()
            | OutputReturned()
        ):
            return f"{event.unit}: {_output(event)}"
        case AgentStarted(version=version, dry_run=dry_run):
            return f"lastwatt {version} started{'; nothing will be sent' if dry_run else ''}"
        case AgentEnded(why=why):
            return f"lastwatt ended: {why}"
        case GradeEarned(device=device, grade=grade, evidence=evidence):
            return f"{device}: {grade}, {evidence}"
        case LoginRefused(device=device, evidence=evidence):
            return f"{device}: our login was refused: {evidence}"
        case GradeVoided(device=device, grade=grade, why=why):
            return f"{device}: no longer {grade}: {why}"
        case IdentityPinned(units=units, who=who):
            pinned = names_text(list(units)) if units else "no unit: none has an engine ID"
            return f"this box is the site's, as {who} said; pinned with it: {pinned}"
        case WatchOnlySet(cause=cause, why=why):
            return f"it only watches: {why}" if why else f"{cause}: it is as it was pinned again"
        case BoxLeft(device=device, why=why) | BoxStayed(device=device, why=why):
            return f"{device}: {why}"
        case SelfTestBegan(unit=unit):
            return f"{unit}: it is told to test its battery"
        case SelfTestEnded(unit=unit, verdict=verdict, evidence=evidence):
            return f"{unit}: the test of its battery: {verdict}: {evidence}"
        case WorkPlanned(work=work):
            return f"{work}: done regularly from now on"
        case WorkDone(work=work, is_well=is_well, why=why):
            late = f"late, it was due on {_local_of(event.due, zone)}; " if event.is_late else ""
            return f"{work}{'' if is_well else ' could not be done'}: {late}{why}"
        case RehearsalBegan(who=who):
            return f"a rehearsal begins, as {who} asked: nothing is sent to anybody"
        case RehearsalEnded(why=why):
            return f"the rehearsal is over: {why}"
        case FloorTaken(why=why):
            return f"the floor holds: everything comes to rest in plain order, since {why}"
        case LightChanged(light=light):
            return f"the light at the site: {light.value}"
        case BatteryFitted() | BatteryMeasured() | BatteryJudged() | LoadFound():
            return f"{event.unit}: {_learnt(event)}"
        case BeliefHeld(unit=unit, load_w=load_w):
            return (
                f"{unit}: its battery lasts at least {duration_text(event.lower_s)} "
                f"({sureness_text(event.quantile)}; {duration_text(event.median_s)} likely) at "
                f"{load_w:.0f} W"
            )
        case PlanHeld(at=at, stops=stops):
            told = [s for s in stops if math.isfinite(s.on_until_at)]
            said = [f"{s.device} {_local(utc, zone, later_s=s.on_until_at - at)}" for s in told]
            return f"the plan, on until: {', '.join(said) or 'nothing ends'}"


def _learnt(event: BatteryFitted | BatteryMeasured | BatteryJudged | LoadFound) -> str:
    match event:
        case BatteryFitted(on=on, who=who):
            return f"battery fitted on {on}, by {who}"
        case BatteryMeasured(how=how):
            return (
                f"its battery holds {event.energy_wh:.0f} Wh "
                f"({event.low_wh:.0f} to {event.high_wh:.0f} Wh), by {how}"
            )
        case BatteryJudged(why=why):
            return why
        case LoadFound(light=light, watts=watts):
            when = "" if light is Light.UNKNOWN else f" by {light.value}"
            return f"with everything on it carries {watts:.0f} W{when}"


def _output(
    event: OutputBegan
    | OutputArmed
    | OutputWithdrawn
    | OutputFailed
    | OutputDropped
    | OutputReturned,
) -> str:
    match event:
        case OutputBegan(task=OutputTask.ARM, why=why):
            return f"its output is being armed: {why}"
        case OutputBegan(why=why):
            return f"its output is not to drop after all: {why}"
        case OutputArmed(evidence=evidence):
            return f"its output is armed: {evidence}"
        case OutputWithdrawn(evidence=evidence):
            return f"its output stays on: {evidence}"
        case OutputFailed(task=task, evidence=evidence):
            return f"its output could not be {_DONE_TO_OUTPUT[task]}: {evidence}"
        case OutputDropped(evidence=evidence):
            return f"its output has dropped: {evidence}"
        case OutputReturned(evidence=evidence):
            return f"its output is on: {evidence}"


_DONE_TO_OUTPUT = {OutputTask.ARM: "armed", OutputTask.WITHDRAW: "withdrawn"}


def _about(name: str, text: str) -> str:
    return text if text.lower().startswith(name.lower()) else f"{name}: {text}"


def _words(name: str) -> str:
    return name.replace("_", " ")


_SOURCES = {
    OutputSource.OTHER: "on another source",
    OutputSource.NONE: "output off",
    OutputSource.NORMAL: "on mains",
    OutputSource.BYPASS: "on bypass",
    OutputSource.BATTERY: "on battery",
    OutputSource.BOOSTER: "on mains, boosted",
    OutputSource.REDUCER: "on mains, reduced",
}


def _reading(reading: Reading) -> str:
    said = [
        "source not told" if reading.output_source is None else _SOURCES[reading.output_source],
        _said(reading.charge, lambda v: f"charge {v:.0%}"),
        _said(reading.runtime_s, lambda v: f"{v / 60.0:.0f} min by its own estimate"),
        _said(reading.output_w, lambda v: f"{v:.0f} W"),
        _said(reading.load_share, lambda v: f"load {v:.0%}"),
        _said(reading.battery_v, lambda v: f"{v:.1f} V"),
        ", ".join(sorted(alarm.value for alarm in reading.alarms)),
        "; ".join(f"{_words(name)} in doubt: {why}" for name, why in reading.doubts.items()),
    ]
    return ", ".join(part for part in said if part)


def _said(value: float | None, words: Callable[[float], str]) -> str:
    return "" if value is None else words(value)


def _local(utc: str, zone: tzinfo, *, later_s: float = 0.0) -> str:
    try:
        local = (datetime.fromisoformat(utc) + timedelta(seconds=later_s)).astimezone(zone)
    except (ValueError, OverflowError):
        return utc
    return shown(local, "%Y-%m-%d %H:%M:%S")


def _local_of(at: datetime, zone: tzinfo) -> str:
    return shown(at.astimezone(zone), "%Y-%m-%d at %H:%M")


def _printable(text: str) -> str:
    """Return *text* on one line, without what would steer a terminal: devices wrote part of it."""
    return "".join(
        char if char.isprintable() else " " if char.isspace() else "\N{REPLACEMENT CHARACTER}"
        for char in text
    ).strip()
