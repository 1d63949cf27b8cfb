"""What an outage has to tell, by events as the engine folds them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from agent.notices.alarms import WORDS
from agent.notices.story import Story
from policies.decide import Decision
from policies.events import Ending, Event, NoticesSilenced, OrderClosed, OrderGiven, ReadingTaken
from policies.model import Alarm, Order, Reason, Task
from policies.recording_gap import RecordingGap
from policies.state import SiteState, fold, initial
from policies.telling import Topic
from tests.agent.notices.telling import ZONE
from tests.agent.yards import CABINET, DESK, RECORDER, SWITCH
from tests.fakes import FakeClock
from tests.policies.sites import Run, on_battery, on_mains, site_of

SITE = site_of(
    *(replace(device, stop_when=None) for device in (SWITCH, RECORDER, DESK)), units=(CABINET,)
)
BACK = Reason("mains_back", "starting again: mains has been steady for 2 min.")
LATEST = Reason("latest_safe_start", "stopping now. The battery lasts at least 2 min.")


class Told:
    """A story, the state that it hears of, and what it said."""

    def __init__(self, state: SiteState | None = None) -> None:
        self.said: list[tuple[str, str, str]] = []
        self.run = Run(SITE)
        self.run.state = state or initial(SITE)
        self.clock = FakeClock()
        self.decision: Decision | None = None
        self.story = Story(
            SITE, self.run.state, clock=self.clock, zone=ZONE, say=self._say,
            sureness=lambda unit: 0.05,
        )  # fmt: skip

    def _say(self, severity: str, about: str, text: str, topic: str) -> None:
        self.said.append((topic, severity, text))

    async def hear(self, event: Event) -> None:
        await self.clock.advance(max(0.0, event.at - self.clock.monotonic()))
        self.run.state = fold(SITE, self.run.state, event)
        self.run.now = event.at
        self.story.hear(event, self.run.state, self.decision)

    async def reading(self, at: float, *, since: float | None = None, **more: Any) -> None:
        reading = on_mains(at, **more) if since is None else on_battery(at, since, **more)
        await self.hear(ReadingTaken(at, reading))
        self.decision = self.run.decide()

    async def outage(self, at: float) -> None:
        await self.reading(at - 10.0)
        for later_s in (1.0, 3.0, 12.0, 14.0):
            await self.reading(at + later_s, since=at)

    async def order(self, at: float, name: str, task: Task, why: Reason, ending: Ending) -> None:
        order_id = f"{name}#{self.run.state.orders + 1}"
        await self.hear(OrderGiven(at, order_id, Order(name, task, at + 60.0, why)))
        await self.hear(OrderClosed(at + 20.0, order_id, name, task, ending, "seen"))

    def of(self, topic: Topic) -> list[str]:
        return [text for about, _, text in self.said if about == topic]


async def test_outage_is_told_with_its_numbers_and_once() -> None:
    """FakeClock's zero is 22:00 UTC, in winter Lisbon's own time."""
    told = Told()
    await told.outage(100.0)
    for at in range(116, 400, 4):
        await told.reading(float(at), since=100.0)

    (text,) = told.of(Topic.OUTAGE)
    assert text.startswith(
        "an outage has begun: on battery since 22:01:40. The battery of cabinet lasts at least "
    )
    assert "(95 % sure; " in text and text.endswith(" likely) at 100 W.")


async def test_end_of_recording_is_told_and_not_at_every_reading() -> None:
    """The recorder's own latest safe start, as the plan has it."""
    told = Told()
    await told.outage(100.0)
    for at in range(116, 600, 4):
        await told.reading(float(at), since=100.0)

    (text,) = told.of(Topic.RECORDING_ENDS)
    assert text.startswith("recording ends at ")
    assert "(gate recorder, in " in text
    assert text.endswith(" at the earliest, if mains stays away so long")


async def test_a_shorter_battery_is_told_anew() -> None:
    """A load that doubles halves the time, and somebody may be on the way."""
    told = Told()
    await told.outage(100.0)
    for at in range(116, 1000, 4):
        await told.reading(float(at), since=100.0, output_w=100.0 if at < 300 else 400.0)

    assert len(told.of(Topic.RECORDING_ENDS)) == 2


async def test_flicker_is_no_outage_and_no_alarm() -> None:
    """A dip of three seconds, ten times a night."""
    told = Told()
    await told.reading(90.0)
    await told.reading(101.0, since=100.0)
    await told.reading(103.0, since=100.0)
    await told.reading(105.0)
    await told.reading(115.0)

    assert told.said == []


