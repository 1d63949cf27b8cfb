"""Sites to rehearse: the plan's yard with a battery and polls that make it a quick one."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from agent.config import LoadedSite, load
from agent.rehearsal.known import Known, nothing_known
from agent.rehearsal.result import DeviceResult, Result
from agent.rehearsal.terms import Strength, Terms
from tests.agent.plan_yard import TODAY, write_plan_yard
from tests.agent.yard_site import CABINET

NOW = datetime(2026, 11, 25, 16, 30, tzinfo=UTC)
SLOW_POLLS = '[agent]\npoll_on_mains = "30s"\npoll_on_battery = "15s"\n'
SMALL = CABINET.replace("amp_hours = 7", "amp_hours = 2")
TINY = CABINET.replace("amp_hours = 7", "watt_hours = 1.5").replace("volts = 36, ", "")


def yard(folder: Path, *devices: str, unit: str = SMALL, more: str = "") -> LoadedSite:
    """Return a loaded site: recorder, desk and camera behind a switch, or the *devices*."""
    path = write_plan_yard(folder, *devices, unit=unit, more=SLOW_POLLS + more)
    loaded, faults = load(path, today=TODAY, secrets_must_exist=False)
    assert loaded is not None, faults
    return loaded


def known(loaded: LoadedSite) -> Known:
    """Return that nothing is known of it."""
    return nothing_known(loaded.site, NOW)


def terms(
    *,
    name: str = "20261125T163000000",
    begins: datetime = NOW,
    mains_after_s: float | None = None,
    pace: float | None = None,
    strength: Strength = Strength.LIKELY,
) -> Terms:
    """Return what is asked for."""
    return Terms(name, begins, "Ana", mains_after_s, pace, strength)


def device(result: Result, name: str) -> DeviceResult:
    """Return what became of one device."""
    return next(each for each in result.devices if each.name == name)
