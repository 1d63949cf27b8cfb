"""The journal as people and programs see it, whether or not an agent is at work on it."""

import dataclasses
import json
import math
import os
import shutil
import sqlite3
import subprocess
import typing
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.errors import JournalError
from agent.journal.codec import EVENT_CLASSES, encode, kind_of
from agent.journal.file import NAME, Row, insert, open_to_write, set_aside
from agent.journal.view import (
    FOLLOW_EVERY_S,
    as_json,
    document,
    follow,
    json_lines,
    lines,
    rows,
    site_facts,
)
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
    Ending,
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
    StopForetold,
    SupplyJudged,
    WatchOnlySet,
    WorkDone,
    WorkPlanned,
)
from policies.model import Alarm, OutputSource, Reading, Task
from policies.night import Light
from policies.output_state import OutputTask
from policies.supply import Supply
from tests.agent.journals import given, held, open_journal
from tests.fakes import START_UTC, FakeClock

LISBON = ZoneInfo("Europe/Lisbon")
SUMMER_UTC = "2026-07-01T22:41:07.250Z"  # 23:41:07 in Lisbon, an hour ahead in summer


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def row_of(event: Event, **more: typing.Any) -> Row:
    """Return an entry that holds *event*."""
    row = Row(
        7, 1, "boot-1", 1.0, event.at, SUMMER_UTC, True, False, kind_of(type(event)), encode(event)
    )
    return dataclasses.replace(row, **more)


def line_of(event: Event, **more: typing.Any) -> str:
    """Return the one line that people get for *event*."""
    (line,) = lines([row_of(event, **more)], zone=LISBON)
    return line


