"""A recorder that would not quiesce goes on running, unless its cut saves another; and it is said.

The decision itself is tested with the policies; here a whole agent carries it out.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.base import Act
from policies.events import NoticeRaised, StepBegan
from policies.model import Battery, Device, Role, Starts, Unit
from policies.owed import owed_changes
from policies.state import Phase
from tests.agent import machines
from tests.agent.yards import AFTER_A_MINUTE, Yard

SLIP = Device(
    "slip recorder", Role.RECORDER, 60, 60, ("cabinet",), worth=5.0, quiesce_s=20.0, stop_s=10.0,
    is_cut=True, stop_when=AFTER_A_MINUTE, starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip
STORE = Device(
    "loft store", Role.STORAGE, 25, 25, ("cabinet",), worth=10.0, stop_s=60.0, settle_s=10.0,
    stop_when=AFTER_A_MINUTE, starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip


def yard(*, watt_hours: float, needs: tuple[str, ...] = ("loft store",)) -> Yard:
    """A store, and a recorder that refuses to be quiesced."""
    unit = Unit("cabinet", 1000, 700, Battery(watt_hours=watt_hours))
    found = Yard(replace(SLIP, needs=needs), STORE, units=(unit,))
    found.scripted["slip recorder"].always[Act.QUIESCE] = machines.refuse
    return found


def alarms(site: Yard) -> list[str]:
    return [
        event.text
        for event in site.heard
        if isinstance(event, NoticeRaised)
        and event.about == "slip recorder"
        and event.severity == "error"
    ]


async def test_recorder_that_would_not_quiesce_keeps_its_power_and_that_is_said() -> None:
    """A cut while it writes is the harm that all this is to spare it."""
    site = yard(watt_hours=600.0, needs=())
    site.start()
    site.fail_mains()
    await site.until(lambda: bool(alarms(site)), within_s=300.0)
    await site.stop()

    assert site.machines["slip recorder"].told(Act.STOP) == 0
    assert "it keeps its power and goes on running" in alarms(site)[0]


async def test_recorder_in_the_way_of_a_store_is_cut_at_the_last_moment_and_that_is_said() -> None:
    """Else the store would lose its power while it writes."""
    site = yard(watt_hours=25.0)
    site.start()
    site.fail_mains()
    await site.until(
        lambda: site.engine.state.devices["slip recorder"].phase is Phase.AT_REST, within_s=3600.0
    )
    state = site.engine.state
    await site.until(lambda: site.are_all(Phase.AT_REST), within_s=300.0)
    await site.stop()

    evidence = state.devices["slip recorder"].evidence
    assert "to save another: loft store can stop only after it" in evidence
    assert any(text.startswith("slip recorder is now cut though it may") for text in alarms(site))
    assert site.stopped_at("slip recorder") < site.stopped_at("loft store")
    owed = {one.device: one.acts for one in owed_changes(site.site, state)}
    assert owed["slip recorder"] == ("stopped",)


async def test_recorder_is_told_to_quiesce_before_it_is_cut() -> None:
    """A cut that nothing was tried before could have been an orderly one."""
    site = yard(watt_hours=25.0)
    site.start()
    site.fail_mains()
    await site.until(lambda: site.machines["slip recorder"].told(Act.STOP) > 0, within_s=3600.0)
    await site.stop()

    acts = [e.act for e in site.heard if isinstance(e, StepBegan) and e.device == "slip recorder"]
    assert acts.index("quiesce") < acts.index("stop")
