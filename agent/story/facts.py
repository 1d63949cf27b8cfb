"""What the agent writes down of its site, so that its journal can be told without its file."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from typing import Any

from agent.story.model import DeviceFacts, SiteFacts
from policies.battery import BatteryPoint
from policies.graph import graph_of
from policies.health import health_point
from policies.model import Role, Site, Unit

NAME = "layout"
"""Under this name the journal keeps it, beside the site's name and `time_zone`."""

_ANY_DAY = date(2000, 1, 1)


def facts_text(site: Site) -> str:
    """Return what is to be written down of a site, as JSON."""
    graph = graph_of(site)
    return json.dumps(
        {
            "steady_s": site.mains_steady_s,
            "rating_w": {name: unit.rating_w for name, unit in site.units.items()},
            "new_per_wh": {name: _new_per_wh(unit) for name, unit in site.units.items()},
            "devices": {
                name: {
                    "role": device.role.value,
                    "units": [] if name in graph.on_mains else sorted(graph.units[name]),
                    "passive": device.is_passive,
                    "no_touch": device.no_touch,
                }
                for name, device in site.devices.items()
            },
        },
        ensure_ascii=False,
    )


def facts_from(kept: Mapping[str, str]) -> SiteFacts:
    """Return what was written down; what is missing, or of another release, is as if unknown."""
    plain = SiteFacts(kept.get("site", ""), kept.get("time_zone", "UTC"))
    try:
        read = json.loads(kept.get(NAME, "{}"))
        devices = {str(name): _device(told) for name, told in read.get("devices", {}).items()}
        steady_s = float(read.get("steady_s", plain.steady_s))
        figures = [_figures(read.get(name, {})) for name in ("rating_w", "new_per_wh")]
        return SiteFacts(plain.name, plain.time_zone, steady_s, devices, *figures)
    except (ValueError, TypeError, AttributeError):
        return plain


def _new_per_wh(unit: Unit) -> float:
    """By how much a measured energy is divided to be a share of the new battery's."""
    return health_point(unit, BatteryPoint(_ANY_DAY, 1.0, 1.0, 1.0, "")).share.middle


def _figures(told: Mapping[str, Any]) -> dict[str, float]:
    return {str(name): float(figure) for name, figure in told.items()}


def _device(told: Mapping[str, Any]) -> DeviceFacts:
    known = {role.value for role in Role}
    role = told.get("role")
    return DeviceFacts(
        role=Role(role) if role in known else None,
        units=tuple(str(unit) for unit in told.get("units", ())),
        is_passive=bool(told.get("passive")),
        no_touch=bool(told.get("no_touch")),
    )
