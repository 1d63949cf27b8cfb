"""The outage of the demo on a terminal: one sentence, one bar a device, what was said last."""

from __future__ import annotations

from typing import Any

from rich.console import Console, Group, RenderableType
from rich.table import Table
from rich.text import Text

from agent.virtual import yard
from agent.virtual.demo import Shown
from agent.virtual.machine import Machine
from agent.virtual.machine import Phase as TruePhase
from policies.events import DeviceSeen, Event, NoticeRaised, OrderClosed, OrderGiven
from policies.model import HOLDS_DATA
from policies.reasons import duration_text
from policies.supply import Supply

_CELLS = 46
_SAID = 6
_LEGEND = "█ on   ▒ stopping or starting   · at rest   × without power"
_MARKS = {"runs": "█", "stops": "▒", "rests": "·", "lost": "×", "starts": "▒", "dark": " "}


def clock_text(seconds: float | None) -> str:
    """Return minutes and seconds since mains failed, as "08:20"; "" for None."""
    if seconds is None:
        return ""
    return f"{int(seconds) // 60:02d}:{int(seconds) % 60:02d}"


def sentence(event: Event) -> str | None:
    """Return what an event says to somebody who watches, or None where it says little."""
    match event:
        case OrderGiven(order=order):
            return f"{order.device}: {order.reason.sentence}"
        case OrderClosed():
            return f"{event.device}: {event.ending}; {event.evidence}"
        case DeviceSeen():
            return f"{event.device}: runs again; {event.evidence}"
        case NoticeRaised():
            return event.text
    return None


class Picture:
    """The live picture; remembers each device's past, a cell at a time."""

    def __init__(self, span_s: float) -> None:
        """Prepare for an outage of about *span_s* seconds, return included."""
        self._cell_s = span_s / _CELLS
        self._past: dict[str, list[str]] = {}

    def render(self, shown: Shown) -> RenderableType:
        """Return the picture of this moment."""
        site, outage_s = shown.site, shown.site.outage_s
        self._remember(shown, outage_s)
        return Group(
            Text(f"{shown.loaded.site.name}: {self._when(outage_s)}", style="bold"),
            Text(f"{self._state(shown)} The load is {site.load_w:.0f} W."),
            Text(""),
            self._bars(shown),
            Text(_LEGEND, style="dim"),
            Text(""),
            *self._said(shown),
            Text(
                f"All of it is virtual, on this machine; time runs ×{shown.factor:g}.", style="dim"
            ),
        )

    def _when(self, outage_s: float | None) -> str:
        if outage_s is None:
            return "mains is there, and the battery is full"
        return f"{duration_text(outage_s)} after mains failed"

    def _state(self, shown: Shown) -> str:
        agent = shown.story.agent
        if agent is None:
            return "The agent starts."
        engine = agent.engine
        unit = next(iter(engine.state.units.values()))
        if not shown.site.devices[yard.BOX].is_running:
            return "The output has ended; the agent's own box is dark too."
        if unit.supply is not Supply.BATTERY or engine.decision is None:
            return f"The agent says: {unit.supply}, {unit.why}."
        name = next(iter(engine.state.units))
        lower_s = engine.decision.timeline.unit_lower_s.get(name)
        if lower_s is None:
            return f"The agent says: {unit.why}."
        median_s = engine.decision.timeline.unit_median_s[name]
        return (
            f"The agent says: on battery, which lasts at least {duration_text(lower_s)}, "
            f"{duration_text(median_s)} likely."
        )

    def _remember(self, shown: Shown, outage_s: float | None) -> None:
        if outage_s is None:
            return
        upto = min(_CELLS, int(outage_s / self._cell_s) + 1)
        for name, machine in shown.site.devices.items():
            past = self._past.setdefault(name, [])
            past.extend([_mark(machine)] * (upto - len(past)))

    def _bars(self, shown: Shown) -> Table:
        table = Table.grid(padding=(0, 2))
        table.add_column(no_wrap=True)
        table.add_column(no_wrap=True)
        table.add_column()
        table.add_row("", self._scale(), "")
        for name, machine in shown.site.devices.items():
            bar = "".join(self._past.get(name, [])).ljust(_CELLS)
            stop_s = shown.story.told_s.get(name)
            note = "" if stop_s is None else f"told at {clock_text(stop_s)}"
            style = "bold" if machine.nature.role in HOLDS_DATA else ""
            table.add_row(Text(name, style=style), bar, Text(note, style="dim"))
        return table

    def _scale(self) -> Text:
        """Minutes since mains failed, over the bars."""
        step_min = max(1, round(_CELLS * self._cell_s / 60 / 6))
        line = [" "] * (_CELLS + 4)
        minute = 0
        while (cell := int(minute * 60 / self._cell_s)) < _CELLS:
            for offset, letter in enumerate(str(minute)):
                line[cell + offset] = letter
            minute += step_min
        return Text("".join(line).rstrip() + " min", style="dim")

    def _said(self, shown: Shown) -> list[Text]:
        said = [
            (at_s, text)
            for at_s, event in shown.story.events
            if (text := sentence(event)) is not None
        ][-_SAID:]
        lines = [Text(f"{clock_text(at_s):>5}  {text}") for at_s, text in said]
        return [*lines, *([Text("")] * (_SAID + 1 - len(lines)))]


