"""A drill: whether one device may be stopped and started for real now, and what that measured."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from policies.by_hand import not_at_rest, untouchable
from policies.events import DeviceSeen, Event, OrderClosed, OrderGiven, StepBegan, StepEnded
from policies.graph import graph_of
from policies.identity import why_it_only_watches
from policies.learnt import QUIESCE, START, STOP, stage_times_s
from policies.model import Device, Role, Site, Starts
from policies.reasons import duration_text, names_text
from policies.state import Phase, SiteState


def refusal(site: Site, state: SiteState, name: str) -> str:
    """Return why a device may not be drilled now, as a sentence; "" where it may.

    Args:
        site: what there is.
        state: what is known of it.
        name: a device of *site*.
    """
    return (
        why_it_only_watches(state.watches_only)
        or untouchable(site, name)
        or _unfit(site, name)
        or _underway(site, state, name)
        or _short_of_power(site, state, name)
        or _tied(site, state, name)
    )


def _unfit(site: Site, name: str) -> str:
    device = site.devices[name]
    if device.is_passive:
        return f"nothing in the site's file says how to bring {name} to rest"
    if device.dry_run:
        return f"{name} is in dry run, and a drill is for real; run lastwatt live for it first"
    if device.stop_s is None and not device.can_restore:
        return f"nothing in the site's file undoes the quiescing of {name}: it would stay so"
    carried = graph_of(site).touched_by[name]
    if carried:
        names = names_text([other for other in site.devices if other in carried])
        return f"{name} feeds or carries {names}: a drill stops one device, and nothing else"
    return ""


def _underway(site: Site, state: SiteState, name: str) -> str:
    if state.outage_at is not None:
        return "mains has failed: there is no drill in an outage"
    ordered = [other for other, known in state.devices.items() if known.order is not None]
    if ordered:
        return f"an order is under way for {names_text(ordered)}; drill {name} once that is done"
    known = state.devices[name]
    if known.phase is not Phase.RUNNING:
        return f"{name} does not run ({known.phase}); a drill begins with a device that does"
    if known.owed:
        acts = " and ".join(sorted(known.owed))
        return f"{name} is still owed the undoing of its {acts}; `lastwatt start` it first"
    return ""


def _short_of_power(site: Site, state: SiteState, name: str) -> str:
    """Why the power behind the device is not such that it could fail in mid-drill."""
    for unit in sorted(graph_of(site).units[name]):
        known = state.units[unit]
        if not known.supply.has_mains or known.lost_at is not None:
            return f"{unit} is not known to have mains ({known.supply}): drill once it has"
        if known.signs:
            return f"{unit} says one thing and another of its mains: drill once it is steady"
        charge = None if known.reading is None else known.reading.charge
        if charge is not None and charge < site.return_charge:
            return (
                f"the battery of {unit} holds {charge:.0%}, and at least {site.return_charge:.0%} "
                "are wanted: mains may fail in mid-drill"
            )
    return ""


def _tied(site: Site, state: SiteState, name: str) -> str:
    users = not_at_rest(site, state, name)
    if users:
        return f"{names_text(users)} needs {name}, and is not at rest; `lastwatt stop` that first"
    uses = graph_of(site).uses[name]
    off = [n for n in site.devices if n in uses and state.devices[n].phase is not Phase.RUNNING]
    if off:
        return f"{name} uses {names_text(off)}, which does not run: it could not be started again"
    return ""


def cautions(device: Device) -> tuple[str, ...]:
    """Return what whoever asks for a drill has to bear in mind before."""
    away_s = device.rest_s + device.settle_s + device.start_s
    does = "records nothing" if device.role is Role.RECORDER else "does not do its work"
    said = [
        f"{device.name} is stopped for real, and {does} for about {duration_text(away_s)}, or "
        "until somebody gets it back",
        "see that nobody's safety hangs on it: alarm, door release, emergency call, access; local "
        "codes, and whoever is licensed for these, come first",
        "keep hands off it, its plugs and its battery until the drill is over",
    ]
    if device.starts is not Starts.BY_ORDER and device.stop_s is not None:
        said.append("no order starts it: once it is gone, somebody has to, at the device")
    if device.is_cut:
        said.append("its power is cut at the feed, and is given back at the end")
    if device.cut_s is not None:
        said.append("should its stop fail, its power is cut at the feed, and given back at the end")
    return tuple(said)


# What it measured


@dataclass(frozen=True, slots=True)
class MeasuredStep:
    """One act of a drill.

    Attributes:
        began_s: seconds from the first order.
        took_s: from its first try to the end of its last, in s.
        verdict: of the last try.
    """

    act: str
    began_s: float
    took_s: float
    tries: int
    verdict: str
    evidence: str


@dataclass(frozen=True, slots=True)
class MeasuredStage:
    """One stage of a device, held against what the file says.

    Attributes:
        measured_s: None = it was not seen to be over, so nothing was measured.
    """

    stage: str
    measured_s: float | None
    file_s: float

    @property
    def is_longer(self) -> bool:
        """Whether it took a second more than the file says, or longer yet."""
        return self.measured_s is not None and self.measured_s >= self.file_s + 1.0


@dataclass(frozen=True, slots=True)
class Measured:
    """Everything that a drill measured."""

    steps: tuple[MeasuredStep, ...]
    stages: tuple[MeasuredStage, ...]


def measured(device: Device, events: Iterable[Event]) -> Measured:
    """Return what the events of a drill tell.

    Args:
        device: as the site's file has it.
        events: of this device alone, from the first order on, oldest first.
    """
    events = tuple(events)
    begins_at = next((e.at for e in events if isinstance(e, OrderGiven)), 0.0)
    began_at: dict[str, float] = {}
    first_at: dict[str, float] = {}
    done_at: dict[str, float] = {}
    tries: dict[str, int] = {}
    ended: dict[str, StepEnded] = {}
    for event in events:
        match event:
            case StepBegan(at=at, act=act):
                began_at[act] = at
                first_at.setdefault(act, at)
                tries[act] = tries.get(act, 0) + 1
            case StepEnded(at=at, act=act, verdict=verdict):
                ended[act] = event
                if verdict == "done":
                    done_at[act] = at
    steps = tuple(
        MeasuredStep(
            act, first_at[act] - begins_at, end.at - first_at[act], tries[act], end.verdict,
            end.evidence,
        )
        for act, end in sorted(ended.items(), key=lambda item: first_at[item[0]])
    )  # fmt: skip
    took = stage_times_s(began_at, done_at, settle_s=device.settle_s)
    said = {QUIESCE: device.quiesce_s, STOP: device.stop_s, START: device.start_s or None}
    stages = tuple(
        MeasuredStage(stage, took.get(stage), file_s)
        for stage, file_s in said.items()
        if file_s is not None
    )
    return Measured(steps, stages)


def is_of(event: Event, name: str) -> bool:
    """Return whether an event tells of an order at that device, or of its return."""
    match event:
        case OrderGiven(order=order):
            return order.device == name
        case StepBegan() | StepEnded() | OrderClosed() | DeviceSeen():
            return event.device == name
    return False
