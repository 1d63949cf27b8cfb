"""The picture of an outage: well formed, complete, no text cut off, whatever names there are."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from datetime import date, datetime
from pathlib import Path

import pytest

from agent.config import load
from agent.pictures.plan_picture import plan_picture
from agent.planning.outlook import Outlook, outlook
from tests.agent.plan_yard import RECORDER, TODAY, device, write_plan_yard

SVG = "{http://www.w3.org/2000/svg}"
LEFT_PX, WIDTH_PX = 196.0, 960.0


def _outlook(site: Path) -> Outlook:
    loaded, faults = load(site, today=TODAY, secrets_must_exist=False)
    assert loaded is not None, [str(fault) for fault in faults]
    begins = datetime(2026, 11, 25, 17, 0, tzinfo=loaded.time_zone)
    return outlook(loaded, begins=begins, today=date(2026, 11, 25), outages=500)


def test_every_device_has_a_bar_and_every_sign_a_key(tmp_path: Path) -> None:
    """It is looked at long after the table has scrolled away."""
    found = _outlook(write_plan_yard(tmp_path))

    root = ElementTree.fromstring(plan_picture(found))

    bars = [g for g in root.iter(f"{SVG}g") if g.get("class") == "device"]
    named = [g.find(f"{SVG}text") for g in bars]
    assert {text.text for text in named if text is not None} == set(found.plan.stops)
    said = " ".join("".join(text.itertext()) for text in root.iter(f"{SVG}text"))
    for words in (
        "hold time",
        "latest safe start",
        "load at the output",
        "dark outside",
        "cabinet",
    ):
        assert words in said
    titles = " ".join(title.text or "" for g in bars for title in g.iter(f"{SVG}title"))
    assert "hold time 2 h, not met" in titles


@pytest.mark.parametrize(
    "name",
    ["W" * 60, "the monitor over the old slipway, to the left", "監視カメラ" * 6, "<b>&\\\"'"],
)
def test_no_name_is_cut_off_or_breaks_the_picture(tmp_path: Path, name: str) -> None:
    """Names are what people write; a W is thrice as wide as an i."""
    escaped = name.replace("\\", "\\\\").replace('"', '\\"')
    site = write_plan_yard(tmp_path, RECORDER, device(escaped, "monitor", 30))

    root = ElementTree.fromstring(plan_picture(_outlook(site)))

    texts = [t for t in root.iter(f"{SVG}text") if t.get("text-anchor") == "end"]
    shown = [t.text or "" for t in texts if (t.text or "")[:1] == name[:1]]
    assert shown
    # 8 px a letter, 14 a wide one or an ideogram: a common face of 13 px, rounded up.
    widths = [
        sum(14.0 if c in "mwMW@%&…" or ord(c) > 0x24F else 8.0 for c in text) for text in shown
    ]
    assert all(width <= LEFT_PX - 10.0 for width in widths)
    titles = {title.text for title in root.iter(f"{SVG}title")}
    assert any((title or "").startswith(name) for title in titles)  # in full, under the pointer


def test_all_marks_lie_inside_the_picture(tmp_path: Path) -> None:
    """A hold time far beyond the battery's end is no reason to draw over the edge."""
    recorder = RECORDER.replace('"2h"', '"7h"')
    root = ElementTree.fromstring(plan_picture(_outlook(write_plan_yard(tmp_path, recorder))))

    for rect in root.iter(f"{SVG}rect"):
        right = float(rect.get("x") or 0.0) + float(rect.get("width") or 0.0)
        assert 0.0 <= right <= WIDTH_PX
    for text in root.iter(f"{SVG}text"):
        assert 0.0 <= float(text.get("x") or 0.0) <= WIDTH_PX
    for path in root.iter(f"{SVG}path"):
        numbers = [
            float(word)
            for part in (path.get("d") or "").split("H")[1:]
            for word in part.split()[:1]
        ]
        assert all(number <= WIDTH_PX for number in numbers)
