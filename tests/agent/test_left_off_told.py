"""A recorder whose unit stays dark after the outage is told of, once."""

from __future__ import annotations

from dataclasses import replace

from agent import status
from policies.events import NoticeRaised
from policies.left_off import AFTER_S
from policies.model import Device, Role
from policies.state import Phase
from tests.agent.machines import REST_ACTS
from tests.agent.yards import CABINET, RECORDER, Yard

LOFT = replace(CABINET, name="loft")
SWITCH = Device("yard switch", Role.SWITCH, 10, 10, ("cabinet",))
LOFT_RECORDER = replace(RECORDER, name="loft recorder", feeds=("loft",), path=())


async def test_recorder_behind_a_unit_that_does_not_come_back_is_told_of_once() -> None:
    """Somebody must go there: said once, not with each decision, and not before mains is back."""
    yard = Yard(
        SWITCH, LOFT_RECORDER, acts={"yard switch": {}, "loft recorder": REST_ACTS},
        units=(CABINET, LOFT),
    )  # fmt: skip
    yard.start()
    yard.fail_mains()
    await yard.until(lambda: yard.are_all(Phase.AT_REST), within_s=400.0)
    yard.silent.add("loft")
    await yard.clock.advance(2.0 * AFTER_S)
    assert told(yard) == []

    yard.return_mains("cabinet")
    await yard.clock.advance(AFTER_S - 60.0)
    assert told(yard) == []
    await yard.clock.advance(AFTER_S)
    assert [(notice.severity, notice.about) for notice in told(yard)] == [
        ("error", "loft recorder")
    ]
    engine = yard.engine
    shown = status.document(
        engine.site, engine.state, engine.decision, now=yard.clock.monotonic(), dry_run=False
    )
    off = next(each for each in shown["devices"] if each["name"] == "loft recorder")
    assert off["reason"].startswith(
        "loft recorder stays off: loft, which feeds it, does not answer"
    )

    yard.silent.discard("loft")
    yard.return_mains("loft")
    await yard.until(lambda: yard.are_all(Phase.RUNNING), within_s=600.0)
    await yard.stop()


def told(yard: Yard) -> list[NoticeRaised]:
    return [e for e in yard.heard if isinstance(e, NoticeRaised) and "stays off" in e.text]
