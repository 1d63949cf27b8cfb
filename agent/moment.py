"""A moment as people type it: "17:00", "2026-12-21 17:00", "now"; always in the site's own time."""

from __future__ import annotations

from datetime import datetime, tzinfo

from drivers.errors import LastwattError


class MomentError(LastwattError):
    """A text that is no moment; trying again helps only with another text."""


def moment_of(text: str, *, zone: tzinfo, now: datetime) -> datetime:
    """Return the moment that *text* means, in *zone*.

    Args:
        text: a time of the present day, a date with a time, or "now".
        zone: the site's; a text never carries another.
        now: the present moment, aware.

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
        if not form.startswith("%Y"):
            found = datetime.combine(here.date(), found.time())
        return found.replace(tzinfo=zone)
    raise MomentError(f'"{text}" is no time here; write 17:00, "2026-12-21 17:00" or now')
