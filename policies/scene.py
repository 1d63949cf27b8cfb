"""One moment of a site, as every rule of `decide` looks at it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from policies.belief import Belief
from policies.model import Device, Site
from policies.plan import Plan
from policies.seen import believable_charge
from policies.state import DeviceState, Phase, SiteState
from policies.timeline import Timeline

RETRY_AFTER_S = 30.0
"""What was given up is told again that long after."""


@dataclass(frozen=True, slots=True)
class Scene:
    """The arguments of `decide`, and what every rule looks at; see there."""

    site: Site
    state: SiteState
    beliefs: Mapping[str, Belief]
    now: float
    timeline: Timeline
    plan: Plan | None = None

    def device(self, name: str) -> tuple[Device, DeviceState]:
        """Return what the file says of a device, and what is known of it."""
        return self.site.devices[name], self.state.devices[name]

    def goes_with(self, user: str, name: str) -> bool:
        """Whether *user* is to be told before *name* stops.

        A device whose stop only cuts its power need not be: it may lose that at any time. It is cut
        for a recorder that is quiesced by its writers, and so before whatever that waits for; not
        for one that is off already.
        """
        device = self.site.devices[user]
        if not device.is_only_cut:
            return True
        served = [self.site.devices[n] for n in device.needs if self.site.devices[n].by_writers]
        return any(
            self.state.devices[d.name].phase is not Phase.AT_REST
            or (d.name == name and d.stop_s is None)
            for d in served
        )

    def is_at_rest_for(self, other: str, name: str) -> bool:
        """Whether *other* is at rest in the eyes of *name*: dry never counts for live."""
        state = self.state.devices[other]
        return state.phase is Phase.AT_REST and (
            not state.is_assumed or self.site.devices[name].dry_run
        )


def charge_of(state: SiteState, units: Iterable[str]) -> float | None:
    """Return the best charge that *units* report, or None where one of them reports none."""
    charges: list[float] = []
    for unit in units:
        reading = state.units[unit].reading
        charge = None if reading is None else believable_charge(reading)
        if charge is None:
            return None
        charges.append(charge)
    return max(charges, default=None)