def _mark(machine: Machine) -> str:
    if not machine.powered:
        return _MARKS["lost" if machine.fate.damage or machine.fate.off_at is None else "rests"]
    match machine.phase:
        case TruePhase.RUNNING:
            return _MARKS["runs"]
        case TruePhase.STOPPING:
            return _MARKS["stops"]
        case TruePhase.STARTING:
            return _MARKS["starts"]
        case _:
            return _MARKS["rests"]


def print_account(console: Console, document: dict[str, Any]) -> None:
    """Print the end: what happened to each device, when, how that is known, and why."""
    table = Table(box=None, pad_edge=False, show_edge=False, padding=(0, 2, 0, 0))
    for heading in ("device", "planned", "told", "at rest", "how that is known"):
        table.add_column(heading, no_wrap=heading != "how that is known", overflow="fold")
    told = [d for d in document["devices"] if d["actual_stop_s"] is not None or d["damage"]]
    for device in sorted(told, key=lambda d: d["actual_stop_s"] or 0.0):
        times = (device[key] for key in ("planned_stop_s", "actual_stop_s", "at_rest_s"))
        known = f"LOST: {device['damage']}" if device["damage"] else device["evidence"]
        table.add_row(device["name"], *map(clock_text, times), known)
        if device["reason"]:
            table.add_row("", "", "", "", Text(device["reason"], style="dim"))
    console.print(table)
    rest = [d["name"] for d in document["devices"] if d not in told]
    console.print(
        f"\nNothing had to be told to: {', '.join(rest)}.", soft_wrap=not console.is_terminal
    )
    console.print(conclusion(document), soft_wrap=not console.is_terminal)


def conclusion(document: dict[str, Any]) -> str:
    """Return the outage in a sentence or two."""
    holders = [d for d in document["devices"] if d["role"] in HOLDS_DATA]
    lost = [d["name"] for d in holders if not d["at_rest"]]
    dark = [d["name"] for d in document["devices"] if not d["running_again"]]
    end_s = document["output_end_s"]
    said = [
        f"All {len(holders)} devices that hold data were at rest before the battery ended"
        if not lost
        else f"Lost: {', '.join(lost)}",
        f"the output ended after {duration_text(end_s)}; with everything left on it would have "
        f"been {duration_text(document['unattended_end_s'])}"
        if end_s is not None
        else "the battery did not end",
        "everything runs again" if not dark else f"not back: {', '.join(dark)}",
    ]
    return "; ".join(said) + "."
