"""The redfish driver: against sushy-tools' emulator, and a service with sessions and tasks.

Facts of the protocol: DMTF DSP0266 (sessions, tasks, errors), ComputerSystem v1.27.0 (Reset,
PowerState, PowerRestorePolicy), Task v1.7.4 (TaskState).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from drivers.base import Act, Driver, Outcome, Repeat, Stage, Verdict
from drivers.redfish import KIND
from tests.drivers.fitting import fitted
from tests.drivers.fitting import perform as perform_by
from tests.peers.redfish import PASSWORD, SYSTEM, USER, Controller, Emulator, serving

STAGES: dict[Stage, dict[str, Any]] = {
    Stage.STOP: {},
    Stage.START: {},
    Stage.VERIFY: {"every": "0.2s"},
}
OTHER = "11111111-2222-4333-8444-555555555555"


def fit(
    port: int,
    stages: dict[Stage, dict[str, Any]] | None = None,
    *,
    dry_run: bool = False,
    **access: object,
) -> Driver:
    table = {
        "scheme": "http",
        "port": port,
        "user": USER,
        "password": SecretStr(PASSWORD),
        **access,
    }
    return fitted(KIND, table, STAGES if stages is None else stages, dry_run=dry_run)


async def perform(driver: Driver, act: Act, *, within_s: float = 20.0) -> Outcome:
    try:
        return await perform_by(driver, act, within_s=within_s)
    finally:
        await driver.close()


# sushy-tools' emulator, which nobody here wrote


@pytest.fixture(scope="module")
def emulator() -> Iterator[Emulator]:
    with Emulator() as found:
        yield found


async def test_machine_is_stopped_proved_off_and_started_again(emulator: Emulator) -> None:
    """A host's whole ride: PowerState follows seconds after the reply, and is the proof."""
    driver = fit(emulator.port, login="basic")
    stopped = await perform(driver, Act.STOP)
    assert stopped.verdict is Verdict.DONE, stopped.evidence
    assert stopped.evidence == "ResetType GracefulShutdown was accepted (204); PowerState was On"
    gone = await perform(driver, Act.CONFIRM_GONE)
    assert (gone.verdict, gone.evidence) == (Verdict.DONE, "PowerState is Off")
    again = await perform(driver, Act.STOP)
    assert again.evidence == "PowerState is Off already; nothing was sent"

    started = await perform(driver, Act.START)
    assert started.verdict is Verdict.DONE, started.evidence
    running = await perform(driver, Act.CONFIRM_RUNNING)
    assert (running.verdict, running.evidence) == (Verdict.DONE, "PowerState is On")


async def test_probe_tells_state_and_what_is_allowed(emulator: Emulator) -> None:
    """Before any outage: the login works, and the reset that the file asks for exists."""
    outcome = await perform(fit(emulator.port, login="basic"), Act.PROBE)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert f"Systems/{SYSTEM}: PowerState is " in outcome.evidence
    assert "GracefulShutdown" in outcome.evidence
    assert "clear text" in outcome.evidence


