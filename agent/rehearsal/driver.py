"""Drivers of a rehearsal: the real ones write down what they would send; the site is simulated."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from agent.simulation.interface import Speaker
from agent.simulation.truth import SiteTruth
from drivers.base import Act, Driver, Outcome, Repeat, Verdict
from policies.model import Device

AS_FOUND = "as it is set by then"


_SAID = {
    Act.QUIESCE: "it was told to quiesce",
    Act.CONFIRM_QUIESCED: "it is quiet",
    Act.STOP: "it was told to stop",
    Act.CONFIRM_GONE: "it is gone",
    Act.START: "it was told to start",
    Act.CONFIRM_RUNNING: "it runs",
    Act.RESTORE: "it was put back",
}


class RehearsedDriver:
    """One device's driver in dry run, over a site that does as it is told."""

    def __init__(
        self,
        dry: Driver,
        device: Device,
        speaker: Speaker,
        *,
        truth: SiteTruth,
        pump: Callable[[], float],
    ) -> None:
        """Join them.

        Args:
            dry: the real driver, over a transport that writes down.
            device: as the file has it; one that the file has in dry run is never acted on.
            speaker: of its interface.
            truth: the site.
            pump: brings the truth up to the present.
        """
        self._dry, self._device, self._speaker = dry, device, speaker
        self._truth, self._pump = truth, pump

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What the real one can do."""
        return self._dry.acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act; see drivers.base.Driver."""
        written = await self._dry.perform(act, deadline_at=deadline_at)
        if self._device.dry_run or written.verdict is not Verdict.ASSUMED:
            return written
        if act is Act.CUT or (self._device.is_cut and act is Act.STOP):
            return self._cut(written)
        if act is Act.UNCUT:
            return self._uncut(written)
        met = await self._speaker.interface.perform(act, self._speaker.clock, deadline_at)
        said = _SAID.get(act, met.evidence) if met.verdict is Verdict.DONE else met.evidence
        evidence = f"rehearsed: {said}"
        was = AS_FOUND if act is Act.REMEMBER and met.verdict is Verdict.DONE else ""
        return replace(written, verdict=met.verdict, evidence=evidence, was=was)

    def _cut(self, written: Outcome) -> Outcome:
        name = self._device.name
        self._pump()
        if not self._truth.is_path_up(name):
            silent = "rehearsed: what feeds it is silent"
            return replace(written, verdict=Verdict.NO_ANSWER, evidence=silent)
        self._truth.cut(name)
        return replace(written, verdict=Verdict.DONE, evidence="rehearsed: its power is cut")

    def _uncut(self, written: Outcome) -> Outcome:
        name = self._device.name
        self._pump()
        if not self._truth.is_path_up(name):
            silent = "rehearsed: what feeds it is silent"
            return replace(written, verdict=Verdict.NO_ANSWER, evidence=silent)
        self._truth.uncut(name)
        return replace(written, verdict=Verdict.DONE, evidence="rehearsed: its power is back")

    async def close(self) -> None:
        """Let go of what the real one holds."""
        await self._dry.close()
