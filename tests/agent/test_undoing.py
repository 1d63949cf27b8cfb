"""What is changed at a device is remembered before, and put back after; nothing twice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from drivers.base import Act, Outcome, Repeat, Stage, Verdict
from policies.events import Ending, SettingRemembered, StepBegan
from policies.model import Device, Role, Starts, Task
from policies.state import Phase
from tests.agent.benches import Bench, begun, endings

CAMERA = Device(
    "slipway camera", Role.CAMERA, needs=("gate recorder",), stop_s=10.0, is_cut=True,
    starts=Starts.BY_ORDER, start_s=30.0,
)  # fmt: skip
OLD = Device("gate recorder", Role.RECORDER, quiesce_s=60.0, by_writers=True)
KEPT = Device(
    "gate recorder", Role.RECORDER, quiesce_s=10.0, can_restore=True, starts=Starts.BY_ITSELF
)


@dataclass
class Port:
    """A port whose feeding is set, as its driver and as itself."""

    setting: str = "on"
    reads: Verdict = Verdict.DONE
    quiesces: bool = True
    recalled: str = ""
    asked: list[Act] = field(default_factory=list)

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        acts = [Act.REMEMBER, Act.STOP, Act.START, Act.CONFIRM_GONE, Act.CONFIRM_RUNNING]
        return dict.fromkeys(acts, Repeat.SAFE)

    def recall(self, was: str) -> None:
        self.recalled = was

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        self.asked.append(act)
        if act is Act.REMEMBER:
            return Outcome(act, self.reads, f"it is {self.setting}", was=self.setting)
        if act is Act.STOP:
            self.setting = "off"
        if act is Act.START:
            self.setting = self.recalled
        return Outcome(act, Verdict.DONE, f"it is {self.setting}")

    async def close(self) -> None:
        """Nothing is open."""


@dataclass
class Jobs:
    """A recorder's jobs: idle, or as they were."""

    are_idle: bool = False
    told: list[Act] = field(default_factory=list)

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        return dict.fromkeys([Act.QUIESCE, Act.CONFIRM_QUIESCED, Act.RESTORE], Repeat.SAFE)

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        if act is Act.CONFIRM_QUIESCED:
            verdict = Verdict.DONE if self.are_idle else Verdict.NOT_YET
            return Outcome(act, verdict, f"idle: {self.are_idle}")
        self.told.append(act)
        self.are_idle = act is Act.QUIESCE
        return Outcome(act, Verdict.DONE, f"{act.value} accepted")

    async def close(self) -> None:
        """Nothing is open."""


def stand_with(port: Port, *devices: Device) -> Bench:
    stand = Bench(*(devices or (CAMERA, OLD)))
    stand.drivers[CAMERA.name] = dict.fromkeys((Stage.STOP, Stage.START, Stage.VERIFY), port)
    stand.drivers.pop(OLD.name, None)  # nothing can be told to it
    stand()
    return stand


async def ended(stand: Bench, name: str, *, within_s: float = 400.0) -> tuple[Ending, str]:
    before = len([e for e in stand.keeper.events if type(e).__name__ == "OrderClosed"])
    await stand.until(
        lambda: len([e for e in stand.keeper.events if type(e).__name__ == "OrderClosed"]) > before,
        within_s=within_s,
    )
    return endings(stand.keeper.events)[name]


async def test_setting_is_journalled_before_it_is_changed() -> None:
    """Were it read after the cut, a port that was off would be switched on for good."""
    stand = stand_with(Port())
    stand.give(CAMERA.name)
    await ended(stand, CAMERA.name)

    kinds = [
        e.act if isinstance(e, StepBegan) else "kept"
        for e in stand.keeper.events
        if isinstance(e, StepBegan | SettingRemembered)
    ]
    assert kinds == ["remember", "kept", "stop", "confirm_gone"]
    assert stand.state.devices[CAMERA.name].was == {"stop": "on"}


async def test_start_after_a_restart_puts_back_what_was_found_first() -> None:
    """Killed and started anew, the agent still knows that this port had been off."""
    port = Port(setting="off")
    stand = stand_with(port)
    stand.give(CAMERA.name)
    await ended(stand, CAMERA.name)
    port.setting = "meddled with"
    stand()  # a new run of the agent, with the journal's state
    stand.give(CAMERA.name)  # a second outage before the return
    await ended(stand, CAMERA.name)
    stand.give(CAMERA.name, task=Task.START)
    await ended(stand, CAMERA.name)

    assert (port.recalled, port.setting) == ("off", "off")
    assert port.asked.count(Act.REMEMBER) == 1, "what is owed is not overwritten"
    assert stand.state.devices[CAMERA.name].was == {}


