"""A recorder that is back says so, with what it missed."""

from __future__ import annotations

from agent import status
from policies.events import NoticeRaised
from policies.state import Phase
from tests.agent.yards import Yard


async def test_recorder_that_is_back_is_told_with_its_gap() -> None:
    """The owner learns for how long there is no picture, and by what it is known to run."""
    yard = Yard()
    yard.start()
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)
    engine, now = yard.engine, yard.clock.monotonic()
    shown = status.document(engine.site, engine.state, engine.decision, now=now, dry_run=False)
    gate = next(each for each in shown["devices"] if each["name"] == "gate recorder")
    assert gate["gap_open"]
    assert 40.0 < gate["gap_s"] < 200.0
    assert any("it has recorded nothing for" in line for line in status.lines(shown))

    yard.return_mains()
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=600.0)
    told = [e.text for e in yard.heard if isinstance(e, NoticeRaised) and "is back (" in e.text]
    gap_s = engine.state.devices["gate recorder"].gap.lasting_s(0.0)
    assert len(told) == 1
    assert told[0].startswith("gate recorder is back (confirm_running: seen); it recorded nothing")
    assert gap_s > gate["gap_s"]
    await yard.stop()
