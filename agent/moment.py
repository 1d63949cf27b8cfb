"""A moment as people type it: "17:00", "2026-12-21 17:00", "now"; always in the site's own time."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, tzinfo

from drivers.errors import LastwattError


class MomentError(LastwattError):
    """A text that is no moment; trying again helps only with another text."""


def moment_of(text: str, *, zone: tzinfo, now: datetime, is_to_come: bool = False) -> datetime:
    """Return the moment that *text* means, in *zone*.

    A time that the clocks skip is taken as if they had not been put forward: at 02:30 of a morning
    without one it is 03:30. Of a time that comes twice the first is meant.

    Args:
        text: a time of the present day, a date with a time, or "now".
        zone: the site's; a text never carries another.
        now: the present moment, aware.
        is_to_come: a time of day that is past means the next one: today's second, if the clocks are
            put back in between, else tomorrow's.

    Raises:
        MomentError: it is none of these.
    """
    here = now.astimezone(zone)
    if text == "now":
        return here
    for form in ("%H:%M", "%H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"):
        try:
            found = datetime.strptime(text, form)
        except ValueError:
            continue
        if form.startswith("%Y"):
            return moment_at(found, zone)
        days = range(2 if is_to_come else 1)
        moments = [
            moment_at(datetime.combine(here.date() + timedelta(days=day), found.time()), zone, fold)
            for day in days
            for fold in range(2 if is_to_come else 1)
        ]
        return next(
            (at for at in moments if at.astimezone(UTC) >= now.astimezone(UTC)), moments[-1]
        )
    raise MomentError(f'"{text}" is no time here; write 17:00, "2026-12-21 17:00" or now')


def moment_at(wall: datetime, zone: tzinfo, fold: int = 0) -> datetime:
    """Return the moment that a reading of the wall clock means, told as the clock will tell it.

    Args:
        wall: the reading, naive.
        zone: whose clock; one that is put forward and back.
        fold: 1 = of a time that comes twice, the second.
    """
    return wall.replace(tzinfo=zone, fold=fold).astimezone(UTC).astimezone(zone)


def shown(at: datetime, form: str) -> str:
    """Return a local moment for people; where its clock shows that time twice, which one it is.

    Args:
        at: in the zone whose clock shows it.
        form: as of `strftime`; the zone's name follows where it is needed, such as "01:30 WET".
    """
    offsets = {at.replace(fold=fold).utcoffset() for fold in (0, 1)}
    text = at.strftime(form)
    return text if len(offsets) == 1 else f"{text} {at:%Z}"
