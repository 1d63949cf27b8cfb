"""The one sentence on how the site is: the worst comes first, with times and reasons."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from agent.page.view_seen import Seen, about
from agent.page.view_words import Tone, said_of
from agent.status import document
from policies.decide import beliefs_of
from policies.events import Ending, PauseSet, PollMissed
from policies.footing import Terms
from policies.model import Alarm, Device, Role
from policies.plan import Plan
from policies.planning import make_plan
from policies.state import fold
from policies.supply import belief_of
from tests.policies.sites import RECORDER, Run, on_battery, on_mains, site_of

NOON = datetime(2026, 11, 28, 12, 0, tzinfo=UTC)
"""The moment that every `Seen` here is of; an hour later by the clock of Rome."""

TERMS = Terms(horizon_s=4 * 3600.0, patience_s=120.0)


def seen(run: Run, *, plan: Plan | None = None, ahead: Plan | None = None, **more: Any) -> Seen:
    """Return the site as the page sees it now."""
    decision = run.decide(plan=plan)
    shown = document(run.site, run.state, decision, now=run.now, dry_run=False, plan=plan)
    fields = {"journal_healthy": True, "webhooks": [], **more}
    beliefs = beliefs_of(run.site, run.state, run.now)
    return Seen(
        site=run.site,
        state=run.state,
        shown={**shown, **fields},
        plan=plan,
        ahead=ahead,
        now=run.now,
        utc=NOON,
        zone=ZoneInfo("Europe/Rome"),
        dry_run=False,
        quantiles={name: belief.bound_quantile for name, belief in beliefs.items()},
    )


def on_mains_run(*devices: Device) -> Run:
    run = Run(site_of(*devices))
    run.hear(on_mains(1000.0), on_mains(1010.0))
    return run


def ahead_of(run: Run) -> Plan:
    """Return the plan of an outage that begins now."""
    unit, state = run.site.units["cabinet"], run.state.units["cabinet"]
    beliefs = {"cabinet": belief_of(unit, state, run.now)}
    return make_plan(run.site, run.state, beliefs, run.now, TERMS)


def test_nothing_heard_yet_is_said_and_not_taken_for_well() -> None:
    """An agent that has just begun knows nothing, and must not say "all is well"."""
    said = said_of(seen(Run(site_of())))

    assert (said.tone, said.head) == (Tone.HEED, "Nothing is known yet.")
    assert "cabinet" in said.why


def test_on_mains_it_says_for_how_long_the_battery_would_carry_it() -> None:
    """The question before an outage: and if it failed now?"""
    run = on_mains_run()
    said = said_of(seen(run, ahead=ahead_of(run)))

    assert (said.tone, said.head) == (Tone.WELL, "All is well: mains is there.")
    assert said.why.startswith("Should it fail now, the battery would last ")
    assert "at least (99 % sure)" in said.why and "likely" in said.why
    assert "gate recorder would go on for" in said.why


def test_hold_time_that_would_not_be_kept_is_said_on_mains() -> None:
    """It is learnt before the outage and not in it."""
    run = on_mains_run(replace(RECORDER, path=(), hold_s=9 * 3600.0))
    said = said_of(seen(run, ahead=ahead_of(run)))

    assert "which is less than its hold time" in said.why


def test_in_an_outage_it_says_since_when_and_until_when_by_the_sites_clock() -> None:
    """Noon in UTC is one o'clock at the site; mains failed twelve seconds ago."""
    run = Run(site_of())
    run.outage(100.0)
    said = said_of(seen(run))

    assert (said.tone, said.head) == (Tone.HEED, "On battery, and all is well so far.")
    assert "Mains failed at 12:59." in said.why
    assert "lasts until 13:" in said.why and "99 % sure" in said.why
    assert "gate recorder goes on until 13:" in said.why


def test_recorder_that_may_not_be_saved_stands_in_the_first_words() -> None:
    """Who can still drive there must not have to read on."""
    slow = replace(RECORDER, path=(), stop_s=8 * 3600.0)
    run = Run(site_of(slow))
    run.outage(100.0)
    plan = make_plan(run.site, run.state, beliefs_of(run.site, run.state, run.now), run.now, TERMS)
    said = said_of(seen(run, plan=plan))

    assert said.tone is Tone.ALARM
    assert said.head == "On battery, and gate recorder may not be at rest in time."


