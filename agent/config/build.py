"""From a loaded site to its drivers: one object for each device and language."""

from __future__ import annotations

from collections.abc import Mapping

from agent.config.site import LoadedSite
from drivers.base import Clock, Driver, Fitting, Stage


def build_drivers(
    loaded: LoadedSite, *, clock: Clock, dry_run: bool
) -> Mapping[str, Mapping[Stage, Driver]]:
    """Return, for each device that has any, the driver of each of its stages; no I/O.

    Stages of one device that name the same driver share one object. A device on the no-touch list
    gets none, so that nothing can be sent to it by mistake.
    """
    built: dict[str, dict[Stage, Driver]] = {}
    for name, device in loaded.site.devices.items():
        if device.no_touch or not loaded.fittings[name]:
            continue
        drivers = {
            language: fitted.kind.build(
                Fitting(
                    device=name,
                    address=loaded.addresses[name],
                    access=fitted.access,
                    stages=fitted.stages,
                    clock=clock,
                    dry_run=dry_run or device.dry_run,
                )
            )
            for language, fitted in loaded.fittings[name].items()
        }
        built[name] = {stage: drivers[by] for stage, by in loaded.stage_drivers[name].items()}
    return built
