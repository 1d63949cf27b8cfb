"""The monthly digest as regular work: filed, and said."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from agent.clock import LoopClock
from agent.regular.digest import MonthlyDigest
from tests.agent.test_wiring import journalled, loaded_site, running, until, until_heard
from tests.peers.snmpd import Snmpd


@pytest.mark.peer
async def test_digest_is_filed_and_said(tmp_path: Path) -> None:
    """An owner gets it without asking, and finds it a year later."""
    state = tmp_path / "state"
    with Snmpd(tmp_path / "unit") as snmpd:
        async with running(loaded_site(tmp_path, snmpd), state) as agent:
            await until_heard(agent)
            await until(lambda: journalled(state, "started_agent"))
            digest = MonthlyDigest(
                agent.engine, state, clock=LoopClock(), zone=ZoneInfo("Europe/Lisbon")
            )
            day = datetime.now(UTC).date()
            came = await digest(day)

    assert came.is_well, came.why
    (path,) = (state / "reports").glob("month-*.html")
    assert f"{day:%Y-%m}" in path.name
    assert "Quayside boatyard" in path.read_text()
    said = [e["text"] for e in journalled(state, "raised_notice") if e["about"] == "monthly digest"]
    assert len(said) == 1
    assert f"{day:%B %Y}" in said[0]
