"""Devices fed over Ethernet: their port is switched at the switch, over SNMP (RFC 3621).

A port that is off stays off, also over a power cycle of the switch, until it is switched on again;
so what it was set to is remembered before it is changed, and put back as it was. Port maps rot:
before each cut it is compared who is heard at the port, and what it gives, with what was found when
the site was commissioned, and where anything differs nothing is cut.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from pydantic import BaseModel

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import (
    DriverError,
)
from drivers.poe_settings import PoeAccess, PoeStart, PoeStop, PoeVerify
from drivers.poe_switch import (
    OFF,
    ON,
    Detection,
    DrySwitch,
    Heard,
    LiveSwitch,
    PortState,
    Switch,
    where,
)
from drivers.snmp_reach import TOO_MUCH
from drivers.transports.snmp_shared import SharedPeer
from drivers.verdicts import verdict_over_snmp

WAS_ON, WAS_OFF = "on", "off"
"""What is remembered of a port."""

_DRAW_LEAST, _DRAW_MOST, _DRAW_SLACK_W = 0.4, 2.0, 1.0
"""A camera's draw doubles with its infrared light; a door controller in its place differs more."""

_MEND = (
    "see with `lastwatt ports` what hangs there now, and mend [device.poe] in the site's file; "
    "until then this port is not cut"
)

Open = Callable[[float], Switch]
"""Begins a conversation that ends by a time."""


class PoeDriver:
    """One device on one port; see the module."""

    def __init__(
        self,
        access: PoeAccess,
        stages: Mapping[Stage, BaseModel],
        *,
        open_switch: Open,
        close: Callable[[], None],
        clock: Clock,
        is_dry: bool,
    ) -> None:
        """Prepare; asks nothing."""
        self._access = access
        self._open = open_switch
        self._close = close
        self._clock = clock
        self._is_dry = is_dry
        self._was_on = True
        verify = stages.get(Stage.VERIFY)
        self._interval_s = verify.interval if isinstance(verify, PoeVerify) else 2.0
        self._acts = {Act.PROBE: Repeat.SAFE}
        if Stage.STOP in stages:
            # A port that is off already is left alone, so once more is harmless.
            self._acts |= dict.fromkeys((Act.REMEMBER, Act.STOP), Repeat.SAFE)
        if Stage.START in stages:
            self._acts[Act.START] = Repeat.SAFE
        if Stage.VERIFY in stages:
            looks = (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING)
            self._acts |= dict.fromkeys(looks, Repeat.SAFE)

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return self._acts

    def recall(self, was: str) -> None:
        """Have the next start put the port back to what it was; on, where nothing is known."""
        self._was_on = was != WAS_OFF

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        switch = self._open(deadline_at)
        try:
            outcome = await self._do(act, switch, deadline_at)
        except DriverError as error:
            outcome = self._failed(act, error, switch)
        if self._is_dry and act in self._acts:
            text = "nothing was sent: dry run"
            outcome = Outcome(act, Verdict.ASSUMED, text, was="")
        took_s = max(0.0, self._clock.monotonic() - began_at)
        return replace(outcome, sent=tuple(switch.sent), took_s=took_s)

    async def close(self) -> None:
        """Let go of the switch."""
        self._close()

    async def _do(self, act: Act, switch: Switch, deadline_at: float) -> Outcome:
        if act not in self._acts:
            text = f"nothing was sent: a PoE port cannot serve as {act.value}"
            return Outcome(act, Verdict.REFUSED, text, "name another driver in that table")
        if act in (Act.REMEMBER, Act.STOP):
            self._was_on = True  # what an earlier outage found is put back by now
        match act:
            case Act.REMEMBER:
                was = WAS_ON if (await switch.state()).is_on else WAS_OFF
                return Outcome(act, Verdict.DONE, f"{self._where} is {was}", was=was)
            case Act.STOP:
                return await self._stop(switch)
            case Act.START:
                return await self._start(switch)
            case Act.CONFIRM_GONE | Act.CONFIRM_RUNNING:
                return await self._watch(act, switch, deadline_at)
            case _:
                return await self._probe(switch)

    async def _stop(self, switch: Switch) -> Outcome:
        state = await switch.state()
        if not state.is_on:
            return Outcome(Act.STOP, Verdict.DONE, f"{self._where} is off already")
        if not state.delivers:
            text = f"{self._where} gives no power ({_word(state)}): there is nothing to cut"
            return Outcome(Act.STOP, Verdict.DONE, text)
        amiss = await self._mismatch(switch, state)
        if amiss:
            return Outcome(Act.STOP, Verdict.REFUSED, f"nothing was cut: {amiss}", _MEND)
        await switch.set_admin(OFF)
        return await self._switched(Act.STOP, switch, is_on=False)

    async def _start(self, switch: Switch) -> Outcome:
        state = await switch.state()
        word = WAS_ON if self._was_on else WAS_OFF
        if state.is_on == self._was_on and not self._is_dry:
            return Outcome(Act.START, Verdict.DONE, f"{self._where} is {word}, as it was before")
        await switch.set_admin(ON if self._was_on else OFF)
        return await self._switched(Act.START, switch, is_on=self._was_on)

    async def _switched(self, act: Act, switch: Switch, *, is_on: bool) -> Outcome:
        """Read back what was set: that a switch took a SET is no proof."""
        word = "on" if is_on else "off"
        state = await switch.state()
        if state.is_on != is_on and not self._is_dry:
            text = f"{self._where} took the order, yet is not {word}"
            return Outcome(act, Verdict.UNCERTAIN, text, "see whether the switch lets it be set")
        return Outcome(act, Verdict.DONE, f"{self._where} is {word} now")

    async def _watch(self, act: Act, switch: Switch, deadline_at: float) -> Outcome:
        """Look until the port gives power, or no longer does."""
        wants_power = act is Act.CONFIRM_RUNNING and self._was_on
        while True:
            state = await switch.state()
            del switch.sent[1:]  # one line stands for all looks
            said = f"{self._where} is {'on' if state.is_on else 'off'}, {_word(state)}"
            if state.delivers == wants_power or self._is_dry:
                as_before = "" if wants_power or act is Act.CONFIRM_GONE else ", as it was before"
                return Outcome(act, Verdict.DONE, said + as_before)
            left_s = deadline_at - self._clock.monotonic()
            if left_s <= self._interval_s:
                return Outcome(act, Verdict.NOT_YET, said)
            await self._clock.sleep(self._interval_s)

    async def _probe(self, switch: Switch) -> Outcome:
        state = await switch.state()
        said = f"{self._where} is {'on' if state.is_on else 'off'}, {_word(state)}"
        if not state.delivers:
            return Outcome(Act.PROBE, Verdict.DONE, said, "nothing there takes power now")
        amiss = await self._mismatch(switch, state)
        if amiss:
            return Outcome(Act.PROBE, Verdict.NOT_YET, amiss, _MEND)
        advice = TOO_MUCH if await switch.sees_accounts() else ""
        return Outcome(
            Act.PROBE, Verdict.DONE, f"{said}; who was found there is heard there", advice
        )

    async def _mismatch(self, switch: Switch, state: PortState) -> str:
        """Return how the port differs from what commissioning found, "" where it does not."""
        access = self._access
        found = stranger(access, await switch.heard())
        if found:
            return f"{self._where}: {found}"
        expected, seen = access.power_class, state.power_class
        if expected is not None and seen is not None and expected != seen:
            return f"{self._where}: a device of class {expected} was found there, class {seen} is"
        if access.draw is not None:
            watts, was = await switch.draw_w(access.draw), access.draw.watts
            most = _DRAW_MOST * was + _DRAW_SLACK_W
            if not _DRAW_LEAST * was - _DRAW_SLACK_W <= watts <= most:
                return f"{self._where}: it gave {was:g} W when it was found, it gives {watts:g} W"
        return ""

    def _failed(self, act: Act, error: DriverError, switch: Switch) -> Outcome:
        verdict = verdict_over_snmp(error, switch.sent)
        return Outcome(act, verdict, " ".join(str(error).split()))

    @property
    def _where(self) -> str:
        return where(self._access)