READING = Reading(
    "cabinet",
    1.0,
    output_source=OutputSource.BATTERY,
    runtime_s=1260.0,
    charge=0.63,
    output_w=45.2,
    alarms=frozenset({Alarm.ON_BATTERY}),
    doubts={"battery_v": "stuck"},
)
SAID: list[tuple[Event, str]] = [
    (
        ReadingTaken(1.0, READING),
        "cabinet: on battery, charge 63%, 21 min by its own estimate, 45 W, upsAlarmOnBattery, "
        "battery v in doubt: stuck",
    ),
    (PollMissed(1.0, "cabinet", "silent for 2 s"), "cabinet: poll missed: silent for 2 s"),
    (given(1.0), "gate recorder: stopping now"),
    (StepBegan(1.0, "g#1", "gate recorder", "confirm_gone"), "gate recorder: confirm gone begins"),
    (
        StepEnded(1.0, "g#1", "gate recorder", "stop", "refused", "it said 401", "mend the login"),
        "gate recorder: stop refused: it said 401 (mend the login)",
    ),
    (
        OrderClosed(1.0, "g#1", "gate recorder", Task.REST, Ending.AT_REST, "silent for 10 s"),
        "gate recorder: order to rest ended, at rest: silent for 10 s",
    ),
    (
        DeviceSeen(1.0, "gate recorder", "port 22 answers"),
        "gate recorder: seen running again: port 22 answers",
    ),
    (
        PauseSet(1.0, 3601.0, "ana"),
        "pause until 2026-07-02 00:41:07, set by ana: no automatic orders",
    ),
    (PauseSet(1.0, 1.0, "ana"), "pause ended by ana: orders are given again"),
    (
        SupplyJudged(1.0, "cabinet", Supply.BATTERY, "mains failed"),
        "cabinet: the supply is battery: mains failed",
    ),
    (NoticeRaised(1.0, "error", "cabinet", "its disk is full"), "error: cabinet: its disk is full"),
    (
        NoticesSilenced(1.0, "battery", "cabinet", 3601.0, "ana"),
        "ana has silenced notices of battery about cabinet until 2026-07-02 00:41:07",
    ),
    (NoticesSilenced(1.0, "alarm", "", 1.0, "ana"), "ana has notices of alarm told again"),
    (AgentStarted(1.0, "0.1.0", True), "lastwatt 0.1.0 started; nothing will be sent"),
    (AgentEnded(1.0, "SIGTERM"), "lastwatt ended: SIGTERM"),
    (
        FloorTaken(1.0, "a fault"),
        "the floor holds: everything comes to rest in plain order, since a fault",
    ),
    (LightChanged(1.0, Light.NIGHT), "the light at the site: night"),
    (
        BatteryFitted(1.0, "cabinet", date(2026, 6, 30), -80_000.0, "ana"),
        "cabinet: battery fitted on 2026-06-30, by ana",
    ),
    (
        BatteryMeasured(1.0, "cabinet", date(2026, 7, 1), 200.4, 180.0, 222.0, "a full discharge"),
        "cabinet: its battery holds 200 Wh (180 to 222 Wh), by a full discharge",
    ),
    (
        BatteryJudged(1.0, "cabinet", "worn", "battery ageing: it holds 76 % of a new one"),
        "cabinet: battery ageing: it holds 76 % of a new one",
    ),
    (
        LoadFound(1.0, "cabinet", Light.NIGHT, 112.0, 1.0, False),
        "cabinet: with everything on it carries 112 W by night",
    ),
    (
        OutputBegan(1.0, "cabinet", OutputTask.ARM, "all at rest"),
        "cabinet: its output is being armed: all at rest",
    ),
    (
        OutputArmed(1.0, "cabinet", 121.0, 181.0, "it drops in 2 min"),
        "cabinet: its output is armed: it drops in 2 min",
    ),
    (
        OutputWithdrawn(1.0, "cabinet", "-1 read back"),
        "cabinet: its output stays on: -1 read back",
    ),
    (
        OutputFailed(1.0, "cabinet", OutputTask.WITHDRAW, "it counts on", 90.0),
        "cabinet: its output could not be withdrawn: it counts on",
    ),
    (OutputDropped(1.0, "cabinet", "seen"), "cabinet: its output has dropped: seen"),
    (OutputReturned(1.0, "cabinet", "seen"), "cabinet: its output is on: seen"),
    (
        SettingRemembered(1.0, "g#1", "gate recorder", "quiesce", "port 3 on"),
        "gate recorder: before quiesce it was set to: port 3 on",
    ),
    (BoxLeft(1.0, "warden", "powering itself off"), "warden: powering itself off"),
    (BoxStayed(1.0, "warden", "still on"), "warden: still on"),
    (
        BeliefHeld(1.0, "cabinet", 580.0, 1260.0, 0.05, 96.4, 0.4, 0.8),
        "cabinet: its battery lasts at least 9 min 40 s (95 % sure; 21 min likely) at 96 W",
    ),
    (
        PlanHeld(
            1.0,
            0.5,
            0.0,
            (
                StopForetold("desk", "gives way", 61.0, 91.0, 0.0),
                StopForetold("modem", "never touched", math.inf, math.inf, 0.0),
            ),
        ),
        "the plan, on until: desk 2026-07-01 23:42:07",
    ),
    (
        GradeEarned(1.0, "desk", "drilled", date(2026, 7, 1), "seen to be gone, and to run again"),
        "desk: drilled, seen to be gone, and to run again",
    ),
    (SelfTestBegan(1.0, "cabinet", 300.0), "cabinet: it is told to test its battery"),
    (
        SelfTestEnded(1.0, "cabinet", "passed", "cells even"),
        "cabinet: the test of its battery: passed: cells even",
    ),
    (
        WorkPlanned(1.0, "monthly digest", datetime(2026, 11, 25, tzinfo=UTC)),
        "monthly digest: done regularly from now on",
    ),
    (
        WorkDone(1.0, "monthly digest", datetime(2026, 11, 1, tzinfo=UTC), True, True, "sent"),
        "monthly digest: late, it was due on 2026-11-01 at 00:00; sent",
    ),
    (
        WorkDone(1.0, "monthly digest", datetime(2026, 11, 1, tzinfo=UTC), False, False, "lost"),
        "monthly digest could not be done: lost",
    ),
    (
        RehearsalBegan(1.0, "20261125T163000000", "Ana"),
        "a rehearsal begins, as Ana asked: nothing is sent to anybody",
    ),
    (
        RehearsalEnded(1.0, "20261125T163000000", True, "all would be saved"),
        "the rehearsal is over: all would be saved",
    ),
    (
        LoginRefused(1.0, "desk", "salt$hash", "wrong password"),
        "desk: our login was refused: wrong password",
    ),
    (
        GradeVoided(1.0, "desk", "drilled", "its settings were changed"),
        "desk: no longer drilled: its settings were changed",
    ),
    (
        IdentityPinned(1.0, "5f0c", {"cabinet": "80001f88"}, "ana"),
        "this box is the site's, as ana said; pinned with it: cabinet",
    ),
    (WatchOnlySet(1.0, "box", "it is a copy"), "it only watches: it is a copy"),
    (WatchOnlySet(1.0, "box", ""), "box: it is as it was pinned again"),
]


