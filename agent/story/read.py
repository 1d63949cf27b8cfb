"""Reads the story of a state directory, whether or not an agent is at work there."""

from __future__ import annotations

import math
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from agent.journal.view import rows, site_facts
from agent.story.facts import facts_from
from agent.story.model import Story
from agent.story.tell import Teller


def read_story(place: Path, *, readings_from: float = -math.inf, now: float | None = None) -> Story:
    """Return the story of the journal in *place*: a state directory, or a copy of the file.

    It reads the whole journal, readings included, which takes seconds where it is large: on a
    loop, do it in a thread.

    Args:
        place: where it is.
        readings_from: leave out readings before this site time; outages before it are told without
            load and charge, and as exactly as the judgements alone tell them.
        now: the present site time, where an agent is at work; None = the last entry.

    Raises:
        JournalError: there is none, or it cannot be read.
    """
    teller = Teller(facts_from(site_facts(place)))
    teller.take(rows(place, readings_from=readings_from))
    return teller.story(now)


def zone_of(story: Story) -> ZoneInfo:
    """Return the site's time zone; UTC where its name means nothing here."""
    try:
        return ZoneInfo(story.facts.time_zone or "UTC")
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: it names a folder
        return ZoneInfo("UTC")
