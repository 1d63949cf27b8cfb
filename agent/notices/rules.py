"""Who is told what, and when: the choice of a receiver, its quiet hours, what goes together."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from types import MappingProxyType

from agent.notices.letter import Letter, rank_of
from policies.telling import ALWAYS_TOLD, Topic

MOST_TOGETHER = 50
"""Notices in one mail, at most; the rest go with the next."""


LOOK_AGAIN_S = 600.0
"""In quiet hours the time of day is looked at again that often: the wall clock may be set."""

_UNTRIED: Mapping[str, int] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Rules:
    """What one receiver wants, by the site's file.

    Attributes:
        least: the least severity that it wants.
        topics: those that it wants; empty = all.
        quiet: from when to when, local time, it is told only what cannot wait; None = never.
        batch_s: how long one notice waits for others that may follow it.
        together: how many may go in one message.
    """

    least: str = "info"
    topics: Collection[Topic] = ()
    quiet: tuple[time, time] | None = None
    batch_s: float = 0.0
    together: int = 1

    def wants(self, letter: Letter) -> bool:
        """Whether the receiver is to get it at all."""
        is_grave = letter.rank >= rank_of(self.least)
        return is_grave and (not self.topics or letter.topic in self.topics)


def quiet_left_s(rules: Rules, local: datetime) -> float:
    """Return for how long the quiet hours last from now on, in s; 0.0 outside of them."""
    if rules.quiet is None:
        return 0.0
    begin, end = rules.quiet
    now = local.time().replace(tzinfo=None)
    is_quiet = begin <= now < end if begin <= end else now >= begin or now < end
    if not is_quiet:
        return 0.0
    # In an hour that comes twice they end by the pass that it is now.
    end = end.replace(fold=local.fold)
    ends = datetime.combine(local.date(), end, tzinfo=local.tzinfo)
    if ends <= local:
        ends = datetime.combine(local.date() + timedelta(days=1), end, tzinfo=local.tzinfo)
    return ends.timestamp() - local.timestamp()  # a night with a change of the clocks, too


@dataclass(frozen=True, slots=True)
class Next:
    """What is to be sent now, and, where that is nothing, in how many seconds to look again.

    Attributes:
        letters: oldest first.
        wait_s: so long, s; 0.0 where something is to be sent.
        new_in_s: in how many seconds what waits for more to follow is due; inf = nothing does.
    """

    letters: tuple[Letter, ...]
    wait_s: float = 0.0
    new_in_s: float = math.inf


def next_of(
    waiting: Sequence[Letter],
    rules: Rules,
    *,
    now: float,
    local: datetime,
    hurry: bool,
    tries: Mapping[str, int] = _UNTRIED,
) -> Next:
    """Return what goes out next.

    That mains is lost goes first, alone and at once: somebody may have cut it, and may cut more.
    The rest waits for more to follow, but not where the way out is about to be stopped. What was
    not taken lets what was tried less often go before it, so that nothing blocks the rest.

    Args:
        waiting: oldest first.
        rules: of the receiver.
        now: site time, s.
        local: the site's wall time.
        hurry: nothing may wait for more to follow.
        tries: how often the receiver answered each, by id, and did not take it.
    """
    quiet_s = quiet_left_s(rules, local)
    ripe = [letter for letter in waiting if quiet_s <= 0.0 or letter.topic in ALWAYS_TOLD]
    if not ripe:
        return Next((), min(quiet_s, LOOK_AGAIN_S) if waiting else math.inf)
    new = [letter for letter in ripe if letter.id not in tries]
    wait_s = 0.0 if hurry or not new else new[0].at + rules.batch_s - now
    new_in_s = math.inf
    if wait_s > 0.0 and not any(letter.topic is Topic.MAINS_LOST for letter in new):
        new, new_in_s = [], wait_s
    turn = new or _least_tried([letter for letter in ripe if letter.id in tries], tries)
    lost = next((letter for letter in turn if letter.topic is Topic.MAINS_LOST), None)
    if lost is not None:
        return Next((lost,), new_in_s=new_in_s)
    if not turn:
        return Next((), wait_s)
    grave_first = sorted(turn, key=lambda letter: letter.topic not in ALWAYS_TOLD)
    chosen = {letter.id for letter in grave_first[: rules.together]}
    return Next(tuple(x for x in turn if x.id in chosen), new_in_s=new_in_s)


def _least_tried(letters: Sequence[Letter], tries: Mapping[str, int]) -> list[Letter]:
    least = min((tries[letter.id] for letter in letters), default=0)
    return [letter for letter in letters if tries[letter.id] == least]