@pytest.mark.parametrize(("event", "said"), SAID, ids=lambda value: type(value).__name__)
def test_each_event_is_a_sentence_in_the_sites_own_time(event: Event, said: str) -> None:
    """The owner reads the journal after the outage, on the wall clock of the site."""
    assert line_of(event) == f"2026-07-01 23:41:07  {said}"


def test_no_event_is_without_its_sentence() -> None:
    """An event that was added and cannot be shown would end the command in mid-journal."""
    assert {type(event) for event, _ in SAID} == set(EVENT_CLASSES.values())


def test_dry_runs_are_marked_on_every_line() -> None:
    """Nobody may read of a stop that was not sent, and believe it."""
    assert line_of(given(1.0), dry=True).endswith("stopping now (dry run)")


def test_a_clock_that_is_not_synchronised_is_named_where_that_begins() -> None:
    """Wall times around a cold start may be hours off; the reader has to know which."""
    said = lines(
        [row_of(given(1.0), synced=synced) for synced in (True, False, False, None, True)],
        zone=LISBON,
    )

    assert [line.partition(" (")[2] for line in said] == [
        "",
        "from here on the clock is not synchronised)",
        "",
        "from here on nobody knows whether the clock is synchronised)",
        "from here on the clock is synchronised)",
    ]


def test_what_was_sent_stands_indented_beneath_when_asked_for() -> None:
    """The proof of what went over the wire, for whoever wants it."""
    event = StepEnded(1.0, "g#1", "a", "stop", "done", "ok", sent=("POST /stop", "Cookie: ***"))

    assert list(lines([row_of(event)], zone=LISBON, with_sent=True))[1:] == [
        "    POST /stop",
        "    Cookie: ***",
    ]


def test_a_device_cannot_steer_the_terminal() -> None:
    """Evidence quotes devices; an escape sequence in it would rewrite the owner's screen."""
    line = line_of(StepEnded(1.0, "g#1", "a", "stop", "done", "\x1b[2Jgone\r\nat once\x9b1m"))

    assert line.endswith("a: stop done: \ufffd[2Jgone  at once\ufffd1m")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"kind": "sang_song"}, "entry 7 (sang_song) was written by another release"),
        ({"version": 9}, "entry 7 (gave_order) was written by a newer release"),
        ({"body": "{"}, "entry 7 (gave_order) is damaged"),
        ({"utc": "tomorrow"}, "tomorrow  gate recorder: stopping now"),
    ],
)
def test_what_cannot_be_read_is_shown_as_such(more: dict[str, typing.Any], said: str) -> None:
    """A journal with a hole in it is still the best record there is."""
    assert said in line_of(given(1.0), **more)


def test_json_holds_what_it_is_and_the_fields_of_its_event() -> None:
    """A contract with other people's programs."""
    event = NoticeRaised(5.0, "error", "cabinet", "its disk is full")

    assert as_json(row_of(event, synced=None)) == {
        "id": 7,
        "at": 5.0,
        "utc": SUMMER_UTC,
        "boot": "boot-1",
        "synced": None,
        "dry": False,
        "kind": "raised_notice",
        "event_version": 1,
        "severity": "error",
        "about": "cabinet",
        "topic": "",
        "text": "its disk is full",
    }


