"""All of telling, joined to one running agent: what hears its events, and what it answers."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import structlog

from agent.box.clock_sync import clock_is_synced
from agent.config import LoadedSite
from agent.control import Ask
from agent.engine import Engine
from agent.errors import JournalError
from agent.health import Health
from agent.journal.journal import Journal
from agent.journal.view import site_facts
from agent.notices.build import ways_of
from agent.notices.heartbeat import Heartbeat
from agent.notices.hold import PathHold
from agent.notices.letter import Letter
from agent.notices.notices import Notices
from agent.notices.receiver import Delivery
from agent.notices.report_news import NAME, ReportNews
from agent.notices.story import Story
from agent.notices.words import Sender
from agent.reports.filing import FOLDER, Filed
from drivers.base import Clock
from policies.events import BoxLeft, Event, NoticeRaised, NoticesSilenced, OutputBegan
from policies.model import Order
from policies.plan import Plan
from policies.reasons import duration_text
from policies.state import SiteState
from policies.telling import ALWAYS_TOLD, Topic, silenced_text
from policies.timeline import Timeline

log = structlog.get_logger()

SILENCE_S = 3600.0
SILENCE_MOST_S = 30 * 86400.0
"""How long a silence lasts where nobody says, and at most."""

_LAST_MINUTES = (OutputBegan, BoxLeft)
"""After these the way out, or this box, is soon without power."""


@dataclass(frozen=True, slots=True)
class Around:
    """What telling needs of the agent that it is joined to; asked when it is there.

    Attributes:
        engine: decides, and takes what is to be said.
        plan: the last one, or None.
        health: whether the agent does its work.
        who: says who asks, of a request on the control socket.
        say: raises a notice from where nothing can be awaited.
        is_saying: whether something is to be said that is not raised yet.
    """

    engine: Callable[[], Engine]
    plan: Callable[[], Plan | None]
    health: Callable[[], Health]
    who: Callable[[Mapping[str, Any]], Awaitable[str]]
    say: Callable[[str, str, str, str], None]
    is_saying: Callable[[], bool]


class Telling:
    """Everything that tells people of one site.

    Attributes:
        notices: who is told, and what waits.
    """

    def __init__(
        self,
        loaded: LoadedSite,
        around: Around,
        *,
        clock: Clock,
        journal: Journal,
        state: SiteState,
        dry_run: bool,
        folder: Path,
    ) -> None:
        """Prepare; nothing is sent before `run`.

        Args:
            loaded: the site's file.
            around: the agent that it is joined to.
            clock: of site time and wall time.
            journal: keeps what waits.
            state: as the journal recalls it.
            dry_run: every message says so.
            folder: the state directory, in which reports are filed.
        """
        self._loaded = loaded
        self._around = around
        self._clock = clock
        sender = Sender(loaded.site.name, loaded.time_zone, dry_run, folder / FOLDER)
        table = loaded.notices
        ways, refused = ways_of(table, sender, clock=clock)
        for one in refused:
            log.error("refused_receiver", receiver=one.name, why=one.why)
            around.say("error", "notices", f"{one.name} is told nothing: {one.why}", "")
        self.notices = Notices(
            ways,
            clock=clock,
            zone=loaded.time_zone,
            store=journal,
            synced=clock_is_synced,
            on_out=self._hear_out,
            is_silenced=self._is_silenced,
        )
        self.notices.take_up(journal.recall_undelivered())
        self._hold = PathHold(loaded.site, waits=self._waits, hurry=self.notices.hurry)
        self._story = Story(
            loaded.site,
            state,
            clock=clock,
            zone=loaded.time_zone,
            say=around.say,
            sureness=self._sureness,
            plan=around.plan,
        )
        self._carries: dict[str, str] = {}
        self._report_news = ReportNews(
            site=loaded.site.name,
            page=loaded.page,
            say=around.say,
            now=clock.monotonic,
            told=_told_report(folder),
            remember=journal.remember,
        )
        self._heartbeat: Heartbeat | None = None
        if table.heartbeat is not None:
            with suppress(ValueError):  # a port past 65535, say
                self._heartbeat = Heartbeat(
                    table.heartbeat,
                    sender,
                    clock=clock,
                    state=lambda: around.engine().state,
                    is_well=lambda: around.health().is_well,
                    waiting=lambda: sum(d.waiting for d in self.notices.deliveries()),
                )
            if self._heartbeat is None:
                why = "its url is no address that can be used"
                around.say("error", "notices", f"there is no heartbeat: {why}", "")

    @property
    def asks(self) -> Mapping[str, Ask]:
        """What the control socket answers by it."""
        return {"notices": self._answer_notices, "silence": self._answer_silence}

    def hear(self, event: Event) -> None:
        """Take one event, as it is folded."""
        if isinstance(event, NoticeRaised):
            self.notices.raise_notice(event, report=self._carries.pop(event.text, ""))
        if isinstance(event, _LAST_MINUTES):
            self.notices.hurry()
        engine = self._around.engine()
        self._story.hear(event, engine.state, engine.decision)

    def hear_filed(self, filed: Filed) -> None:
        """Take in that the report of an outage was written."""
        text = self._report_news.hear(filed)
        if text is not None:
            self._carries = {text: filed.path.name}

    def hold(self, orders: Sequence[Order], course: Timeline, now: float) -> Mapping[str, float]:
        """Return which stops wait for notices to get out, and until when."""
        return self._hold(orders, course, now)

    async def run(self) -> None:
        """Deliver, and let the heart beat, for ever; cancel to end."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self.notices.run())
            if self._heartbeat is not None:
                group.create_task(self._heartbeat.run())

    def _waits(self) -> bool:
        return self.notices.waits or self._around.is_saying()

    def _hear_out(self) -> None:
        if not self.notices.waits:
            self._around.engine().wake()  # what was held for it may go on

    def _sureness(self, unit: str) -> float:
        beliefs = self._around.engine().beliefs(self._clock.monotonic())
        return beliefs[unit].bound_quantile

    def _is_silenced(self, letter: Letter) -> bool:
        if letter.topic in ALWAYS_TOLD:
            return False
        silences = self._around.engine().state.silences
        now = self._clock.monotonic()
        return any(each.covers(letter.topic, letter.about, now) for each in silences)

    # Answers

    async def _answer_notices(self, request: dict[str, Any]) -> dict[str, Any]:
        now = self._clock.monotonic()
        silences = self._around.engine().state.silences
        return {
            "site": self._loaded.site.name,
            "receivers": [as_fields(delivery) for delivery in self.notices.deliveries()],
            "silences": [
                {
                    "topic": each.topic,
                    "about": each.about,
                    "left_s": round(each.until_at - now, 1),
                    "who": each.who,
                }
                for each in silences
                if each.until_at > now
            ],
        }

    async def _answer_silence(self, request: dict[str, Any]) -> dict[str, Any]:
        topic, about = request.get("topic") or "", request.get("about") or ""
        for_s = 0.0 if request.get("end") is True else request.get("for_s", SILENCE_S)
        refusal = self._refusal(topic, about, for_s)
        if refusal is not None:
            return refusal
        who = await self._around.who(request)
        now = self._clock.monotonic()
        engine = self._around.engine()
        what = silenced_text(topic, about)
        if for_s == 0.0:
            was = any((s.topic, s.about) == (topic, about) for s in engine.state.silences)
            await engine.record(NoticesSilenced(now, topic, about, now, who))
            log.info("ended_silence", topic=topic, about=about, who=who)
            return {"what": what, "until": None, "was_silenced": was, "who": who}
        await engine.record(NoticesSilenced(now, topic, about, now + for_s, who))
        log.info("set_silence", topic=topic, about=about, for_s=for_s, who=who)
        until = self._clock.utc() + timedelta(seconds=for_s)
        local = until.astimezone(self._loaded.time_zone)
        return {"what": what, "until": f"{local:%Y-%m-%d %H:%M}", "who": who}

    def _refusal(self, topic: object, about: object, for_s: object) -> dict[str, Any] | None:
        """Return the answer to a silence that is not to be, or None."""
        always = {word.value for word in ALWAYS_TOLD}
        words = {word.value for word in Topic} - always
        site = self._loaded.site
        if topic in always:
            why = f'"{topic}" is always told: somebody may have to act at once'
            return {"ok": False, "refused": True, "error": why}
        if topic and topic not in words:
            return _unknown(f"a topic is one of: {', '.join(sorted(words))}")
        if about and about not in {*site.devices, *site.units, site.name}:
            return _unknown(f'nothing of the site is called "{about}"')
        if not topic and not about:
            return _unknown("say what is to be silenced: a topic, or a device or unit")
        is_span = isinstance(for_s, int | float) and not isinstance(for_s, bool)
        if not is_span or not 0.0 <= float(str(for_s)) <= SILENCE_MOST_S:
            return _unknown(f"a silence lasts {duration_text(SILENCE_MOST_S)} at most")
        return None


def _told_report(folder: Path) -> str:
    try:
        return site_facts(folder).get(NAME, "")
    except JournalError:
        return ""  # whoever opened the journal has said so


def _unknown(why: str) -> dict[str, Any]:
    return {"ok": False, "unknown": True, "error": why}


def as_fields(delivery: Delivery) -> dict[str, Any]:
    """Return how it goes with one receiver, ready for JSON."""
    utc = delivery.taken_utc
    shown = None
    if utc is not None:
        shown = utc.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    return {**asdict(delivery), "taken_utc": shown}
