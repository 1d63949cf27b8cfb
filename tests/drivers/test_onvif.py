"""The onvif driver, against a recorder whose messages an independent SOAP library reads and writes.

Facts: ONVIF Core (services, access classes, WS-UsernameToken 5.9.5), Recording Control 5.15, 5.18
and 5.19 (jobs, modes, states); the schema is the published WSDL.
"""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from typing import Any

import pytest
from pydantic import SecretStr

from drivers.base import Act, Driver, Remembering, Repeat, Stage, Verdict
from drivers.errors import DeviceGarbledError
from drivers.onvif import KIND
from drivers.onvif_soap import Fault, Token, body_of
from tests.drivers.fitting import fitted, perform
from tests.peers.onvif import PASSWORD, USER, Recorder, serving

STAGES: dict[Stage, dict[str, Any]] = {
    Stage.QUIESCE: {"settle": "0.3s", "every": "0.1s"},
    Stage.VERIFY: {"every": "0.1s"},
}


def fit(
    recorder: Recorder,
    stages: dict[Stage, dict[str, Any]] | None = None,
    *,
    dry_run: bool = False,
    **access: object,
) -> Driver:
    table = {
        "port": recorder.port,
        "user": USER,
        "password": SecretStr(PASSWORD),
        "auth": recorder.auth,
        **access,
    }
    return fitted(KIND, table, STAGES if stages is None else stages, dry_run=dry_run)


def orders(recorder: Recorder) -> list[str]:
    """Return what changed something."""
    return [call for call in recorder.calls if call.startswith("Set")]


# The token


def test_token_is_that_of_the_programmers_guide() -> None:
    """ONVIF Application Programmer's Guide, section 6.1.1.3: its worked example."""
    token = Token.of(
        "user",
        "userpassword",
        nonce=base64.b64decode("LKqI6G/AikKCQrN0zqZFlg=="),
        created=datetime(2010, 9, 16, 7, 50, 45, tzinfo=UTC),
    )

    assert token.created == "2010-09-16T07:50:45Z"
    assert token.digest == "tuOSpGlFlIXsozq4HFNeeGeFLEI="


# Quiescing and restoring


@pytest.mark.parametrize("auth", ["digest", "token"])
async def test_recording_is_idled_proved_and_put_back(auth: str) -> None:
    """The whole ride: what recorded before records after, what was idle stays so."""
    modes = {"job-1": "Active", "job-2": "Idle", "job-3": "Active"}
    with serving(Recorder(dict(modes), auth=auth)) as recorder:
        driver = fit(recorder)
        remembered = await perform(driver, Act.REMEMBER)
        quiesced = await perform(driver, Act.QUIESCE)
        confirmed = await perform(driver, Act.CONFIRM_QUIESCED)
        idled = dict(recorder.modes)
        # Another process puts it back, from what the journal kept.
        other = fit(recorder)
        assert isinstance(other, Remembering)
        other.recall(remembered.was)
        restored = await perform(other, Act.RESTORE)
        running = await perform(other, Act.CONFIRM_RUNNING)

    assert json.loads(remembered.was) == modes
    assert (quiesced.verdict, quiesced.evidence) == (Verdict.DONE, "set to Idle: job-1, job-3")
    assert set(idled.values()) == {"Idle"}
    assert confirmed.verdict is Verdict.DONE
    assert confirmed.evidence == "all recording jobs are Idle, and so 0.3 s later"
    assert (restored.verdict, restored.evidence) == (Verdict.DONE, "set to Active: job-1, job-3")
    assert recorder.modes == modes
    assert running.verdict is Verdict.DONE, running.evidence
    assert PASSWORD not in repr([remembered, quiesced, confirmed, restored, running])


@pytest.mark.alone
async def test_recorder_that_takes_idle_and_records_on_is_not_quiesced() -> None:
    """It is common: cutting its power would damage the recording."""
    with serving(Recorder(obeys=False)) as recorder:
        driver = fit(recorder)
        await perform(driver, Act.QUIESCE)
        outcome = await perform(driver, Act.CONFIRM_QUIESCED, within_s=3.0)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.evidence == "job job-1 is Active"
    assert outcome.took_s <= 3.25