@pytest.mark.parametrize("body", ["{", "[1]"])
def test_json_shows_a_damaged_body_as_text(body: str) -> None:
    """The line must stay JSON whatever lies in the file."""
    shown = json.loads(next(json_lines([row_of(given(1.0), body=body)])))

    assert shown["damaged"] == body
    assert shown["id"] == 7


def test_no_field_of_an_event_hides_what_the_entry_says_of_itself() -> None:
    """`boot` or `kind` in an event would be lost in the JSON."""
    own = as_json(row_of(given(1.0), body="{}")).keys() - {"at"}
    fields = {field.name for cls in EVENT_CLASSES.values() for field in dataclasses.fields(cls)}

    assert not own & fields
    assert "damaged" not in fields


async def test_the_document_is_whole_and_in_order(tmp_path: Path, clock: FakeClock) -> None:
    """`journal --json` prints one document, read here by the standard library's own parser."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(1.0), given(2.0, 2))
    shown = json.loads(json.dumps(document(rows(tmp_path))))
    await journal.close()

    assert (shown["format"], shown["ok"]) == (1, True)
    assert [event["order"]["deadline_at"] for event in shown["events"]] == [91.0, 92.0]


async def test_a_long_journal_is_read_whole_and_from_where_one_likes(
    tmp_path: Path, clock: FakeClock
) -> None:
    """An export that stops at some round number would be found out too late."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(*(given(float(n), n) for n in range(1234)))
    await journal.close()

    assert [row.id for row in rows(tmp_path)] == list(range(1, 1235))
    assert [row.id for row in rows(tmp_path, after_id=1230)] == [1231, 1232, 1233, 1234]
    assert [row.id for row in rows(tmp_path, newest=3)] == [1232, 1233, 1234]


async def test_facts_of_the_site_are_there_without_its_file(
    tmp_path: Path, clock: FakeClock
) -> None:
    """A journal on a stick, without the site's file, still knows its time zone."""
    journal = open_journal(tmp_path, clock)
    journal.remember("time_zone", "Europe/Lisbon")
    journal.remember("time_zone", "Europe/Madrid")
    await journal.close()

    assert site_facts(tmp_path) == {"time_zone": "Europe/Madrid"}


# Where it lies