async def test_whole_course_is_told_in_order() -> None:
    """Begun, ends, stopping, at rest, coming back, over with what it came to."""
    told = Told()
    await told.outage(100.0)
    for number, name in enumerate(("gate recorder", "desk", "yard switch")):
        await told.order(200.0 + 30.0 * number, name, Task.REST, LATEST, Ending.AT_REST)
    recorder = replace(
        told.run.state.devices["gate recorder"], gap=RecordingGap(began_at=200.0), is_ours=True
    )
    others = {
        name: replace(device, is_ours=True) for name, device in told.run.state.devices.items()
    }
    told.run.state = replace(told.run.state, devices={**others, "gate recorder": recorder})
    for at in (400.0, 404.0, 408.0):
        await told.reading(at)
    for number, name in enumerate(("yard switch", "gate recorder", "desk")):
        await told.order(600.0 + 30.0 * number, name, Task.START, BACK, Ending.RUNNING)
    await told.reading(700.0)

    topics = list(dict.fromkeys(topic for topic, _, _ in told.said if topic != Topic.ALARM))
    assert topics == [
        Topic.OUTAGE, Topic.RECORDING_ENDS, Topic.ALL_AT_REST, Topic.COMING_BACK, Topic.OVER,
    ]  # fmt: skip
    assert told.of(Topic.RECORDING_ENDS)[1:] == [f"gate recorder: {LATEST.sentence}"]
    assert told.of(Topic.ALL_AT_REST)[0].startswith(
        "all at rest: 3 devices. The battery of cabinet lasts at least "
    )
    assert told.of(Topic.COMING_BACK) == [
        "coming back, yard switch, gate recorder and desk: starting again: mains has been steady "
        "for 2 min."
    ]
    (over,) = told.of(Topic.OVER)
    assert over.startswith("The outage is over: it lasted ")
    assert "Stopped: desk, gate recorder and yard switch; all are back." in over
    assert "Nothing was recorded by gate recorder for " in over


async def test_short_outage_is_over_at_once() -> None:
    """Whoever was told that it began wants to know that it ended."""
    told = Told()
    await told.outage(100.0)
    for at in (130.0, 134.0, 138.0):
        await told.reading(at)

    (over,) = told.of(Topic.OVER)
    assert "Nothing had to be stopped." in over


async def test_restart_amid_an_outage_tells_nothing_twice_and_its_end() -> None:
    """The journal is taken up; so is the story."""
    first = Told()
    await first.outage(100.0)
    second = Told(first.run.state)
    second.clock = first.clock
    second.story._clock = first.clock
    await second.reading(160.0, since=100.0)
    for at in (200.0, 204.0, 208.0):
        await second.reading(at)

    assert second.of(Topic.OUTAGE) == []
    assert len(second.of(Topic.OVER)) == 1


async def test_restart_with_all_at_rest_does_not_tell_that_again() -> None:
    """The box goes down with the site; its agent begins with an outage that nobody has ended."""
    first = Told()
    await first.outage(100.0)
    for number, name in enumerate(("gate recorder", "desk", "yard switch")):
        await first.order(200.0 + 30.0 * number, name, Task.REST, LATEST, Ending.AT_REST)
    devices = {n: replace(d, is_ours=True) for n, d in first.run.state.devices.items()}
    second = Told(replace(first.run.state, devices=devices))
    second.clock = first.clock
    second.story._clock = first.clock
    await second.reading(400.0, since=100.0)

    assert len(first.of(Topic.ALL_AT_REST)) == 1
    assert second.of(Topic.ALL_AT_REST) == []


async def test_alarm_that_lasts_is_told_by_its_rfc_name_and_so_is_its_end() -> None:
    """RFC 1628 section 4.6 prints the names; the words beside them are for people."""
    told = Told()
    bad = frozenset({Alarm.BATTERY_BAD})
    await told.reading(90.0)
    for at in (100.0, 110.0, 120.0):
        await told.reading(at, alarms=bad)
    await told.reading(130.0)

    assert told.said == [
        (Topic.ALARM, "error", "cabinet raises upsAlarmBatteryBad: a battery is to be replaced"),
        (Topic.ALARM, "info", "cabinet: upsAlarmBatteryBad is over"),
    ]


def test_every_alarm_of_the_rfc_has_words() -> None:
    """One without would end the story with a fault in the night."""
    assert set(WORDS) == set(Alarm)


def test_silence_covers_what_it_names_for_as_long_as_it_lasts() -> None:
    """A battery that is on order need not be told of every day."""
    state = fold(SITE, initial(SITE), NoticesSilenced(10.0, "battery", "cabinet", 100.0, "ana"))
    (silence,) = state.silences

    assert silence.covers("battery", "cabinet", 50.0)
    assert not silence.covers("battery", "cabinet", 100.0)
    assert not silence.covers("battery", "loft", 50.0)
    assert not silence.covers("alarm", "cabinet", 50.0)
    ended = fold(SITE, state, NoticesSilenced(20.0, "battery", "cabinet", 20.0, "ana"))
    assert ended.silences == ()
