"""The snmp-write driver against net-snmp's snmpd, on an object that snmpd itself lets be written.

It is snmpEnableAuthenTraps of RFC 3418: enabled(1), disabled(2); a switch like an outlet's.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from drivers.base import Act, Driver, Remembering, Repeat, Stage, Verdict
from drivers.snmp_write import KIND
from tests.drivers.fitting import fitted, perform
from tests.peers.snmpd import AUTH_SECRET, PRIVACY_SECRET, SWITCH, WATCH, Snmpd, User

pytestmark = pytest.mark.peer

OBJECT = "1.3.6.1.2.1.11.30.0"
ON, OFF = 1, 2
STAGES: dict[Stage, dict[str, Any]] = {
    Stage.STOP: {"oid": OBJECT, "value": OFF},
    Stage.START: {"oid": OBJECT, "value": ON},
    Stage.VERIFY: {"oid": OBJECT, "gone": OFF, "running": ON, "interval": "0.1s"},
}


@pytest.fixture
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("outlets"), users=(SWITCH, WATCH)) as found:
        yield found


def fit(
    snmpd: Snmpd,
    stages: dict[Stage, dict[str, Any]] | None = None,
    *,
    user: User = SWITCH,
    dry_run: bool = False,
) -> Driver:
    snmp = {
        "version": "3", "port": snmpd.port, "user": user.name, "timeout": "1s",
        "auth": "sha256", "auth_secret": SecretStr(AUTH_SECRET),
        "privacy": "aes128", "privacy_secret": SecretStr(PRIVACY_SECRET),
    }  # fmt: skip
    access = {"address": snmpd.address, "snmp": snmp}
    return fitted(KIND, access, STAGES if stages is None else stages, dry_run=dry_run)


async def test_outlet_is_switched_off_proved_off_and_on_again(snmpd: Snmpd) -> None:
    """The whole ride: looked at, written, read back, and put back."""
    driver = fit(snmpd)
    started = await perform(driver, Act.START)  # snmpd begins with traps off
    remembered = await perform(driver, Act.REMEMBER)
    stopped = await perform(driver, Act.STOP)
    gone = await perform(driver, Act.CONFIRM_GONE)
    again = await perform(driver, Act.STOP)
    assert isinstance(driver, Remembering)
    driver.recall(remembered.was)
    back = await perform(driver, Act.START)
    running = await perform(driver, Act.CONFIRM_RUNNING)
    await driver.close()

    assert started.verdict is Verdict.DONE, started.evidence
    assert remembered.was == "1"
    assert (stopped.verdict, stopped.evidence) == (Verdict.DONE, f"{OBJECT} was 1, and is 2 now")
    assert stopped.sent[1] == f"SNMP 127.0.0.1 port {snmpd.port}: SET {OBJECT} = 2"
    assert gone.verdict is Verdict.DONE
    assert (again.evidence, len(again.sent)) == (f"{OBJECT} is 2 already", 1)
    assert back.evidence == f"{OBJECT} was 2, and is 1 now"
    assert running.verdict is Verdict.DONE


async def test_what_was_off_before_is_left_off(snmpd: Snmpd) -> None:
    """The owner had switched it off: the return is no reason to switch it on."""
    driver = fit(snmpd)
    await perform(driver, Act.STOP)
    remembered = await perform(driver, Act.REMEMBER)
    assert isinstance(driver, Remembering)
    driver.recall(remembered.was)
    outcome = await perform(driver, Act.START)
    await driver.close()

    assert (outcome.verdict, outcome.sent) == (Verdict.DONE, ())
    assert outcome.evidence == f"{OBJECT} was 2 before, and is left so"


async def test_user_that_may_only_read_is_refused(snmpd: Snmpd) -> None:
    """With advice, and found at the first order: SNMP has no asking beforehand."""
    await perform(fit(snmpd), Act.START)
    driver = fit(snmpd, user=WATCH)
    outcome = await perform(driver, Act.STOP)
    await driver.close()

    assert outcome.verdict is Verdict.REFUSED
    assert "may not write" in outcome.evidence


async def test_object_that_shows_something_else_is_in_doubt_unless_the_file_says(
    snmpd: Snmpd,
) -> None:
    """SysServices (RFC 3418) cannot be written; what shows otherwise than written is no proof."""
    late = {Stage.STOP: {"oid": OBJECT, "value": OFF, "expect": [7]}}
    said = {Stage.STOP: {"oid": OBJECT, "value": ON, "expect": [1, 7]}}
    first, second = fit(snmpd, late), fit(snmpd, said)
    doubted = await perform(first, Act.STOP)
    believed = await perform(second, Act.STOP)
    for driver in (first, second):
        await driver.close()

    assert doubted.verdict is Verdict.UNCERTAIN
    assert "took 2, yet shows 2" in doubted.evidence
    assert believed.verdict is Verdict.DONE


async def test_object_that_is_not_there_is_garbled(snmpd: Snmpd) -> None:
    """A wrong row is found by probe."""
    stages = {Stage.STOP: {"oid": "1.3.6.1.4.1.99999.1.3", "value": 2}}
    driver = fit(snmpd, stages)
    outcome = await perform(driver, Act.PROBE)
    await driver.close()

    assert outcome.verdict is Verdict.GARBLED
    assert "no number at 1.3.6.1.4.1.99999.1.3" in outcome.evidence


async def test_probe_says_when_an_account_sees_the_whole_device(tmp_path: Path) -> None:
    """A view of just the outlet is all that a stolen box then gives away (RFC 3415)."""
    held = User("held", may_write=True, subtree="1.3.6.1.2.1.11")
    with Snmpd(tmp_path, users=(SWITCH, held)) as snmpd:
        drivers = [fit(snmpd, user=user) for user in (SWITCH, held)]
        wide, narrow = [await perform(driver, Act.PROBE) for driver in drivers]
        for driver in drivers:
            await driver.close()

    assert wide.verdict is narrow.verdict is Verdict.DONE, narrow.evidence
    assert "sees the whole of the device" in wide.advice
    assert "sees" not in narrow.advice


@pytest.mark.alone
async def test_silent_peer_ends_by_the_deadline(snmpd: Snmpd) -> None:
    """A frozen outlet strip holds nothing up."""
    driver = fit(snmpd)
    snmpd.freeze()
    outcome = await perform(driver, Act.STOP, within_s=0.6)
    snmpd.thaw()
    await driver.close()

    assert outcome.verdict is Verdict.NO_ANSWER
    assert outcome.took_s <= 0.85


async def test_dry_run_says_each_question_and_sends_none(snmpd: Snmpd) -> None:
    """What a rehearsal shows is what would go out."""
    driver = fit(snmpd, dry_run=True)
    outcome = await perform(driver, Act.STOP)
    at = f"SNMP 127.0.0.1 port {snmpd.port}"

    assert outcome.verdict is Verdict.ASSUMED
    assert outcome.sent == (f"{at}: GET {OBJECT}", f"{at}: SET {OBJECT} = 2", f"{at}: GET {OBJECT}")


async def test_acts_follow_the_tables(snmpd: Snmpd) -> None:
    """What shows only one of two states confirms only that."""
    stages = {Stage.VERIFY: {"oid": OBJECT, "gone": [OFF, 3]}}

    assert dict(fit(snmpd, stages).acts) == {
        Act.PROBE: Repeat.SAFE,
        Act.CONFIRM_GONE: Repeat.SAFE,
    }


@pytest.mark.parametrize(
    "table",
    [{"oid": "sysName.0", "value": 1}, {"oid": OBJECT, "value": 2**31}, {"oid": OBJECT}],
)
def test_bad_tables_are_found_when_the_file_is_read(table: dict[str, Any]) -> None:
    """Names are no numbers here, and an INTEGER has 32 bits (RFC 2578)."""
    with pytest.raises(ValidationError):
        KIND.stages[Stage.STOP].model_validate(table)