async def test_wrong_password_is_refused_at_once(emulator: Emulator) -> None:
    """It is mended by a person, and tried no second time here."""
    driver = fit(emulator.port, login="basic", password=SecretStr("granny-knot"))
    outcome = await perform(driver, Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "mend user or password" in outcome.advice


async def test_service_without_sessions_says_what_to_write(emulator: Emulator) -> None:
    """The emulator is such a service."""
    outcome = await perform(fit(emulator.port), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.advice.startswith(('write login = "basic"', "mend user or password"))


async def test_several_systems_must_be_told_apart() -> None:
    """A chassis with two machines: stopping the wrong one loses a recording."""
    with Emulator(systems=(SYSTEM, OTHER)) as two:
        unclear = await perform(fit(two.port, login="basic"), Act.STOP)
        named = await perform(fit(two.port, login="basic", system=OTHER), Act.STOP)

        assert unclear.verdict is Verdict.REFUSED
        assert SYSTEM in unclear.evidence and OTHER in unclear.evidence
        assert "system = …" in unclear.advice
        assert named.verdict is Verdict.DONE, named.evidence
        assert two.log.count("ComputerSystem.Reset") == 1


# Sessions, tasks, and what services say


async def test_session_is_opened_used_and_closed() -> None:
    """Controllers hold few sessions: none is left behind, and no secret is shown."""
    with serving(Controller()) as controller:
        outcome = await perform(fit(controller.port), Act.STOP)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert not controller.open
    assert controller.calls[-2].endswith('Reset {"ResetType": "GracefulShutdown"}')
    assert controller.calls[-1].startswith("DELETE ")
    assert PASSWORD not in repr(outcome) and "token-" not in repr(outcome)
    assert outcome.sent[0].endswith('{"UserName": "watch", "Password": "***"}')


@pytest.mark.parametrize(
    ("roles", "is_too_much"), [(["Administrator"], True), (["Operator"], False), (None, False)]
)
async def test_probe_says_that_an_operator_would_do(
    roles: list[str] | None, is_too_much: bool
) -> None:
    """Whoever finds the box must not own every machine's controller."""
    with serving(Controller(roles=roles)) as controller:
        outcome = await perform(fit(controller.port), Act.PROBE)

    assert outcome.verdict is Verdict.DONE
    assert ("Operator suffices" in outcome.advice) is is_too_much


async def test_session_is_closed_after_a_refusal_too() -> None:
    """Ten refused tries must not fill the controller's table of sessions."""
    with serving(Controller(allowed=("On", "ForceOff"))) as controller:
        outcome = await perform(fit(controller.port), Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.evidence == (
        "nothing was sent: the service does not allow ResetType GracefulShutdown, but ForceOff, On"
    )
    assert not controller.open
    assert not any("ComputerSystem.Reset {" in call for call in controller.calls)


async def test_allowed_resets_may_stand_in_an_action_info() -> None:
    """The other place where a service says them."""
    with serving(Controller(allowed=None)) as controller:
        outcome = await perform(fit(controller.port), Act.STOP)

    assert outcome.verdict is Verdict.DONE, outcome.evidence


async def test_power_button_is_not_pushed_at_a_machine_that_is_off() -> None:
    """It would turn it on, in the midst of an outage."""
    stages = {Stage.STOP: {"reset": "PushPowerButton"}}
    with serving(Controller(power="Off", allowed=("PushPowerButton",))) as controller:
        outcome = await perform(fit(controller.port, stages), Act.STOP)

    assert outcome.verdict is Verdict.DONE
    assert not any(call.startswith("POST /redfish/v1/Systems") for call in controller.calls)


@pytest.mark.alone
@pytest.mark.parametrize(
    ("states", "verdict"),
    [
        (("Running", "Completed"), Verdict.DONE),
        (("New", "Exception"), Verdict.REFUSED),
        (("Running",), Verdict.UNCERTAIN),
    ],
)
async def test_task_is_seen_through(states: tuple[str, ...], verdict: Verdict) -> None:
    """202 is no answer yet: the task's end is, and where none comes the stop is in doubt."""
    with serving(Controller(task_states=states)) as controller:
        outcome = await perform(fit(controller.port), Act.STOP, within_s=4.0)

    assert outcome.verdict is verdict, outcome.evidence
    assert outcome.took_s <= 4.25


@pytest.mark.parametrize(
    ("status", "verdict"),
    [
        (400, Verdict.REFUSED),
        (403, Verdict.REFUSED),
        (500, Verdict.UNCERTAIN),
        (503, Verdict.NO_ANSWER),
    ],
)
async def test_answer_to_a_reset_is_judged(status: int, verdict: Verdict) -> None:
    """What may have taken effect is looked at before it is repeated."""
    with serving(Controller(status=status)) as controller:
        outcome = await perform(fit(controller.port), Act.STOP)

    assert outcome.verdict is verdict, outcome.evidence
    assert not controller.open


async def test_service_that_repeats_the_password_does_not_spread_it() -> None:
    """Error messages quote what was sent."""
    wrong = SecretStr("round-turn-and-two")
    with serving(Controller()) as controller:
        outcome = await perform(fit(controller.port, password=wrong), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "user and password *** do not match" in outcome.evidence
    assert wrong.get_secret_value() not in repr(outcome)


async def test_target_outside_the_service_is_not_followed() -> None:
    """A hostile service must not have us post elsewhere."""
    with serving(Controller(target="http://127.0.0.1/off")) as controller:
        outcome = await perform(fit(controller.port), Act.STOP)

    assert outcome.verdict is Verdict.GARBLED
    assert not controller.open


async def test_machine_that_stays_off_after_the_outage_is_warned_about() -> None:
    """PowerRestorePolicy LastState keeps off what was stopped in order."""
    stages: dict[Stage, dict[str, Any]] = {Stage.STOP: {}}
    with serving(Controller(policy="LastState")) as controller:
        alone = await perform(fit(controller.port, stages), Act.PROBE)
        with_start = await perform(fit(controller.port), Act.PROBE)

    assert "stays off when power returns" in alone.advice
    assert "stays off" not in with_start.advice


@pytest.mark.alone
async def test_state_that_does_not_come_is_not_yet() -> None:
    """A machine that hangs in its shutdown is told apart from one that is off."""
    with serving(Controller(power="PoweringOff")) as controller:
        outcome = await perform(fit(controller.port), Act.CONFIRM_GONE, within_s=3.0)

    assert (outcome.verdict, outcome.evidence) == (Verdict.NOT_YET, "PowerState is PoweringOff")
    assert outcome.took_s <= 3.25


async def test_null_state_is_neither_on_nor_off() -> None:
    """PowerState is nullable."""
    with serving(Controller(power=None)) as controller:
        outcome = await perform(fit(controller.port), Act.CONFIRM_GONE, within_s=3.0)

    assert outcome.verdict is Verdict.NOT_YET


def test_acts_follow_the_tables() -> None:
    """A stop in doubt is looked at first."""
    assert dict(fit(1).acts) == {
        Act.PROBE: Repeat.SAFE,
        Act.STOP: Repeat.LOOK_FIRST,
        Act.START: Repeat.LOOK_FIRST,
        Act.CONFIRM_GONE: Repeat.SAFE,
        Act.CONFIRM_RUNNING: Repeat.SAFE,
    }


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"system": "a/b"}, "one member"),
        ({"login": "basic", "user": "a:b"}, "colon"),
        ({"tls": {"name": "x"}}, "no meaning over http"),
    ],
)
def test_bad_access_says_what_to_do(table: dict[str, object], says: str) -> None:
    """Found when the file is read, not in the outage."""
    with pytest.raises(ValidationError, match=says):
        fit(1, **table)  # type: ignore[arg-type]  # tables of the file