async def test_recording_that_ends_late_is_waited_for_and_then_settles() -> None:
    """Mode is intent; only the state says whether data flows (Recording Control 5.3.3)."""
    with serving(Recorder(lags=3)) as recorder:
        driver = fit(recorder)
        await perform(driver, Act.QUIESCE)
        outcome = await perform(driver, Act.CONFIRM_QUIESCED)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.took_s >= 0.6


async def test_no_time_to_settle_is_not_quiesced() -> None:
    """What was cached may not be on disk yet."""
    stages: dict[Stage, dict[str, Any]] = {Stage.QUIESCE: {"settle": "30s", "every": "0.1s"}}
    with serving(Recorder({"job-1": "Idle"})) as recorder:
        outcome = await perform(fit(recorder, stages), Act.CONFIRM_QUIESCED, within_s=20.0)

    assert outcome.verdict is Verdict.NOT_YET
    assert "no time was left for 30 s of settling" in outcome.evidence
    assert outcome.took_s < 15.0


async def test_only_named_recordings_are_touched() -> None:
    """A device may record for others too."""
    stages: dict[Stage, dict[str, Any]] = {Stage.QUIESCE: {"recordings": ["gate"]}}
    where = {"job-1": "gate", "job-2": "neighbour"}
    with serving(Recorder({"job-1": "Active", "job-2": "Active"}, where)) as recorder:
        outcome = await perform(fit(recorder, stages), Act.QUIESCE)
        lost = {Stage.QUIESCE: {"recordings": ["slipway"]}}
        unknown = await perform(fit(recorder, lost), Act.QUIESCE)

    assert outcome.evidence == "set to Idle: job-1"
    assert recorder.modes == {"job-1": "Idle", "job-2": "Active"}
    assert unknown.verdict is Verdict.REFUSED
    assert "no job writes the recording slipway" in unknown.evidence


async def test_same_again_sets_nothing() -> None:
    """After a crash the agent may ask once more."""
    with serving(Recorder()) as recorder:
        driver = fit(recorder)
        first, second = [await perform(driver, Act.QUIESCE) for _ in range(2)]

    assert first.verdict is second.verdict is Verdict.DONE
    assert second.evidence == "no recording job was Active; nothing was set"
    assert orders(recorder) == ["SetRecordingJobMode JobToken=job-1 Mode=Idle"]


async def test_job_that_vanished_is_named_when_it_is_to_be_restored() -> None:
    """The owner must set its recording up anew; the rest is put back."""
    with serving(Recorder({"job-1": "Idle"})) as recorder:
        driver = fit(recorder)
        assert isinstance(driver, Remembering)
        driver.recall(json.dumps({"job-1": "Active", "job-9": "Active"}))
        outcome = await perform(driver, Act.RESTORE)

    assert outcome.verdict is Verdict.REFUSED
    assert "no longer there: job-9" in outcome.evidence
    assert recorder.modes == {"job-1": "Active"}


async def test_idle_job_of_old_is_not_waited_for_after_the_outage() -> None:
    """It did not record before either."""
    with serving(Recorder({"job-1": "Active", "job-2": "Idle"})) as recorder:
        driver = fit(recorder)
        assert isinstance(driver, Remembering)
        everything = await perform(driver, Act.CONFIRM_RUNNING, within_s=0.5)
        driver.recall(json.dumps({"job-1": "Active", "job-2": "Idle"}))
        as_before = await perform(driver, Act.CONFIRM_RUNNING)

    assert everything.verdict is Verdict.NOT_YET
    assert (as_before.verdict, as_before.evidence) == (Verdict.DONE, "job job-1 is Active")


# Logging in


async def test_device_with_a_wrong_clock_is_logged_in_at_all_the_same() -> None:
    """Its clock is cold after an outage; a token with our time would be refused."""
    with serving(Recorder(auth="token", clock_off_s=-86400.0 * 365)) as recorder:
        probed = await perform(fit(recorder), Act.PROBE)

    assert probed.verdict is Verdict.DONE, probed.evidence
    assert "its clock is 365 days" in probed.evidence


