"""How the tests of the ssh driver build one for a real sshd, and perform an act."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from typing import Any

from pydantic import SecretStr

from agent.clock import LoopClock
from drivers.base import Act, Driver, Fitting, Outcome, Stage
from drivers.ssh import KIND
from tests.peers.sshd import Sshd

Tables = Mapping[Stage, Mapping[str, Any]]


def fit(
    sshd: Sshd, stages: Tables | None = None, *, dry_run: bool = False, **access: object
) -> Driver:
    """Return a driver that *sshd* lets in, with these stage tables; *access* changes its own."""
    table = {
        "user": sshd.user,
        "port": sshd.port,
        "key": SecretStr(sshd.client_key),
        "host_keys": [sshd.fingerprint()],
        **access,
    }
    return KIND.build(
        Fitting(
            device="workshop PC",
            address=sshd.address,
            access=KIND.access.model_validate({k: v for k, v in table.items() if v is not None}),
            stages={
                stage: KIND.stages[stage].model_validate(settings)
                for stage, settings in (stages or {}).items()
            },
            clock=LoopClock(),
            dry_run=dry_run,
        )
    )


async def perform(driver: Driver, act: Act, *, within_s: float = 10.0) -> Outcome:
    """Perform an act with a deadline so many seconds from now."""
    now = asyncio.get_running_loop().time()
    return await driver.perform(act, deadline_at=now + within_s)


async def stop_by(sshd: Sshd, *, within_s: float = 10.0, **table: object) -> Outcome:
    """Perform a stop with this stop table."""
    return await perform(fit(sshd, {Stage.STOP: table}), Act.STOP, within_s=within_s)
