"""The site's file: read, judged, and translated into what policies and drivers understand."""

from agent.config.build import build_drivers
from agent.config.faults import Fault, Severity, in_order
from agent.config.load import FORMAT, load
from agent.config.site import AgentSettings, Fitted, LoadedSite, PageSettings, UnitAccess
from policies.model import Place

__all__ = [
    "FORMAT",
    "AgentSettings",
    "Fault",
    "Fitted",
    "LoadedSite",
    "PageSettings",
    "Place",
    "Severity",
    "UnitAccess",
    "build_drivers",
    "in_order",
    "load",
]
