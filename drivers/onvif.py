"""Recorders and cameras with their own storage, idled through ONVIF Recording Control.

Every job that records is set to Idle, its mode remembered and put back after: an Idle job stays so
over a power cycle. Idling one job of a recording lets the next take its place, so all of them are.
A mode is only intent; what counts is the jobs' state, and time for what was cached to reach disk.
Recorders that take Idle and record on are common: only a live drill shows that this one obeys.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta

from pydantic import BaseModel

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DriverError
from drivers.looking import look_until
from drivers.onvif_settings import OnvifAccess, Quiesce, Verify
from drivers.onvif_talk import ACTIVE, IDLE, Job, OnvifTalk
from drivers.transports.http_messages import Credentials, HttpTransport
from drivers.verdicts import advice_of, verdict_of
from drivers.web import way_to

_CLOCK_OFF = timedelta(seconds=30)


@dataclass(frozen=True, slots=True)
class _Finding:
    verdict: Verdict
    text: str
    advice: str = ""
    was: str = ""


class OnvifDriver:
    """One device spoken with over ONVIF; see the module."""

    def __init__(
        self,
        access: OnvifAccess,
        stages: Mapping[Stage, BaseModel],
        transport: HttpTransport,
        clock: Clock,
    ) -> None:
        self._access = access
        self._transport = transport
        self._clock = clock
        self._modes: dict[str, str] = {}
        quiesce, verify = stages.get(Stage.QUIESCE), stages.get(Stage.VERIFY)
        self._quiesce = quiesce if isinstance(quiesce, Quiesce) else None
        self._acts = {Act.PROBE: Repeat.SAFE}
        if self._quiesce is not None:
            # What is set is set: once more is harmless.
            acts = (Act.REMEMBER, Act.QUIESCE, Act.CONFIRM_QUIESCED, Act.RESTORE)
            self._acts |= dict.fromkeys(acts, Repeat.SAFE)
        self._verify = verify if isinstance(verify, Verify) else None
        if self._verify is not None:
            self._acts[Act.CONFIRM_RUNNING] = Repeat.SAFE

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    def recall(self, was: str) -> None:
        """Have the next restoring set each job to the mode that it had."""
        try:
            found = json.loads(was)
        except ValueError:
            found = None
        modes = found if isinstance(found, dict) else {}
        self._modes = {str(k): str(v) for k, v in modes.items() if v in (IDLE, ACTIVE)}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        if act not in self._acts:
            text = f"nothing was sent: the file gives onvif nothing to do for {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "add it to the tables of this device")
        if act is Act.CONFIRM_QUIESCED:
            finding, sent = await self._settled(deadline_at)
        elif act is Act.CONFIRM_RUNNING:
            assert self._verify is not None
            finding, sent = await self._until(act, self._verify.every, deadline_at)
        else:
            finding, sent = await self._once(act, deadline_at)
        took_s = max(0.0, self._clock.monotonic() - began_at)
        text, was = finding.text, finding.was
        return Outcome(act, finding.verdict, text, finding.advice, sent, took_s, was)

    async def close(self) -> None:
        """Let go of every connection."""
        await self._transport.close()

    # Looking again and again

    async def _settled(self, deadline_at: float) -> tuple[_Finding, tuple[str, ...]]:
        """Wait until all jobs are idle, let that stand for the settle time, and look again."""
        assert self._quiesce is not None
        every_s, settle_s = self._quiesce.every, self._quiesce.settle
        found, sent = await self._until(Act.CONFIRM_QUIESCED, every_s, deadline_at)
        if found.verdict is not Verdict.DONE:
            return found, sent
        left_s = deadline_at - self._clock.monotonic()
        if left_s <= settle_s:
            text = f"{found.text}; no time was left for {settle_s:g} s of settling"
            return _Finding(Verdict.NOT_YET, text), sent
        await self._clock.sleep(settle_s)
        found, again = await self._once(Act.CONFIRM_QUIESCED, deadline_at)
        if found.verdict is Verdict.DONE:
            found = _Finding(Verdict.DONE, f"{found.text}, and so {settle_s:g} s later")
        return found, again or sent

    async def _until(
        self, act: Act, every_s: float, deadline_at: float
    ) -> tuple[_Finding, tuple[str, ...]]:
        return await look_until(
            lambda by_at: self._once(act, by_at),
            clock=self._clock,
            every_s=every_s,
            deadline_at=deadline_at,
        )

    # One conversation

    async def _once(self, act: Act, deadline_at: float) -> tuple[_Finding, tuple[str, ...]]:
        http = self._transport.talk()
        talk = OnvifTalk(self._access, http, self._clock, deadline_at=deadline_at)
        try:
            await talk.open()
            found = await self._do(act, talk)
        except DriverError as error:
            found = _failed(error, was_ordered=talk.has_ordered)
        finally:
            await http.close()
        if talk.is_dry:
            found = _Finding(Verdict.ASSUMED, "nothing was sent: dry run")
        return found, talk.sent

    async def _do(self, act: Act, talk: OnvifTalk) -> _Finding:
        match act:
            case Act.REMEMBER:
                jobs = await self._jobs(talk)
                was = json.dumps({job.token: job.mode for job in jobs})
                modes = ", ".join(f"{job.token} {job.mode}" for job in jobs) or "none"
                return _Finding(Verdict.DONE, f"recording jobs: {modes}", was=was)
            case Act.QUIESCE:
                return await self._idle(talk)
            case Act.RESTORE:
                return await self._restore(talk)
            case Act.CONFIRM_QUIESCED:
                return await self._is_idle(talk)
            case Act.CONFIRM_RUNNING:
                return await self._is_recording(talk)
            case _:
                return await self._probe(talk)

    async def _jobs(self, talk: OnvifTalk) -> tuple[Job, ...]:
        assert self._quiesce is not None
        return await talk.jobs(tuple(self._quiesce.recordings))

    async def _idle(self, talk: OnvifTalk) -> _Finding:
        jobs = await self._jobs(talk)
        active = [job.token for job in jobs if job.mode != IDLE]
        if talk.is_dry:
            active = ["<job>"]
        for token in active:
            await talk.set_mode(token, IDLE)
        if not active:
            return _Finding(Verdict.DONE, "no recording job was Active; nothing was set")
        return _Finding(Verdict.DONE, f"set to Idle: {', '.join(active)}")

    async def _restore(self, talk: OnvifTalk) -> _Finding:
        """Set what was Active to Active again; what was Idle before is left alone."""
        there = {job.token: job.mode for job in await talk.jobs(())}
        wanted = {token for token, mode in self._modes.items() if mode == ACTIVE}
        tokens = sorted(wanted & set(there))
        if talk.is_dry:
            tokens = ["<job>"]
        set_now = [token for token in tokens if talk.is_dry or there[token] != ACTIVE]
        for token in set_now:
            await talk.set_mode(token, ACTIVE)
        gone = sorted(wanted - set(there))
        if gone and not talk.is_dry:
            text = f"recording jobs are no longer there: {', '.join(gone)}"
            return _Finding(Verdict.REFUSED, text, "set up its recording anew, by hand")
        said = f"set to Active: {', '.join(set_now)}" if set_now else "nothing had to be set"
        return _Finding(Verdict.DONE, said)

    async def _is_idle(self, talk: OnvifTalk) -> _Finding:
        states = await self._states(talk, await self._jobs(talk))
        busy = {token: state for token, state in states.items() if state != IDLE}
        if not busy:
            return _Finding(Verdict.DONE, "all recording jobs are Idle")
        return _Finding(Verdict.NOT_YET, _told(busy))

    async def _is_recording(self, talk: OnvifTalk) -> _Finding:
        """What recorded before must record; where that is not known, everything must."""
        assert self._verify is not None
        jobs = await talk.jobs(tuple(self._verify.recordings))
        known = {token for token, mode in self._modes.items() if mode == ACTIVE}
        wanted = [job for job in jobs if job.token in known] if known else list(jobs)
        states = await self._states(talk, wanted)
        if states and set(states.values()) == {ACTIVE}:
            return _Finding(Verdict.DONE, _told(states))
        return _Finding(Verdict.NOT_YET, _told(states) if states else "there is no recording job")

    async def _states(self, talk: OnvifTalk, jobs: tuple[Job, ...] | list[Job]) -> dict[str, str]:
        if talk.is_dry:
            jobs = [Job("<job>", "", ACTIVE)]
        return {job.token: await talk.state(job) for job in jobs}

    async def _probe(self, talk: OnvifTalk) -> _Finding:
        if talk.clock_skew is None:
            await talk.ask_clock()
        recordings = tuple(self._quiesce.recordings) if self._quiesce is not None else ()
        jobs = await talk.jobs(recordings)
        states = await self._states(talk, jobs)
        facts = [_told(states) if states else "it has no recording job"]
        advice = []
        if not states:
            advice.append("what it records is not set up as jobs, so this cannot quiesce it")
        skew = talk.clock_skew or timedelta()
        if abs(skew) > _CLOCK_OFF:
            facts.append(f"its clock is {timedelta(seconds=round(abs(skew).total_seconds()))} off")
            advice.append("set its clock, best by a time server on the site")
        if await talk.is_administrator():
            facts.append("its account is an administrator's")
            advice.append("level Operator suffices to idle recording jobs: give it that")
        if self._quiesce is not None:
            advice.append("whether it obeys Idle only a live drill shows")
        return _Finding(Verdict.DONE, "; ".join(facts), "; ".join(advice))


def _told(states: Mapping[str, str]) -> str:
    return ", ".join(f"job {token} is {state or 'silent'}" for token, state in states.items())


def _failed(error: DriverError, *, was_ordered: bool) -> _Finding:
    verdict = verdict_of(error, was_ordered=was_ordered)
    return _Finding(verdict, str(error), advice_of(error, "check [device.onvif]"))


def build(fitting: Fitting) -> Driver:
    """Make the driver of one device, TLS included: that costs 30 ms, which no order waits for."""
    access = fitting.access
    assert isinstance(access, OnvifAccess)
    credentials = Credentials()
    if access.auth == "digest":
        password = access.password.get_secret_value()
        credentials = Credentials("digest", access.user, password)
    transport = way_to(access, fitting.address, credentials, dry_run=fitting.dry_run)
    return OnvifDriver(access, fitting.stages, transport, fitting.clock)


def _port(access: BaseModel) -> int | None:
    assert isinstance(access, OnvifAccess)
    return access.tcp_port()


KIND = DriverKind(
    name="onvif",
    access=OnvifAccess,
    stages={Stage.QUIESCE: Quiesce, Stage.VERIFY: Verify},
    restores=lambda _: True,
    build=build,
    port=_port,
)
"""What the registry knows of it."""
