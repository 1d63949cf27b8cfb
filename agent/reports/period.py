"""What a month or a year was like: mains, recording, batteries, and what was said meanwhile."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import date, datetime, tzinfo
from typing import Any

from agent.reports.fates import Fate, fates_of
from agent.reports.mend import to_mend
from agent.reports.pen import MONTHS, Pen, day_text, numbered, percent
from agent.story.model import Outage, Story
from policies.health import END_OF_LIFE
from policies.interruptions import Reliability, Window, reliability
from policies.model import HOLDS_DATA
from policies.reasons import duration_text

MOST_NOTICES = 12
_TOLD = ("error", "warning")


@dataclass(frozen=True, slots=True)
class Row:
    """One outage of the period.

    Attributes:
        lost: what holds data and lost its power while running.
        failed: what could not be brought to rest, though its power did not end.
        gap_s: the longest that anything which holds data did not do its work.
    """

    number: int
    day: str
    began: str
    lasting_s: float
    is_over: bool
    is_dry: bool
    lost: tuple[str, ...]
    failed: tuple[str, ...]
    gap_s: float


@dataclass(frozen=True, slots=True)
class Recording:
    """How long one device that holds data did not do its work, in outages."""

    name: str
    gaps: int
    gap_s: float
    share: float | None


@dataclass(frozen=True, slots=True)
class BatteryRow:
    """What is known of a battery at the period's end.

    Attributes:
        fitted: its day, "" = the journal has none.
        health: what it holds, in words.
        is_due: it is at the end of its life.
    """

    unit: str
    fitted: str
    health: str
    is_due: bool


@dataclass(frozen=True, slots=True)
class PeriodTold:
    """Everything that a digest or a year's statistics say.

    Attributes:
        unwatched_s: when no agent was there, within the period.
        before: the journal begins later than the period, then; "" = it does not.
        rehearsed: how many of the outages were in dry run.
        flickers: interruptions too short to be taken for an outage.
        by_month: (month, interruptions, s without mains), for a year.
        said: (about, text, how often), of errors and warnings.
        shown: what was shown to work.
    """

    site: str
    title: str
    lead: tuple[str, ...]
    mains: Reliability
    unwatched_s: float
    before: str
    outages: tuple[Row, ...]
    rehearsed: int
    flickers: int
    recording: tuple[Recording, ...]
    batteries: tuple[BatteryRow, ...]
    by_month: tuple[tuple[str, int, float], ...]
    said: tuple[tuple[str, str, int], ...]
    shown: tuple[str, ...]
    mend: tuple[str, ...]


def month_told(story: Story, year: int, month: int, *, zone: tzinfo) -> PeriodTold:
    """Return what a month says.

    Raises:
        ValueError: there is no such month.
    """
    begin, end = _month(year, month, zone)
    return _told(story, begin, end, title=f"{MONTHS[month - 1]} {year}", zone=zone)


def year_told(story: Story, year: int, *, zone: tzinfo) -> PeriodTold:
    """Return what a year says.

    Raises:
        ValueError: there is no such year.
    """
    begin, end = datetime(year, 1, 1, tzinfo=zone), datetime(year + 1, 1, 1, tzinfo=zone)
    told = _told(story, begin, end, title=str(year), zone=zone, by_month=True)
    return told


def as_document(told: PeriodTold) -> dict[str, Any]:
    """Return it JSON-ready."""
    fields = asdict(told)
    fields["mains"] |= {"count": told.mains.count, "availability": told.mains.availability}
    return fields


def _month(year: int, month: int, zone: tzinfo) -> tuple[datetime, datetime]:
    later = (year + 1, 1) if month == 12 else (year, month + 1)
    return datetime(year, month, 1, tzinfo=zone), datetime(*later, 1, tzinfo=zone)


def _told(
    story: Story,
    begin: datetime,
    end: datetime,
    *,
    title: str,
    zone: tzinfo,
    by_month: bool = False,
) -> PeriodTold:
    pen = Pen(story, zone)
    window = _window(story, begin, end)
    outages = [one for one in story.outages if window[0] <= one.began_at < window[1]]
    live = [one for one in outages if not one.is_dry]
    mains = _mains(story, window)
    rows = tuple(_row(one, pen) for one in outages)
    recording = tuple(_recording(live, window))
    began = pen.local(story.since_at)
    batteries = tuple(_batteries(story, window, zone))
    return PeriodTold(
        site=story.facts.name or "the site",
        title=title,
        lead=tuple(_lead(title, mains, rows, recording, batteries)),
        mains=mains,
        unwatched_s=_overlap(story.absences, window),
        before=day_text(began.date()) if began > begin else "",
        outages=rows,
        rehearsed=len(outages) - len(live),
        flickers=sum(window[0] <= one.failed_at < window[1] for one in story.moments),
        recording=recording,
        batteries=batteries,
        by_month=tuple(_by_month(story, begin.year, zone)) if by_month else (),
        said=tuple(_said(story, window)),
        shown=tuple(_shown(story, window, pen)),
        mend=tuple(_mend(live, story, zone)),
    )


def _window(story: Story, begin: datetime, end: datetime) -> Window:
    """The part of a period that the journal knows of, in site time."""
    from_at, to_at = (story.at_of(moment) for moment in (begin, end))
    from_at = min(max(from_at, story.since_at), story.until_at)
    return from_at, max(from_at, min(to_at, story.until_at))


def _mains(story: Story, window: Window) -> Reliability:
    away = [
        (one.failed_at, story.until_at if one.returned_at is None else one.returned_at)
        for outage in story.outages
        if not outage.is_dry
        for one in outage.interruptions
    ]
    away += [(one.failed_at, one.returned_at or one.failed_at) for one in story.moments]
    return reliability(away, window, unwatched=story.absences)


def _overlap(windows: Iterable[Window], period: Window) -> float:
    return sum(max(0.0, min(b, period[1]) - max(a, period[0])) for a, b in windows)


def _row(outage: Outage, pen: Pen) -> Row:
    mine = Pen.over(pen.story, pen.zone, outage)
    fates = fates_of(outage, mine)
    holding = [fate for fate in fates if fate.role in HOLDS_DATA]
    lost, failed = (
        tuple(f.name for f in holding if f.fate is fate) for fate in (Fate.LOST, Fate.FAILED)
    )
    return Row(
        outage.number,
        mine.date(outage.began_at),
        mine.clock(outage.began_at),
        outage.lasting_s,
        outage.is_over,
        outage.is_dry,
        lost,
        failed,
        max((fate.gap_s for fate in holding), default=0.0),
    )


def _recording(outages: list[Outage], window: Window) -> Iterator[Recording]:
    whole_s = window[1] - window[0]
    found: dict[str, list[float]] = {}
    for outage in outages:
        for device in outage.devices.values():
            if device.facts.role in HOLDS_DATA:
                gaps = [gap.lasting_s(outage.until_at) for gap in device.gaps]
                found.setdefault(device.name, []).extend(gap for gap in gaps if gap >= 1.0)
    for name, gaps in found.items():
        share = None if whole_s <= 0.0 else max(0.0, 1.0 - sum(gaps) / whole_s)
        yield Recording(name, len(gaps), sum(gaps), share)


def _batteries(story: Story, window: Window, zone: tzinfo) -> Iterator[BatteryRow]:
    units = dict.fromkeys(
        [
            *story.facts.new_per_wh,
            *(one.unit for one in story.fitted),
            *(one.unit for one in story.measured),
        ]
    )
    for unit in units:
        points = [p for p in story.measured if p.unit == unit and p.at < window[1]]
        fitted = [one for one in story.fitted if one.unit == unit and one.at < window[1]]
        since = fitted[-1].at if fitted else -1.0
        points = [point for point in points if point.at >= since]
        judged = [j for j in story.judged if j.unit == unit and since <= j.at < window[1]]
        share = story.facts.new_per_wh.get(unit)
        health = "not measured yet"
        is_due = bool(judged) and judged[-1].grade == "worn"
        if points and share is not None:
            held = share * points[-1].energy_wh
            is_due = is_due or held < END_OF_LIFE
            health = f"{percent(held)} of a new one, measured on {day_text(points[-1].on)}"
        yield BatteryRow(unit, day_text(fitted[-1].on) if fitted else "", health, is_due)


def _by_month(story: Story, year: int, zone: tzinfo) -> Iterator[tuple[str, int, float]]:
    for month in range(1, 13):
        window = _window(story, *_month(year, month, zone))
        if window[1] > window[0]:
            found = _mains(story, window)
            yield MONTHS[month - 1], found.count, found.away_s


def _said(story: Story, window: Window) -> Iterator[tuple[str, str, int]]:
    heard = [
        one
        for one in story.heard
        if window[0] <= one.at < window[1] and one.severity in _TOLD
        and "mains has failed" not in one.text
    ]  # fmt: skip
    plain = [(one.about, _without_name(one.about, one.text)) for one in heard]
    counts = Counter(plain)
    order = dict.fromkeys(reversed(plain))
    for about, text in list(order)[:MOST_NOTICES]:
        yield about, text, counts[about, text]
    if len(order) > MOST_NOTICES:
        yield "", f"and {len(order) - MOST_NOTICES} more, in the journal", 1


def _without_name(about: str, text: str) -> str:
    """A notice's text where its subject stands before it already."""
    is_named = about and text.lower().startswith(f"{about.lower()} ")
    return text[len(about) + 1 :] if is_named else text