def stranger(access: PoeAccess, heard: Heard) -> str:
    """Return how those heard at a port differ from who was found there, "" where they do not."""
    expected = ", ".join(access.neighbour)
    there = heard.addresses or heard.announced
    strangers = sorted(heard.addresses - set(access.neighbour))
    if strangers:
        return f"{expected} was found there, {', '.join(strangers)} is there now"
    if there & set(access.neighbour):
        return ""
    moved = [f"{mac} is at port {heard.elsewhere[mac]} now" for mac in access.neighbour
             if mac in heard.elsewhere]  # fmt: skip
    now = ", ".join(sorted(there)) or "nobody"
    return "; ".join([f"{expected} was found there, {now} is heard there now", *moved])


def _word(state: PortState) -> str:
    words = {
        None: "and does not say what it does",
        Detection.DISABLED: "disabled",
        Detection.SEARCHING: "searching for a device",
        Detection.DELIVERING: "giving power",
        Detection.FAULT: "in fault",
        Detection.TEST: "in a test",
        Detection.OTHER_FAULT: "in fault",
    }
    return words[state.detection]


def build(fitting: Fitting) -> Driver:
    """Make the driver of one device, engine and keys included: no order waits for those 0.3 s."""
    access = fitting.access
    assert isinstance(access, PoeAccess)
    shared = SharedPeer(access.switch, access.snmp)
    if not fitting.dry_run:
        shared.warm()
    clock = fitting.clock

    def open_switch(deadline_at: float) -> Switch:
        if fitting.dry_run:
            return DrySwitch(access)
        return LiveSwitch(access, shared, left_s=lambda: deadline_at - clock.monotonic())

    return PoeDriver(
        access,
        fitting.stages,
        open_switch=open_switch,
        close=shared.close,
        clock=clock,
        is_dry=fitting.dry_run,
    )


def _no_port(access: BaseModel) -> int | None:
    """Return None: it is the switch that is asked."""
    return None


KIND = DriverKind(
    name="poe",
    access=PoeAccess,
    stages={Stage.STOP: PoeStop, Stage.START: PoeStart, Stage.VERIFY: PoeVerify},
    build=build,
    port=_no_port,
    cuts=True,
    feeder="switch",
)
"""What the registry knows of it."""
