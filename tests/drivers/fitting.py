"""How tests build a driver of a kind from tables as the site's file has them, and have it act."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from agent.clock import LoopClock
from drivers.base import Act, Driver, DriverKind, Fitting, Outcome, Stage

Tables = Mapping[Stage, Mapping[str, Any]]


def fitted(
    kind: DriverKind,
    access: Mapping[str, object],
    stages: Tables,
    *,
    address: str = "127.0.0.1",
    dry_run: bool = False,
) -> Driver:
    """Return a driver; secrets are read already."""
    return kind.build(
        Fitting(
            device="gate recorder",
            address=address,
            access=kind.access.model_validate(access),
            stages={
                stage: kind.stages[stage].model_validate(settings)
                for stage, settings in stages.items()
            },
            clock=LoopClock(),
            dry_run=dry_run,
        )
    )


async def perform(driver: Driver, act: Act, *, within_s: float = 10.0) -> Outcome:
    """Perform an act with a deadline so many seconds from now."""
    now = asyncio.get_running_loop().time()
    return await driver.perform(act, deadline_at=now + within_s)
