"""Builds an http driver from tables as the site's file would hold them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import SecretStr

from agent.clock import LoopClock
from drivers.base import Act, Clock, Driver, Fitting, Outcome, Stage
from drivers.http import KIND

STOP: dict[str, Any] = {
    "path": "/api/stop",
    "json": {"mode": "off"},
    "expect": {"json": {"state": "stopping"}},
}


def http_driver(
    port: int,
    *,
    access: Mapping[str, Any] | None = None,
    clock: Clock | None = None,
    dry_run: bool = False,
    address: str = "127.0.0.1",
    **stages: Mapping[str, Any],
) -> Driver:
    """Return the driver of a device at *port*; plain http without a login unless *access* says."""
    table = {"scheme": "http", "port": port, **(access or {})}
    if isinstance(table.get("password"), str):
        table["password"] = SecretStr(table["password"])
    named = {Stage(name): table for name, table in stages.items()}
    return KIND.build(
        Fitting(
            device="gate recorder",
            address=address,
            access=KIND.access.model_validate(table),
            stages={s: KIND.stages[s].model_validate(t) for s, t in named.items()},
            clock=clock or LoopClock(),
            dry_run=dry_run,
        )
    )


async def done(driver: Driver, act: Act, *, within_s: float = 5.0) -> Outcome:
    """Return the outcome of one act, given *within_s* of real time; the driver is closed."""
    try:
        return await driver.perform(act, deadline_at=LoopClock().monotonic() + within_s)
    finally:
        await driver.close()
