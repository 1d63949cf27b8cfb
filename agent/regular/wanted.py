"""The regular work of a site, by the `[schedule]` of its file."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from datetime import date, datetime
from functools import partial

from agent.config import LoadedSite
from agent.engine import Engine
from agent.grades.login_checks import LoginChecks
from agent.regular.due_times import Rule
from agent.regular.self_tests import SelfTests
from agent.regular.works import Came, Work
from agent.rehearsal.compare import sentences
from agent.rehearsal.rehearsals import RehearsalRefusedError, Rehearsals
from policies.battery import as_fitted
from policies.model import Chemistry, Unit
from policies.reasons import names_text

BY_CALENDAR = "the calendar"
"""Who asks for a rehearsal that nobody asked for."""

OLD_YEARS = {Chemistry.LEAD_ACID: 4.0, Chemistry.LITHIUM: 8.0}
"""From this age on people are reminded each time.

Sealed lead-acid batteries of standby units are made for 3 to 5 years at 20 to 25 °C (EUROBAT's
class "standard commercial", 3 to 5 years; from memory), lithium ones for some ten.
"""

Digest = Callable[[date], Awaitable[Came]]
"""Makes and sends the digest of the month that a day lies in."""


def works_of(
    loaded: LoadedSite,
    engine: Engine,
    *,
    rehearsals: Rehearsals,
    login_checks: LoginChecks,
    now: Callable[[], float],
    digest: Digest,
    self_tests: SelfTests,
) -> list[Work]:
    """Return the work that the file asks for.

    Args:
        loaded: the site's file.
        engine: of the live run.
        rehearsals: runs one.
        login_checks: checks all logins.
        now: site time, s.
        digest: makes the monthly digest.
        self_tests: has units test their batteries.
    """
    wanted, found = loaded.schedule, list[Work]()
    if wanted.digest is not None:
        found.append(Work("monthly digest", wanted.digest, partial(_digested, digest)))
    if wanted.rehearsal is not None:
        rehearse = partial(_rehearsed, rehearsals, engine)
        found.append(Work("regular rehearsal", wanted.rehearsal, rehearse))
    if loaded.agent.check_logins_at is not None:
        checks_at = loaded.agent.check_logins_at
        found.append(Work("login check", Rule(checks_at), partial(_checked, login_checks)))
    if wanted.battery_age is not None:
        remind = partial(_reminded, engine, now)
        found.append(Work("battery age", wanted.battery_age, remind))
    for name, access in loaded.units.items():
        if access.self_test is not None:
            test = partial(self_tests.test, name)
            found.append(Work(f"battery test of {name}", access.self_test.rule, test))
    return found


async def _digested(digest: Digest, due: datetime) -> Came:
    """Tell the month before the one that it is due in."""
    last = date.fromordinal(due.date().replace(day=1).toordinal() - 1)
    return await digest(last)


async def _rehearsed(rehearsals: Rehearsals, engine: Engine, due: datetime) -> Came:
    try:
        run = await rehearsals.start(who=BY_CALENDAR)
    except RehearsalRefusedError as error:
        return Came(False, str(error))
    async for _ in rehearsals.watch(run):
        pass
    if run.result is None:
        return Came(False, run.why)
    changed = [] if run.compared is None or run.compared.is_same else [*sentences(run.compared)]
    news = f"; since the last one: {'; '.join(changed)}" if changed else ""
    if not run.result.ok or changed:
        severity = "info" if run.result.ok else "warning"
        await engine.notice(severity, "rehearsal", f"rehearsal: {run.result.sentence}{news}")
    return Came(True, f"{run.result.sentence}{news}")


async def _checked(login_checks: LoginChecks, due: datetime) -> Came:
    asked, failed = await login_checks.through()
    if failed:
        return Came(True, f"{names_text(failed)} could not be logged in to")
    return Came(True, f"{asked} devices were asked, and let us in" if asked else "nobody to ask")


async def _reminded(engine: Engine, now: Callable[[], float], due: datetime) -> Came:
    told = [
        text
        for name, unit in engine.site.units.items()
        if (text := age_text(as_fitted(unit, engine.state.units[name].battery, now())))
    ]
    for text in told:
        await engine.notice("warning", "battery", text)
    return Came(True, "; ".join(told) or "no battery is old by its date")


def age_text(unit: Unit) -> str:
    """Return what to say of the age of a unit's battery; "" while it is not old."""
    years, old = unit.battery.age_years, OLD_YEARS[unit.battery.chemistry]
    if years is None:
        return (
            f"nobody said when the battery of {unit.name} was put in: say so by `lastwatt battery "
            f"fitted {unit.name}`, or write fitted into its table"
        )
    if years < old:
        return ""
    return (
        f"the battery of {unit.name} is {years:.1f} years old, and such batteries are replaced "
        f"after {old:.0f} to {old + 1:.0f}: plan for a new one, or measure what it holds"
    )