async def test_it_is_read_while_the_agent_writes(tmp_path: Path, clock: FakeClock) -> None:
    """The owner looks during the outage."""
    journal = open_journal(tmp_path, clock)
    await journal.commit(given(1.0))
    seen = len(held(tmp_path))
    with closing(sqlite3.connect(f"file:{tmp_path / NAME}?mode=ro", uri=True)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM events").fetchone()
        # A reader that dawdles holds up no commit.
        assert await journal.commit(given(2.0))
    await journal.close()

    assert (seen, len(held(tmp_path))) == (1, 2)


@pytest.mark.parametrize("names", [("",), ("", "-wal"), ("", "-wal", "-shm")])
async def test_a_copy_is_read(tmp_path: Path, clock: FakeClock, names: tuple[str, ...]) -> None:
    """The integrator takes the journal home; what was not yet in the file itself lies in -wal."""
    state = tmp_path / "state"
    copy = tmp_path / "copy"
    copy.mkdir()
    journal = open_journal(state, clock)
    await journal.commit(given(1.0))
    with closing(sqlite3.connect(state / NAME)) as connection:
        connection.execute("PRAGMA wal_checkpoint")
    await journal.commit(given(2.0))
    for name in names:
        shutil.copyfile(state / f"{NAME}{name}", copy / f"other.db{name}")
    await journal.close()

    assert len(list(rows(copy / "other.db"))) == (1 if names == ("",) else 2)


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a disk needs root")
@pytest.mark.parametrize("ended", ["in order", "killed"])
async def test_a_journal_on_a_read_only_disk_is_read(
    tmp_path: Path, clock: FakeClock, ended: str
) -> None:
    """The disk of a dead box, mounted elsewhere so that nothing on it changes."""
    state = tmp_path / "state"
    journal = open_journal(state, clock)
    await journal.commit(given(1.0))
    disk = tmp_path / "disk"
    if ended == "in order":
        await journal.close()
    shutil.copytree(state, disk, ignore=shutil.ignore_patterns("*-shm"))
    await journal.close()
    with read_only(disk):
        found = [row.at for row in held(disk)]
        written = {path.name for path in disk.iterdir()}

    assert found == [1.0]
    assert f"{NAME}-shm" not in written


def test_no_journal_is_said_with_what_to_do(tmp_path: Path) -> None:
    """The most likely mistake is a wrong --state."""
    with pytest.raises(JournalError, match=r"holds no journal; `lastwatt run FILE --state "):
        held(tmp_path)
    with pytest.raises(JournalError, match="holds no journal"):
        next(follow(tmp_path, after_id=0))


def test_what_is_no_journal_is_said_to_be_damaged(tmp_path: Path) -> None:
    """One line, not a traceback."""
    (tmp_path / NAME).write_text("not a database, but longer than its header" * 50)
    with pytest.raises(JournalError, match="is damaged"):
        held(tmp_path)
    (tmp_path / NAME).unlink()
    sqlite3.connect(tmp_path / NAME).close()
    with pytest.raises(JournalError, match="no such table"):
        held(tmp_path)


# Following


def write(folder: Path, *events: Event) -> None:
    """Append *events* to the journal in *folder*, as its agent would."""
    with closing(open_to_write(folder / NAME)) as connection:
        for event in events:
            insert(connection, row_of(event))


class Turns:
    """Stands in for the wait between two looks: does the next thing instead of sleeping."""

    def __init__(self, *turns: typing.Callable[[], object]) -> None:
        self._turns = iter(turns)
        self.waited: list[float] = []

    def __call__(self, seconds: float) -> None:
        self.waited.append(seconds)
        next(self._turns)()


def test_following_shows_what_comes_and_nothing_twice(tmp_path: Path) -> None:
    """Somebody watches the outage in a terminal."""
    write(tmp_path, given(1.0), given(2.0))
    wait = Turns(lambda: None, lambda: write(tmp_path, given(3.0)), lambda: None)
    seen = follow(tmp_path, after_id=1, wait=wait)

    assert [next(seen).at, next(seen).at] == [2.0, 3.0]
    assert wait.waited == [FOLLOW_EVERY_S, FOLLOW_EVERY_S]


def test_following_goes_on_across_a_new_file(tmp_path: Path) -> None:
    """A damaged file is replaced under the watcher, who must not be left looking at the old one."""
    write(tmp_path, given(1.0), given(2.0))
    wait = Turns(
        lambda: set_aside(tmp_path / NAME, START_UTC),
        lambda: write(tmp_path, given(3.0)),
        lambda: None,
    )
    seen = follow(tmp_path, after_id=0, wait=wait)

    assert [next(seen).at for _ in range(3)] == [1.0, 2.0, 3.0]


def test_following_ends_with_an_error_where_the_file_stays_damaged(tmp_path: Path) -> None:
    """To wait in silence on a broken file would look like a quiet night."""
    write(tmp_path, given(1.0))
    wait = Turns(lambda: (tmp_path / NAME).write_bytes(b"x" * 8192))
    seen = follow(tmp_path, after_id=0, wait=wait)
    next(seen)

    with pytest.raises(JournalError, match="damaged"):
        next(seen)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """Mount *folder* onto itself, read-only."""
    bound = subprocess.run(["/usr/bin/mount", "--bind", str(folder), str(folder)], check=False)
    if bound.returncode:
        pytest.skip("this machine lets nobody mount a disk")
    try:
        subprocess.run(["/usr/bin/mount", "-o", "remount,ro,bind", str(folder)], check=True)
        yield
    finally:
        subprocess.run(["/usr/bin/umount", "-l", str(folder)], check=True)
