"""What changed from one rehearsal to the next, and how many of them are kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from agent.rehearsal import store
from agent.rehearsal.compare import compare, sentences
from agent.rehearsal.result import DeviceResult, Fate, Result, UnitResult
from tests.agent.rehearsal.yards import NOW

GATE, DESK = "gate recorder", "desk"


def of(name: str, *, stopped_s: float | None = 900.0, fate: Fate = Fate.AT_REST) -> DeviceResult:
    return DeviceResult(
        name, "recorder", fate, stopped_s, 960.0, None, 1500.0, 600.0,
        held=True, reason="", spans=(), settings="word", was_gone_through=True,
    )  # fmt: skip


def result(*devices: DeviceResult, lower_s: float = 1000.0, name: str = "1") -> Result:
    return Result(
        name, "boatyard", NOW, "Ana", NOW, 1200.0, 1800.0, "likely", "file",
        units=(UnitResult("cabinet", 90.0, lower_s, 2.0 * lower_s, None, 0.4),),
        devices=devices,
        orders=(),
    )  # fmt: skip


def test_nothing_changed_is_said_so() -> None:
    """A monthly rehearsal that is as the last one must read as one line."""
    found = compare(result(of(GATE)), result(of(GATE)))

    assert found.is_same
    assert list(sentences(found)) == ["nothing that counts has changed"]


@pytest.mark.parametrize(("by_s", "is_told"), [(0.0, False), (59.0, False), (130.0, True)])
def test_stop_that_moved_is_told_from_a_minute_and_a_tenth_on(by_s: float, is_told: bool) -> None:
    """Readings are never twice the same; what moved by seconds is no news."""
    found = compare(result(of(GATE)), result(of(GATE, stopped_s=900.0 + by_s)))

    assert bool(found.stops) is is_told


def test_what_is_newly_lost_comes_first() -> None:
    """That a recorder would no longer be saved is why anybody rehearses."""
    found = compare(
        result(of(GATE), of("old", stopped_s=None)),
        result(of(GATE, fate=Fate.UNSAVED), of(DESK), lower_s=500.0),
    )
    told = list(sentences(found))

    assert told[0] == f"{GATE} would now lose power in mid-writing"
    assert found.added == (DESK,)
    assert found.gone == ("old",)
    assert "the battery of cabinet lasts at least 8 min 20 s, and it was 16 min 40 s" in told


def test_stop_that_is_new_or_gone_is_told() -> None:
    """A device that is stopped where it was not has changed."""
    found = compare(result(of(GATE, stopped_s=None)), result(of(GATE)))

    (moved,) = found.stops
    assert (moved.before_s, moved.now_s) == (None, 900.0)
    assert f"{GATE} is stopped after 15 min; before it was not" in sentences(found)
    gone = compare(result(of(GATE)), result(of(GATE, stopped_s=None)))
    assert f"{GATE} is not stopped; before it was, after 15 min" in sentences(gone)


def test_terms_that_differ_are_said() -> None:
    """Weaker batteries and a longer outage change a course, and not the site."""
    weak = replace(result(of(GATE)), strength="weak", mains_back_s=7200.0)
    told = list(sentences(compare(result(of(GATE)), weak)))

    assert told == [
        "nothing that counts has changed",
        "batteries are taken as weak as has to be reckoned with in this one, and as they likely "
        "are in the one before",
        "mains is away for 2 h in this one, and for 20 min in the one before",
    ]


def test_another_hour_is_said() -> None:
    """Day and night differ by the cameras' lights, which is no change of the site."""
    evening = replace(result(of(GATE)), begins=NOW + timedelta(hours=12))

    assert compare(result(of(GATE)), evening).is_other_hour
    assert not compare(result(of(GATE)), result(of(GATE))).is_other_hour


def test_only_the_latest_are_kept(tmp_path: Path) -> None:
    """A box of ten years must not fill up."""
    for number in range(store.KEPT + 3):
        name = store.name_at(NOW + timedelta(days=number))
        store.keep(tmp_path, result(of(GATE), name=name))

    assert len(store.names(tmp_path)) == store.KEPT
    newest = store.latest(tmp_path)
    assert newest is not None
    assert newest.name == store.names(tmp_path)[-1]
    older = store.latest(tmp_path, before=newest.name)
    assert older is not None
    assert older.name == store.names(tmp_path)[-2]


def test_damaged_one_is_passed_over(tmp_path: Path) -> None:
    """Half a file of a crash must not hide the ones before it."""
    store.keep(tmp_path, result(of(GATE), name="1"))
    (tmp_path / store.FOLDER / "2.json").write_text('{"format": 1, "na')

    found = store.latest(tmp_path)
    assert found is not None
    assert found.name == "1"


def test_devices_gone_through_count_as_rehearsed(tmp_path: Path) -> None:
    """The grade says what was shown, with the settings that it was shown by."""
    store.keep(tmp_path, result(of(GATE), replace(of(DESK), was_gone_through=False), name="1"))

    found = store.earned(tmp_path)
    assert set(found) == {GATE}
    assert (found[GATE].on, found[GATE].settings) == (NOW.date(), "word")
