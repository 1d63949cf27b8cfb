"""Recorders that nothing can be told: they are quiesced by what writes to them.

Their cameras are brought to rest first, and then they are left alone for as long as they may write
out what they still hold. It is second best: nothing says that a disk is idle.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.base import Act, Driver, Outcome, Repeat, Stage, Verdict
from policies.graph import may_be_stopped, writers_of
from policies.model import Site
from policies.reasons import names_text
from policies.state import Phase, SiteState


class WritersDriver:
    """One such recorder; it sends nothing, and looks at what is known of its writers."""

    def __init__(self, site: Site, name: str, state: Callable[[], SiteState]) -> None:
        """Prepare.

        Args:
            site: what there is.
            name: the recorder.
            state: what is known.
        """
        self._site = site
        self._name = name
        self._state = state

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """It can be waited for, and needs nothing to go on."""
        return {Act.QUIESCE: Repeat.SAFE, Act.START: Repeat.SAFE}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act, at once."""
        if act not in self.acts:
            text = f"nothing was sent: nothing can be told to it, so not {act.value} either"
            return Outcome(act, Verdict.REFUSED, text)
        if self._site.devices[self._name].dry_run:
            sent = ("nothing; what needs it is brought to rest before",)
            return Outcome(act, Verdict.ASSUMED, "nothing was sent: dry run", sent=sent)
        if act is Act.START:
            text = "nothing was told to it; what writes to it comes back after it"
            return Outcome(act, Verdict.DONE, text)
        return self._quiesced()

    async def close(self) -> None:
        """Do nothing."""

    def _quiesced(self) -> Outcome:
        known = self._state().devices
        writers = writers_of(self._site, self._name)
        still = [name for name in writers if known[name].phase is not Phase.AT_REST]
        never = [name for name in still if not may_be_stopped(self._site, name)]
        if never:
            text = f"{names_text(never)} still writes to it, and no order may stop that"
            return Outcome(Act.QUIESCE, Verdict.REFUSED, text, "say in the file how it is cut")
        dry = [name for name in writers if known[name].is_assumed]
        if dry:
            text = f"{names_text(dry)} still writes to it: it is in dry run"
            return Outcome(Act.QUIESCE, Verdict.REFUSED, text)
        if still:
            text = f"{names_text(still)} may still write to it"
            return Outcome(Act.QUIESCE, Verdict.NOT_YET, text)
        text = f"what writes to it is off ({names_text(writers)}), which is second best"
        return Outcome(Act.QUIESCE, Verdict.DONE, text)


def with_writers(
    site: Site, drivers: Mapping[str, Mapping[Stage, Driver]], state: Callable[[], SiteState]
) -> Mapping[str, Mapping[Stage, Driver]]:
    """Return the drivers, and with them those of recorders that are quiesced by their writers."""
    if not any(device.by_writers for device in site.devices.values()):
        return drivers
    found = dict(drivers)
    for name, device in site.devices.items():
        if device.by_writers and not device.no_touch:
            ours = WritersDriver(site, name, state)
            found[name] = {Stage.QUIESCE: ours, Stage.START: ours, **drivers.get(name, {})}
    return found