async def test_what_cannot_be_read_is_not_changed() -> None:
    """Nobody could put it back."""
    port = Port(reads=Verdict.REFUSED)
    stand = stand_with(port)
    stand.give(CAMERA.name)
    ending, evidence = await ended(stand, CAMERA.name)

    assert ending is Ending.FAILED and "nothing was changed" in evidence
    assert Act.STOP not in port.asked


async def test_recorder_that_would_not_quiesce_keeps_its_power() -> None:
    """A cut while it writes is what everything here is there to prevent."""
    port, cut = Port(), replace(CAMERA, name="gate recorder", role=Role.RECORDER, quiesce_s=5.0)
    stand = Bench(cut)
    stand.drivers[cut.name] = {
        **dict.fromkeys((Stage.STOP, Stage.START, Stage.VERIFY), port),
        Stage.QUIESCE: _Refusing(),
    }
    stand()
    stand.give(cut.name, in_short=True)
    ending, evidence = await ended(stand, cut.name)

    assert ending is Ending.FAILED and evidence.startswith("it keeps its power")
    assert port.setting == "on"


async def test_cut_waits_for_a_journal_that_can_be_written() -> None:
    """A port dark after a crash, and nothing anywhere that says so, is worse than one left on."""
    port = Port()
    stand = stand_with(port)
    stand.keeper.works = False
    stand.give(CAMERA.name)
    await stand.clock.advance(20.0)
    kept = port.setting
    stand.keeper.works = True
    ending, _ = await ended(stand, CAMERA.name)

    assert (kept, ending, port.setting) == ("on", Ending.AT_REST, "off")


class _Refusing(Jobs):
    """A recorder that will not have it."""

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        return Outcome(act, Verdict.REFUSED, "no such right")


async def test_quiesced_recorder_that_came_back_is_put_back_to_recording() -> None:
    """It idled through the outage; nobody else would make it record again."""
    jobs, stand = Jobs(), Bench(KEPT)
    stand.drivers[KEPT.name] = {Stage.QUIESCE: jobs}
    stand()
    stand.give(KEPT.name)
    rest = await ended(stand, KEPT.name)
    stand.give(KEPT.name, task=Task.START)
    back = await ended(stand, KEPT.name)

    assert rest[0] is Ending.AT_REST
    assert back == (Ending.RUNNING, "it was left running; restore accepted")
    assert jobs.told == [Act.QUIESCE, Act.RESTORE]
    assert stand.state.devices[KEPT.name].owed == frozenset()


async def test_what_somebody_restored_already_is_not_restored_twice() -> None:
    """After `lastwatt restore` from elsewhere, the agent looks, and leaves it."""
    jobs, stand = Jobs(), Bench(KEPT)
    stand.drivers[KEPT.name] = {Stage.QUIESCE: jobs}
    stand()
    stand.give(KEPT.name)
    await ended(stand, KEPT.name)
    jobs.are_idle = False
    stand.give(KEPT.name, task=Task.START)
    back = await ended(stand, KEPT.name)

    assert (back[0], jobs.told) == (Ending.RUNNING, [Act.QUIESCE])


async def test_recorder_without_interface_rests_once_its_cameras_do_and_a_minute_after() -> None:
    """Its disk is idle then: nothing writes to it, and it had time to write out."""
    stand = stand_with(Port(), CAMERA, OLD)
    stand.give(OLD.name, within_s=300.0)
    await stand.clock.advance(20.0)
    assert stand.phase(OLD.name) is Phase.RESTING, "its camera still writes"
    stand.give(CAMERA.name)
    await ended(stand, CAMERA.name)
    cut_at = stand.clock.monotonic()
    ending, evidence = await ended(stand, OLD.name)

    assert ending is Ending.AT_REST
    assert stand.clock.monotonic() - cut_at >= 60.0
    assert "slipway camera" in evidence and "second best" in evidence
    assert begun(stand.keeper.events, OLD.name)[-1] == "quiesce"


async def test_recorder_whose_camera_must_not_be_touched_is_given_up_loudly() -> None:
    """Somebody must know, rather than read that all went well."""
    stand = stand_with(Port(), replace(CAMERA, no_touch=True), OLD)
    stand.give(OLD.name)
    ending, evidence = await ended(stand, OLD.name)

    assert ending is Ending.FAILED
    assert "slipway camera still writes to it" in evidence


async def test_recorder_without_interface_returns_before_its_cameras_do() -> None:
    """It was left running; its cameras wait for it to count as running."""
    stand = stand_with(Port(), CAMERA, OLD)
    stand.give(CAMERA.name)
    await ended(stand, CAMERA.name)
    stand.give(OLD.name)
    await ended(stand, OLD.name)
    stand.give(OLD.name, task=Task.START)
    ending, _ = await ended(stand, OLD.name)

    assert (ending, stand.phase(OLD.name)) == (Ending.RUNNING, Phase.RUNNING)
