"""The sheet that hangs in the cabinet: one printed page for whoever stands there at night."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from agent.config import LoadedSite
from agent.config.contacts import Contact
from agent.reports.cautions import AT_THE_RACK
from agent.reports.pen import day_text
from agent.reports.wiring_words import battery_text, start_order
from agent.status import OWED_LIST
from policies.battery import BatteryHistory
from policies.graph import may_be_stopped
from policies.model import Device, Starts
from policies.reasons import duration_text, names_text

MOST_STEPS = 30
"""So many steps fit the page; of more the handover report tells."""

_SIZES = (("roomy", 13), ("plain", 21), ("tight", 32))
"""Letters by how many lines there are; a test prints sheets of every size."""

REPLACE_AFTER_YEARS = 4
"""A usual end of service of small sealed lead-acid sets, 3 to 5 years (from memory)."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the start by hand: what, where it is fed, and what to do."""

    names: str
    fed: str
    do: str


@dataclass(frozen=True, slots=True)
class BatteryLine:
    """One unit's battery.

    Attributes:
        look: when to think of another, "" = its day is not known.
    """

    unit: str
    address: str
    text: str
    look: str


@dataclass(frozen=True, slots=True)
class RackTold:
    """Everything that the sheet says.

    Attributes:
        left_out: steps that did not fit.
        undo: sentences on what is to be undone, and by what.
        untouched: what no order may reach.
    """

    site: str
    box: str
    box_address: str
    state: str
    steps: tuple[Step, ...]
    left_out: int
    undo: tuple[str, ...]
    batteries: tuple[BatteryLine, ...]
    contacts: tuple[Contact, ...]
    untouched: tuple[str, ...]
    cautions: tuple[str, ...]

    @property
    def size(self) -> str:
        """How large its letters may be, so that it stays one page."""
        wide = sum(len(step.names) + len(step.do) > 70 or len(step.fed) > 14 for step in self.steps)
        lines = len(self.steps) + wide + len(self.contacts) + len(self.batteries) + len(self.undo)
        return next((size for size, most in _SIZES if lines <= most), "least")


def rack_told(
    loaded: LoadedSite, *, today: date, fitted: dict[str, date] | None = None
) -> RackTold:
    """Return what the sheet of a site says.

    Args:
        loaded: the site's file.
        today: gives batteries their day.
        fitted: by unit, the day that the journal has for its battery, which beats the file's.
    """
    site = loaded.site
    steps = _steps(loaded)
    box = loaded.agent.box or ""
    return RackTold(
        site=site.name,
        box=box,
        box_address=loaded.addresses.get(box, ""),
        state="" if loaded.agent.state is None else str(loaded.agent.state),
        steps=tuple(steps[:MOST_STEPS]),
        left_out=max(0, len(steps) - MOST_STEPS),
        undo=tuple(_undo(loaded)),
        batteries=tuple(_batteries(loaded, today, fitted or {})),
        contacts=loaded.contacts,
        untouched=tuple(name for name, device in site.devices.items() if device.no_touch),
        cautions=AT_THE_RACK,
    )


def rack_html(loaded: LoadedSite, *, made: datetime, fitted: dict[str, date] | None = None) -> str:
    """Return the sheet as one HTML file that prints on one page, A4 or Letter."""
    from agent.reports import render

    local = made.astimezone(loaded.time_zone)
    told = rack_told(loaded, today=local.date(), fitted=fitted)
    return render.html("rack.html", told=told, made=day_text(local.date()))


def _steps(loaded: LoadedSite) -> list[Step]:
    """What to start, in order; what comes with its power, and alike, in one step."""
    steps: list[Step] = []
    together: list[Device] = []

    def close() -> None:
        if together:
            names = names_text([device.name for device in together], most=8)
            steps.append(Step(names, names_text(together[0].feeds), _do(together[0])))
            together.clear()

    for device in start_order(loaded.site):
        alike = together and (device.is_passive, device.feeds) == (True, together[0].feeds)
        if not alike:
            close()
        together.append(device)
        if not device.is_passive:
            close()
    close()
    return steps


def _do(device: Device) -> str:
    """What somebody does at it who starts the site by hand."""
    if device.no_touch:
        return "leave it alone; see that it is on"
    wait = f", wait {duration_text(device.start_s)}" if device.start_s >= 1.0 else ""
    if device.is_cut or device.cut_s is not None:
        return f"its power may be switched off at its feed: see below, Undo{wait}"
    if device.is_passive:
        return "comes on with its power"
    if device.starts is Starts.BY_ITSELF:
        return f"starts when its power comes; if not, off and on at its plug{wait}"
    return f"press its power button{wait}"


def _undo(loaded: LoadedSite) -> list[str]:
    site = loaded.site
    changed = [
        name
        for name, device in site.devices.items()
        if may_be_stopped(site, name)
        and (device.can_restore or device.is_cut or device.cut_s is not None)
    ]
    place = loaded.agent.state / OWED_LIST if loaded.agent.state is not None else OWED_LIST
    copies = [copy.shown for copy in loaded.owed_copies]
    where = f"{place} on the agent's box" + (f", copies at {names_text(copies)}" if copies else "")
    said = [
        f"What lastwatt changed and has not put back stands in {where}.",
        f"On any machine that reaches the devices: `lastwatt restore {OWED_LIST}`",
    ]
    if changed:
        said.append(
            f"Look at these in person: {names_text(changed, most=10)}. A recording job may be "
            "stopped, or a port switched off, though the device runs."
        )
    return said


def _batteries(loaded: LoadedSite, today: date, fitted: dict[str, date]) -> list[BatteryLine]:
    from agent.reports.wiring_words import fitted_on

    found = []
    for name, unit in loaded.site.units.items():
        day = fitted.get(name) or fitted_on(unit.battery, today)
        look = ""
        if day is not None:
            look = f"think of another from {day.year + REPLACE_AFTER_YEARS} on, or when told to"
        text = battery_text(unit.battery, today)
        if name in fitted:
            text = f"{text.rsplit(',', 1)[0]}, fitted {day_text(fitted[name])}"
        found.append(BatteryLine(name, loaded.units[name].address, text, look))
    return found


def fitted_days(batteries: dict[str, BatteryHistory]) -> dict[str, date]:
    """Return, by unit, the day that its journal has for its battery."""
    return {
        name: history.fitted_on
        for name, history in batteries.items()
        if history.fitted_on is not None
    }
