"""Whether a unit's battery may be tested now: a tired battery can drop the load in its own test.

RFC 1628 section 4.7 has the test; whether it is safe is not the standard's. So: only while
everything says that it is, and nothing that the answer needs is unknown.
"""

from __future__ import annotations

from policies.belief import full_energy_wh
from policies.model import BatteryStatus, Site
from policies.reasons import duration_text, names_text
from policies.state import Phase, SiteState
from policies.supply import Supply, UnitState, load_of

LOAD_MOST = 0.8
"""Share of the unit's rating from which on no battery is tested."""

CHARGE_LEAST = 0.995
"""A gauge in whole percent has to show all of them."""

MISSING_MOST = 0.02
"""Share of the battery that may be missing by our own account."""

STEADY_S = 3600.0
"""Mains has to have been there for so long."""

TEST_MOST_S = 300.0
"""So long a test may run on battery before that counts as an outage whatever the unit says of it.

A quick battery test (upsTestQuickBatteryTest) is one of seconds to a minute or two.
"""


def refusal(
    site: Site,
    state: SiteState,
    name: str,
    now: float,
    *,
    is_attended: bool,
    steady_s: float = STEADY_S,
) -> str:
    """Return why the battery of a unit may not be tested now; "" where it may.

    Args:
        site: what there is.
        state: the fold of the journal.
        name: of the unit.
        now: site time, s.
        is_attended: somebody is at the site who can help if the load is dropped.
        steady_s: how long mains has to have been there.
    """
    if not is_attended:
        return "nobody attends at this hour, by the file"
    if state.outage_at is not None:
        return "mains is away"
    if state.watches_only:
        return "the agent only watches"
    if state.paused_until_at is not None and state.paused_until_at > now:
        return "somebody has paused the site"
    busy = [n for n, d in state.devices.items() if d.phase is not Phase.RUNNING or d.order]
    if busy:
        return f"{names_text(busy)} does not run, or is being told something"
    return _unit_refusal(site, name, state.units[name], now, steady_s)


def _unit_refusal(site: Site, name: str, unit: UnitState, now: float, steady_s: float) -> str:
    reading = unit.reading
    if reading is None or unit.silent_at is not None or unit.supply is not Supply.MAINS:
        return f"mains with a battery behind it is not what is known of it ({unit.why})"
    if unit.mains_at is None or now - unit.mains_at < steady_s:
        return f"mains has not been there for {duration_text(steady_s)} yet"
    if reading.alarms:
        return f"it reports {', '.join(sorted(alarm.value for alarm in reading.alarms))}"
    if reading.battery_status is not BatteryStatus.NORMAL:
        return "it does not say that its battery is normal"
    charge = reading.trusted("charge")
    if charge is None:
        return "it does not say how full its battery is"
    missing_wh = MISSING_MOST * full_energy_wh(site.units[name])
    if charge < CHARGE_LEAST or unit.drawn.total_wh > missing_wh:
        return f"its battery is not full ({charge:.0%})"
    if reading.trusted("output_w") is None and reading.trusted("load_share") is None:
        return "it does not say how much it carries"
    share = reading.trusted("load_share")
    by_watts = load_of(site.units[name], reading, listed_w=0.0) / site.units[name].rating_w
    if max(by_watts, share or 0.0) >= LOAD_MOST:
        return f"it carries {max(by_watts, share or 0.0):.0%} of what it can"
    return ""


def abort_reason(state: SiteState, name: str) -> str:
    """Return why a test under way is to be aborted now; "" while it may go on."""
    if state.outage_at is not None:
        return "mains has failed"
    unit = state.units[name]
    if unit.low_sign_at is not None:
        return "the battery says that it is low"
    return ""
