"""The nightly check of logins: a wrong one is tried once, and it makes way for every order."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from datetime import date
from pathlib import Path

from agent.grades.credentials import hashed, is_same, login_of
from agent.grades.login_checks import PROBE_S, LoginChecks
from drivers.base import Act, Repeat
from policies.events import LoginRefused, NoticeRaised
from policies.state import SiteState
from tests.agent import machines
from tests.agent.machines import REST_ACTS
from tests.agent.site_files import read
from tests.agent.test_check import QUIET
from tests.agent.test_drills import GATE, Drilled
from tests.agent.yards import ACTS

TODAY = date(2026, 6, 1)
PROBED: Mapping[Act, Repeat] = {**REST_ACTS, Act.PROBE: Repeat.SAFE}


class Checked(Drilled):
    """The boatyard, whose recorder can be logged in at by night."""

    checks: LoginChecks
    login = b"tide-tables"

    async def attend(self, state: SiteState | None = None) -> None:
        await super().attend(state)
        self.checks = LoginChecks(
            self.engine,
            self.drivers,
            clock=self.clock,
            grading=self.grading,
            login=lambda name: self.login,
        )
        self.heard.others.append(self.checks.hear)  # type: ignore[attr-defined]  # it is Heard
        self._watching.append(asyncio.create_task(self.checks.run(), name="login checks"))

    async def night(self) -> None:
        """Let one night's check pass."""
        self.checks.begin()
        for _ in range(60):
            await self.clock.advance(1.0)
            await asyncio.sleep(0.01)  # hashing is done in a thread of its own

    @property
    def probes(self) -> int:
        return sum(act is Act.PROBE for _, act in self.machines[GATE].asked)


async def yard() -> Checked:
    made = Checked(acts={**ACTS, GATE: PROBED})
    await made.attend()
    return made


async def test_a_login_that_works_is_noted_with_its_day() -> None:
    """A login nobody has tried for months is no login to rely on."""
    checked = await yard()
    await checked.night()
    assert ("login checked", TODAY) in checked.earned(GATE)
    await checked.leave()


async def test_a_wrong_login_is_tried_once_and_again_only_when_it_is_another() -> None:
    """Each more try might lock the account, and the next outage would find it locked."""
    checked = await yard()
    checked.scripted[GATE].always[Act.PROBE] = machines.refuse
    await checked.night()
    await checked.night()
    assert checked.probes == 1
    (refused,) = [e for e in checked.keeper.events if isinstance(e, LoginRefused)]
    assert "tide-tables" not in refused.login

    state = checked.engine.state
    await checked.kill()
    await checked.attend(state)
    await checked.night()
    assert checked.probes == 1, "a restart forgets nothing"

    checked.login = b"spring-tides"
    checked.scripted[GATE].always.pop(Act.PROBE)
    await checked.night()
    assert checked.probes == 2
    assert checked.engine.state.devices[GATE].refused_login == ""
    await checked.leave()


async def test_what_a_probe_found_amiss_is_said_though_the_login_works() -> None:
    """Updates that wait for a restart are no wrong password: the login counts as checked."""
    checked = await yard()
    checked.scripted[GATE].always[Act.PROBE] = machines.not_yet_at_once
    await checked.night()

    assert ("login checked", TODAY) in checked.earned(GATE)
    said = [event.text for event in checked.keeper.events if isinstance(event, NoticeRaised)]
    assert any("something is amiss" in text for text in said), said
    await checked.leave()


async def test_a_login_that_worked_and_fails_is_said_loudly() -> None:
    """Somebody changed the password, and can still be asked for it."""
    checked = await yard()
    await checked.night()
    checked.scripted[GATE].always[Act.PROBE] = machines.refuse
    await checked.night()
    said = [e.text for e in checked.keeper.events if isinstance(e, NoticeRaised)]
    assert any("its login worked before, and fails now" in text for text in said)
    await checked.leave()


async def test_a_check_makes_way_for_an_order_and_there_is_none_in_an_outage() -> None:
    """A recorder that can hold one conversation must have it free for its stop."""
    checked = await yard()
    checked.scripted[GATE].always[Act.PROBE] = machines.hang
    checked.checks.begin()
    await checked.until(lambda: checked.probes == 1, within_s=10.0, step_s=0.1)
    began_at = checked.clock.monotonic()
    assert await checked.order("stop", GATE) == {GATE: "at rest"}
    assert checked.stopped_at(GATE) - began_at < 15.0, "it did not wait for the check's 20 s"
    assert not any(isinstance(e, LoginRefused) for e in checked.keeper.events)

    await checked.order("start", GATE)
    checked.fail_mains()
    await checked.clock.advance(30.0)
    before = checked.probes
    await checked.night()
    assert checked.probes == before
    await checked.leave()


async def test_a_probe_and_the_check_take_turns() -> None:
    """Many a recorder holds one session: the second log-in would look like a wrong one."""
    checked = await yard()
    assert await checked.checks.asks["probing"]({}) == {"busy": {}}
    began_at = checked.clock.monotonic()
    checked.checks.begin()
    await checked.until(lambda: checked.probes == 1, within_s=2 * PROBE_S, step_s=1.0)
    assert checked.clock.monotonic() - began_at >= PROBE_S
    await checked.leave()


async def test_a_probe_leaves_alone_what_the_agent_is_busy_with() -> None:
    """In an outage it is logged in ahead; a person's look must not throw it out."""
    checked = await yard()
    checked.scripted[GATE].always[Act.PROBE] = machines.hang
    checked.checks.begin()
    await checked.until(lambda: checked.probes == 1, within_s=10.0, step_s=0.1)
    at_night = await checked.checks.asks["probing"]({})
    checked.fail_mains()
    await checked.clock.advance(30.0)
    in_outage = await checked.checks.asks["probing"]({})

    assert at_night == {"busy": {GATE: "the agent looks at its login right now"}}
    why = "the site is on battery: the agent may be logged in there"
    assert in_outage["busy"][GATE] == why
    await checked.leave()


def test_a_login_is_known_again_by_its_hash_and_by_nothing_else(tmp_path: Path) -> None:
    """The journal is copied about; what it holds must not give the password away."""
    site = read(tmp_path, QUIET).loaded
    login = login_of(site, GATE)
    kept = hashed(login)

    assert b"keeper" in login
    assert kept != hashed(login), "each has a salt of its own"
    assert is_same(login, kept)
    assert not is_same(b"another", kept)
    assert not is_same(login, "damaged")
    assert not is_same(login, "zz$damaged")