def test_unit_that_falls_silent_on_battery_is_said_first() -> None:
    """What is known of it is a guess from then on, however well all seemed."""
    run = Run(site_of())
    run.outage(100.0)
    for at in (120.0, 200.0, 300.0):
        run.state = fold(run.site, run.state, PollMissed(at, "cabinet", "no answer"))
        run.now = at
    said = said_of(seen(run))

    assert (said.tone, said.head) == (
        Tone.ALARM,
        "On battery, and cabinet is not heard any more.",
    )


def test_all_at_rest_is_said_once_it_is_so() -> None:
    run = Run(site_of(replace(RECORDER, path=())))
    run.outage(100.0)
    run.hear(*(on_battery(at, 100.0, charge=0.02) for at in (9000.0, 9002.0, 9004.0)))
    assert run.obey() == ["gate recorder"]
    run.rest("gate recorder")
    said = said_of(seen(run))

    assert said.head == "On battery, and all that holds data is at rest."


def test_device_that_did_not_come_back_is_an_alarm_with_its_evidence() -> None:
    """Mains being there does not make it well."""
    run = Run(site_of(replace(RECORDER, path=())))
    run.outage(100.0)
    run.hear(*(on_battery(at, 100.0, charge=0.02) for at in (9000.0, 9002.0, 9004.0)))
    run.obey()
    run.rest("gate recorder")
    run.hear(*(on_mains(at, charge=0.9) for at in (9100.0, 9102.0, 9400.0)))
    run.obey()
    run.close("gate recorder", Ending.FAILED)
    said = said_of(seen(run))

    assert (said.tone, said.head) == (Tone.ALARM, "gate recorder needs a hand.")
    assert said.why == "gate recorder: seen."


def test_no_battery_behind_mains_is_an_alarm() -> None:
    """On bypass everything runs, until mains blinks."""
    run = Run(site_of())
    alarms = frozenset({Alarm.BATTERY_BAD})
    run.hear(on_mains(1000.0, alarms=alarms), on_mains(1010.0, alarms=alarms))
    said = said_of(seen(run))

    assert (said.tone, said.head) == (
        Tone.ALARM,
        "Mains is there, but no battery stands behind it.",
    )


def test_notes_say_what_else_must_be_known() -> None:
    """Paused by whom and until when, a doubtful journal, and alarms that the sentence has not."""
    run = on_mains_run()
    run.hear(on_mains(1020.0, alarms=frozenset({Alarm.TEMP_BAD})))
    run.state = fold(run.site, run.state, PauseSet(run.now, run.now + 3600.0, "Ana"))
    notes = said_of(seen(run, journal_healthy=False)).notes

    assert "Paused until 14:00 by Ana: no automatic orders." in notes
    assert "cabinet reports upsAlarmTempBad." in notes
    assert any("journal cannot be written" in note for note in notes)


def test_alarms_that_the_sentence_says_already_are_not_said_twice() -> None:
    run = Run(site_of(Device("router", Role.ROUTER, 8, 8, ("cabinet",))))
    run.outage(100.0, alarms=frozenset({Alarm.ON_BATTERY, Alarm.INPUT_BAD}))

    assert not [note for note in said_of(seen(run)).notes if "reports" in note]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(3.0, "0 s"), (119.0, "1 min 50 s"), (599.0, "9 min"), (3700.0, "1 h 1 min")],
)
def test_durations_are_rounded_down_so_that_they_do_not_flicker(seconds: float, words: str) -> None:
    """A listener to the page is not told a new sentence each second, nor promised more than is."""
    assert about(seconds) == words


def test_paused_site_is_not_told_to_be_well() -> None:
    """Nothing would be stopped by itself: "all is well" would be read as the opposite."""
    run = on_mains_run()
    run.state = fold(run.site, run.state, PauseSet(run.now, run.now + 3600.0, "Ana"))
    calm = said_of(seen(run, ahead=ahead_of(run)))
    run.outage(2000.0)
    away = said_of(seen(run))

    assert (calm.tone, calm.head) == (
        Tone.HEED,
        "Mains is there, and automatic orders are paused.",
    )
    assert calm.why.startswith("Should mains fail before 14:00, nothing is brought to rest")
    assert "would go on" not in calm.why
    assert (away.tone, away.head) == (Tone.ALARM, "On battery, and automatic orders are paused.")
    assert away.why.startswith("Nothing is brought to rest by itself. Mains failed at")
