"""A cut at the feed as the second way to stop a device.

A driver that cuts power knows STOP and START, and not whether it is the only way to stop a device
or what comes after another has failed. Here these two become CUT and UNCUT, so that the journal
says which of the two ways was gone, and power is given back by itself before anything else starts
the device.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from drivers.base import Act, Driver, Outcome, Remembering, Repeat, Verdict

_ASKED = {Act.CUT: Act.STOP, Act.UNCUT: Act.START, Act.REMEMBER: Act.REMEMBER, Act.PROBE: Act.PROBE}
"""What the driver behind is asked for, by what this one can do."""


class FeedCut:
    """The driver of one device's feed, as the second way to stop that device."""

    def __init__(self, feed: Driver) -> None:
        """Prepare; *feed* stops the device by taking its power away, and starts it again."""
        self._feed = feed

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """CUT and UNCUT, as harmless a second time as STOP and START of the driver behind."""
        behind = self._feed.acts
        return {act: behind[asked] for act, asked in _ASKED.items() if asked in behind}

    def recall(self, was: str) -> None:
        """Have the next UNCUT put the feed back to what it was."""
        if isinstance(self._feed, Remembering):
            self._feed.recall(was)

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        asked = _ASKED.get(act)
        if asked is None:
            text = f"nothing was sent: a cut at the feed cannot serve as {act.value}"
            return Outcome(act, Verdict.REFUSED, text)
        outcome = await self._feed.perform(asked, deadline_at=deadline_at)
        return replace(outcome, act=act)

    async def close(self) -> None:
        """Let go of the feed."""
        await self._feed.close()