@pytest.mark.parametrize("auth", ["digest", "token"])
async def test_wrong_password_is_refused_and_never_shown(auth: str) -> None:
    """One try; the fault of a device may repeat what it was sent."""
    with serving(Recorder(auth=auth)) as recorder:
        outcome = await perform(fit(recorder, password=SecretStr("slip-knot-7")), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "mend user and password" in outcome.advice
    assert "slip-knot-7" not in repr(outcome)


async def test_account_without_the_right_level_is_told_apart() -> None:
    """Reading is let in, ordering is not: level Operator is missing."""
    with serving(Recorder(may_order=False)) as recorder:
        probed = await perform(fit(recorder), Act.PROBE)
        outcome = await perform(fit(recorder), Act.QUIESCE)

    assert probed.verdict is Verdict.DONE
    assert outcome.verdict is Verdict.REFUSED
    assert "level Operator" in outcome.advice
    assert PASSWORD not in repr(outcome), "the fault repeats it"


async def test_device_without_recording_service_says_so() -> None:
    """Most cameras: they only stream."""
    with serving(Recorder(has_recording=False)) as recorder:
        outcome = await perform(fit(recorder), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.evidence.startswith("it has no recording service")


async def test_service_at_another_port_is_not_followed_blindly() -> None:
    """The password goes only where the file says."""
    with serving(Recorder(names_port=1)) as recorder:
        probed = await perform(fit(recorder), Act.PROBE)
        recorder.failing["GetRecordingJobs"] = 404
        outcome = await perform(fit(recorder), Act.QUIESCE)

    assert probed.verdict is Verdict.DONE
    assert outcome.verdict is Verdict.REFUSED
    assert "it names port 1 for its recording service" in outcome.evidence


@pytest.mark.parametrize(
    ("status", "verdict"),
    [(503, Verdict.NO_ANSWER), (404, Verdict.REFUSED), (500, Verdict.GARBLED)],
)
async def test_answer_that_is_none_is_judged(status: int, verdict: Verdict) -> None:
    """Busy, absent, or no SOAP."""
    with serving(Recorder(failing={"SetRecordingJobMode": status})) as recorder:
        outcome = await perform(fit(recorder), Act.QUIESCE)

    assert outcome.verdict is verdict, outcome.evidence


async def test_probe_warns_of_what_is_not_set_up_as_jobs() -> None:
    """Recording set up elsewhere need not appear as a job: idling nothing proves nothing."""
    with serving(Recorder({})) as recorder:
        outcome = await perform(fit(recorder), Act.PROBE)

    assert "it has no recording job" in outcome.evidence
    assert "cannot quiesce it" in outcome.advice
    assert "only a live drill" in outcome.advice


async def test_probe_says_that_an_operator_would_do() -> None:
    """An administrator's password in a box that may be stolen opens the whole recorder."""
    with serving(Recorder(is_administrator=True)) as recorder:
        master = await perform(fit(recorder), Act.PROBE)
    with serving(Recorder()) as recorder:
        operator = await perform(fit(recorder), Act.PROBE)

    assert master.verdict is operator.verdict is Verdict.DONE
    assert "level Operator suffices" in master.advice
    assert "Operator" not in operator.advice


def test_acts_follow_the_tables() -> None:
    """Everything it does is harmless to repeat."""
    acts = fit(Recorder(port=1)).acts

    assert set(acts) == {
        Act.PROBE, Act.REMEMBER, Act.QUIESCE, Act.CONFIRM_QUIESCED, Act.RESTORE,
        Act.CONFIRM_RUNNING,
    }  # fmt: skip
    assert set(acts.values()) == {Repeat.SAFE}


def test_document_type_is_not_even_parsed() -> None:
    """Entities of a hostile device would eat the box's memory."""
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaa">]><x>&a;</x>'

    with pytest.raises(DeviceGarbledError, match="document type"):
        body_of(bomb)


def test_fault_is_read_with_its_subcodes() -> None:
    """SOAP 1.2 part 1, section 5.4: Code, Subcode, Reason."""
    from tests.peers.onvif import _fault

    fault = body_of(_fault("BadMode"))
    assert isinstance(fault, Fault)
    assert fault.codes == ("Sender", "BadMode")
