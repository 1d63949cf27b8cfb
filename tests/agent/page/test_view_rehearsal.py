"""A rehearsal that is over, as the page draws it."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from agent.page.view_rehearsal import result_view
from tests.policies.sites import site_of


def device(name: str, **more: Any) -> dict[str, Any]:
    return {
        "name": name, "spans": [{"from_s": 0.0, "to_s": None, "phase": "running"}],
        "fate": "without power", "dark_s": 1200.0, "back_s": None, "hold_s": 0.0, "held": True,
        **more,
    }  # fmt: skip


def result(*devices: dict[str, Any]) -> dict[str, Any]:
    return {
        "site": "boatyard", "sentence": "all would be saved", "begins": "2026-11-28T17:00:00+00:00",
        "mains_back_s": 3600.0, "ended_s": 39600.0, "units": [], "orders": [],
        "devices": list(devices),
    }  # fmt: skip


def test_picture_ends_soon_after_the_last_that_happens() -> None:
    """A rehearsal waits for hours for a device that nobody starts; its outage is minutes."""
    tz = ZoneInfo("Europe/Lisbon")
    view = result_view(result(device("desk")), tz, site_of())
    late = result_view(result(device("desk", back_s=7200.0)), tz, site_of())

    assert view.ends_s == 1.05 * 3600.0 + 60.0
    assert late.ends_s > 7200.0


def test_what_is_back_is_said_to_be() -> None:
    """A bar that is on again beside the words "without power" reads as a fault."""
    tz = ZoneInfo("Europe/Lisbon")
    away, back, lost = (
        result_view(result(each), tz, site_of()).devices[0].note
        for each in (
            device("desk"),
            device("desk", back_s=3700.0),
            device("desk", back_s=3700.0, fate="unsaved"),
        )
    )

    assert (away, back, lost) == ("without power", "back", "unsaved")
