"""From a loaded site to its drivers: one object for each device and language."""

from __future__ import annotations

from collections.abc import Mapping

from agent.config.site import Fitted, LoadedSite
from drivers.base import Clock, Driver, Fitting, Stage
from drivers.feed_cut import FeedCut


def build_drivers(
    loaded: LoadedSite, *, clock: Clock, dry_run: bool
) -> Mapping[str, Mapping[Stage, Driver]]:
    """Return, for each device that has any, the driver of each of its stages; no I/O.

    Stages of one device that name the same driver share one object. A device on the no-touch list
    gets none, so that nothing can be sent to it by mistake.
    """
    built: dict[str, Mapping[Stage, Driver]] = {}
    for name, device in loaded.site.devices.items():
        if device.no_touch or not loaded.fittings[name]:
            continue
        built[name] = drivers_for(
            name,
            loaded.addresses[name],
            loaded.fittings[name],
            loaded.stage_drivers[name],
            clock=clock,
            dry_run=dry_run or device.dry_run,
        )
    return built


def drivers_for(
    device: str,
    address: str,
    fittings: Mapping[str, Fitted],
    stages: Mapping[Stage, str],
    *,
    clock: Clock,
    dry_run: bool,
) -> Mapping[Stage, Driver]:
    """Return the driver of each stage of one device; *stages* has their names; no I/O."""
    drivers = {
        language: fitted.kind.build(
            Fitting(
                device=device,
                address=address,
                access=fitted.access,
                stages=fitted.stages,
                clock=clock,
                dry_run=dry_run,
            )
        )
        for language, fitted in fittings.items()
    }
    return {
        stage: FeedCut(drivers[by]) if stage is Stage.CUT else drivers[by]
        for stage, by in stages.items()
    }
