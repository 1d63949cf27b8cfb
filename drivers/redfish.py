"""Machines managed by a Redfish service (DMTF DSP0266, ComputerSystem): reset and PowerState.

What counts is PowerState, not the status of a reply. Which resets there are is asked, never
guessed; a power button is pushed only where the state says which way it works.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pydantic import BaseModel

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DriverError
from drivers.looking import look_until
from drivers.redfish_settings import RedfishAccess, Start, Stop, Verify
from drivers.redfish_talk import Body, RedfishTalk
from drivers.transports.http_messages import Credentials, HttpTransport
from drivers.verdicts import advice_of, verdict_of
from drivers.web import way_to

_WANTED = {Act.STOP: "Off", Act.CONFIRM_GONE: "Off", Act.START: "On", Act.CONFIRM_RUNNING: "On"}


@dataclass(frozen=True, slots=True)
class _Finding:
    verdict: Verdict
    text: str
    advice: str = ""


class RedfishDriver:
    """One machine spoken with through its Redfish service; see the module."""

    def __init__(
        self,
        access: RedfishAccess,
        stages: Mapping[Stage, BaseModel],
        transport: HttpTransport,
        clock: Clock,
    ) -> None:
        self._access = access
        self._transport = transport
        self._clock = clock
        self._resets: dict[Act, str] = {}
        for stage, settings in stages.items():
            if isinstance(settings, Stop | Start):
                self._resets[Act.STOP if stage is Stage.STOP else Act.START] = settings.reset
        verify = stages.get(Stage.VERIFY)
        self._every_s = verify.every if isinstance(verify, Verify) else None
        self._acts = {Act.PROBE: Repeat.SAFE, **dict.fromkeys(self._resets, Repeat.LOOK_FIRST)}
        if self._every_s is not None:
            self._acts |= {Act.CONFIRM_GONE: Repeat.SAFE, Act.CONFIRM_RUNNING: Repeat.SAFE}

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        if act not in self._acts:
            text = f"nothing was sent: the file gives redfish nothing to do for {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "add it to the tables of this device")
        if act in (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING):
            finding, sent = await self._watch(act, deadline_at)
        else:
            finding, sent = await self._once(act, deadline_at)
        took_s = max(0.0, self._clock.monotonic() - began_at)
        return Outcome(act, finding.verdict, finding.text, finding.advice, sent, took_s)

    async def close(self) -> None:
        """Let go of every connection."""
        await self._transport.close()

    async def _watch(self, act: Act, deadline_at: float) -> tuple[_Finding, tuple[str, ...]]:
        """Look until PowerState is the one that is due, or time is up."""
        assert self._every_s is not None
        return await look_until(
            lambda by_at: self._once(act, by_at),
            clock=self._clock,
            every_s=self._every_s,
            deadline_at=deadline_at,
        )

    async def _once(self, act: Act, deadline_at: float) -> tuple[_Finding, tuple[str, ...]]:
        talk = self._transport.talk()
        redfish = RedfishTalk(self._access, talk, self._clock, deadline_at=deadline_at)
        found = _Finding(Verdict.NO_ANSWER, "nothing was asked")

        async def work() -> None:
            nonlocal found
            path, system = await redfish.system()
            found = await self._do(act, redfish, path, system)

        try:
            await redfish.within(work)
        except DriverError as error:
            found = _failed(error, was_ordered=redfish.has_ordered)
        finally:
            await talk.close()
        if redfish.is_dry:
            found = _Finding(Verdict.ASSUMED, "nothing was sent: dry run")
        text = found.text
        if redfish.left_open:
            text = f"{text}; it did not log us out: {redfish.left_open}"
        return _Finding(found.verdict, text, found.advice), redfish.sent

    async def _do(self, act: Act, redfish: RedfishTalk, path: str, system: Body) -> _Finding:
        state = str(system.get("PowerState"))
        if act in self._resets:
            return await self._reset(act, redfish, system, state)
        if act is Act.PROBE:
            return await self._probe(redfish, path, system, state)
        is_due = state == _WANTED[act]
        verdict = Verdict.DONE if is_due else Verdict.NOT_YET
        return _Finding(verdict, f"PowerState is {state}")

    async def _reset(self, act: Act, redfish: RedfishTalk, system: Body, state: str) -> _Finding:
        how = self._resets[act]
        target, allowed = await redfish.allowed_resets(system)
        if not redfish.is_dry:
            if state == _WANTED[act]:
                return _Finding(Verdict.DONE, f"PowerState is {state} already; nothing was sent")
            if how not in allowed:
                return _not_allowed(how, allowed)
        said = await redfish.reset(target, how)
        return _Finding(Verdict.DONE, f"{said}; PowerState was {state}")

    async def _probe(self, redfish: RedfishTalk, path: str, system: Body, state: str) -> _Finding:
        _, allowed = await redfish.allowed_resets(system)
        facts = [f"{path}: PowerState is {state}; it allows {', '.join(sorted(allowed)) or 'none'}"]
        advice = []
        for how in self._resets.values():
            if how not in allowed:
                return _not_allowed(how, allowed)
        policy = system.get("PowerRestorePolicy")
        if policy is not None:
            facts.append(f"PowerRestorePolicy is {policy}")
        if policy in ("LastState", "AlwaysOff") and Act.START not in self._resets:
            advice.append(
                f"with PowerRestorePolicy {policy} it stays off when power returns: set AlwaysOn, "
                'or add start = { driver = "redfish" }'
            )
        if "Administrator" in await redfish.roles():
            facts.append(f"{self._access.user} has the role Administrator")
            advice.append("Operator suffices to reset a machine (DSP0266, roles): give it that")
        if self._access.scheme == "http":
            facts.append("its password goes over the wire in clear text")
            advice.append('use scheme = "https"')
        return _Finding(Verdict.DONE, "; ".join(facts), "; ".join(advice))


def _not_allowed(how: str, allowed: frozenset[str]) -> _Finding:
    shown = ", ".join(sorted(allowed)) or "no ResetType at all"
    return _Finding(
        Verdict.REFUSED,
        f"nothing was sent: the service does not allow ResetType {how}, but {shown}",
        "name one of those as reset, where it does what is meant",
    )


def _failed(error: DriverError, *, was_ordered: bool) -> _Finding:
    verdict = verdict_of(error, was_ordered=was_ordered)
    return _Finding(verdict, str(error), advice_of(error, "check [device.redfish]"))


def build(fitting: Fitting) -> Driver:
    """Make the driver of one machine, TLS included: that costs 30 ms, which no order waits for."""
    access = fitting.access
    assert isinstance(access, RedfishAccess)
    password = access.password.get_secret_value()
    credentials = Credentials()
    if access.login == "basic":
        credentials = Credentials("basic", access.user, password)
    transport = way_to(
        access, access.address or fitting.address, credentials, dry_run=fitting.dry_run
    )
    return RedfishDriver(access, fitting.stages, transport, fitting.clock)


def _no_port(access: BaseModel) -> int | None:
    """Return None: its service goes on answering while the machine is off."""
    return None


KIND = DriverKind(
    name="redfish",
    access=RedfishAccess,
    stages={Stage.STOP: Stop, Stage.START: Start, Stage.VERIFY: Verify},
    build=build,
    port=_no_port,
)
"""What the registry knows of it."""