def _shown(story: Story, window: Window, pen: Pen) -> Iterator[str]:
    latest: dict[tuple[str, str], date] = {}
    for one in story.grades:
        if window[0] <= one.at < window[1]:
            latest[one.grade, one.device] = one.on
    by_grade: dict[str, list[str]] = {}
    for (grade, device), _ in latest.items():
        by_grade.setdefault(grade, []).append(device)
    for grade, devices in by_grade.items():
        yield f"{grade}: {', '.join(devices)}"


def _mend(outages: list[Outage], story: Story, zone: tzinfo) -> Iterator[str]:
    """What the last outage left to be mended; what earlier ones left is in their own reports."""
    if outages:
        pen = Pen.over(story, zone, outages[-1])
        yield from to_mend(outages[-1], fates_of(outages[-1], pen), pen)


def _lead(
    title: str,
    mains: Reliability,
    rows: tuple[Row, ...],
    recording: tuple[Recording, ...],
    batteries: tuple[BatteryRow, ...],
) -> Iterator[str]:
    if mains.watched_s <= 0.0:
        yield f"In {title} nobody watched: the journal holds nothing of it."
        return
    if mains.count == 0:
        yield f"In {title} mains did not fail."
    else:
        times = {1: "once", 2: "twice"}.get(mains.count, f"{mains.count} times")
        yield f"In {title} mains failed {times}, for {duration_text(mains.away_s)} in all."
    live = [row for row in rows if not row.is_dry]
    if len(live) < len(rows):
        yield f"Not counted in that: {numbered(len(rows) - len(live), 'outage')} in dry run."
    lost = [name for row in rows for name in row.lost]
    if lost:
        yield f"Lost power while running: {', '.join(dict.fromkeys(lost))}."
    elif live:
        yield "Nothing that holds recordings or data lost its power unprepared."
    gone = [one for one in recording if one.gap_s >= 1.0]
    if gone:
        worst = max(gone, key=lambda one: one.gap_s)
        yield (
            f"The longest without recording, or work: {worst.name}, "
            f"{duration_text(worst.gap_s)} in {numbered(worst.gaps, 'gap')}."
        )
    due = [one.unit for one in batteries if one.is_due]
    if due:
        yield f"Have the battery of {', '.join(due)} replaced, by somebody trained for it."
