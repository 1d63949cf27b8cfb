"""What drivers meet: an interface that is slow, breaks off, refuses, lies, or vanishes."""

from __future__ import annotations

import asyncio
import math
import random
from collections.abc import Callable, Mapping
from dataclasses import replace

from agent.simulation.scenario import Manners, is_in
from agent.simulation.truth import Body, SiteTruth
from drivers.base import Act, Clock, Outcome, Repeat, Verdict
from policies.model import Device

SECRET = "correct-horse-battery"
"""What no log, event or notice may ever show: it stands in the errors that drivers raise."""

SILENCE_S = 5.0
"""After how long a driver takes a silent device for silent."""

LOOK_EVERY_S = 4.0

Told = Callable[[str, Act], None]


class Interface:
    """One device as it is met over the network; it outlives the agent's runs."""

    def __init__(
        self,
        device: Device,
        manners: Manners,
        *,
        truth: SiteTruth,
        pump: Callable[[], float],
        on_told: Told,
        seed: int,
    ) -> None:
        """Prepare.

        Args:
            device: as the file has it.
            manners: how it behaves.
            truth: the site.
            pump: brings the truth up to the present loop time, and returns that.
            on_told: called as the device takes in an act that changes something, before it acts.
            seed: of what goes wrong.
        """
        self.device = device
        self.manners = manners
        self._truth = truth
        self._pump = pump
        self._on_told = on_told
        self._chance = random.Random(f"{seed} interface {device.name}")

    @property
    def answers(self) -> bool:
        """Whether it can be spoken with now."""
        now = self._pump()
        return self._truth.answers(self.device.name) and not is_in(self.manners.is_mute, now)

    async def perform(self, act: Act, clock: Clock, deadline_at: float) -> Outcome:
        """Do one act as a driver would."""
        if act in (Act.CONFIRM_GONE, Act.CONFIRM_RUNNING, Act.CONFIRM_QUIESCED):
            verdict, evidence = await self._watch(act, clock, deadline_at)
        else:
            verdict, evidence = await self._tell(act, clock, deadline_at)
        return Outcome(act, verdict, evidence)

    async def _tell(self, act: Act, clock: Clock, deadline_at: float) -> tuple[Verdict, str]:
        manners = self.manners
        left_s = deadline_at - clock.monotonic()
        await clock.sleep(min(manners.talk_s, left_s))
        now = self._pump()
        hears = self._hears(act)
        if not hears or manners.talk_s > left_s or self._chance.random() < manners.unheard:
            await clock.sleep(min(SILENCE_S, deadline_at - clock.monotonic()))
            return Verdict.NO_ANSWER, "nothing was heard"
        if is_in(manners.refuses, now):
            return Verdict.REFUSED, "it said no"
        if is_in(manners.puts_off, now):
            return Verdict.NOT_YET, "it is busy"
        roll = self._chance.random()
        for likely, ending in (
            (manners.cut, self._cut),
            (manners.dropped, self._drop),
            (manners.hangs, self._hang),
            (manners.fails, self._fail),
            (manners.garbles, self._garble),
        ):
            if roll < likely:
                return await ending(act)
            roll -= likely
        self._deliver(act)
        return Verdict.DONE, f"{act.value} accepted"

    def _hears(self, act: Act) -> bool:
        machine = self._truth.machines[self.device.name]
        if act is Act.START and self.device.stop_s is not None:
            # As a packet that wakes: heard by what is off, if it has power and its path is up.
            has_power = machine.has_power or (machine.is_cut and self.device.is_cut)
            return has_power and self._truth.is_path_up(self.device.name)
        return self.answers

    def _deliver(self, act: Act) -> None:
        name = self.device.name
        if self.manners.lies:
            return
        self._on_told(name, act)
        match act:
            case Act.QUIESCE:
                self._truth.quiesce(name)
            case Act.STOP:
                self._truth.stop(name)
            case Act.START:
                self._truth.start(name)
            case Act.RESTORE if self._truth.machines[name].body is Body.RUNNING:
                self._truth.start(name)
            case _:
                pass

    async def _cut(self, act: Act) -> tuple[Verdict, str]:
        return Verdict.UNCERTAIN, "it hung up"

    async def _drop(self, act: Act) -> tuple[Verdict, str]:
        self._deliver(act)
        return Verdict.UNCERTAIN, "it hung up"

    async def _hang(self, act: Act) -> tuple[Verdict, str]:
        if self._chance.random() < 0.5:
            self._deliver(act)
        await asyncio.get_running_loop().create_future()
        raise AssertionError("nobody ever ends it")

    async def _fail(self, act: Act) -> tuple[Verdict, str]:
        raise RuntimeError(f"password={SECRET}")

    async def _garble(self, act: Act) -> tuple[Verdict, str]:
        self._deliver(act)
        return Verdict.GARBLED, "it answered nonsense"

    async def _watch(self, act: Act, clock: Clock, deadline_at: float) -> tuple[Verdict, str]:
        """Look again and again until what is asked about is there, or the deadline."""
        silent_since = math.inf
        while True:
            answers, now = self.answers, clock.monotonic()
            silent_since = math.inf if answers else min(silent_since, now)
            if self._holds(act, answers=answers, silent_s=now - silent_since):
                return Verdict.DONE, f"{act.value}: seen"
            left_s = deadline_at - now
            if left_s <= 0.0:
                heard = answers or act is Act.CONFIRM_GONE
                return (Verdict.NOT_YET if heard else Verdict.NO_ANSWER), f"{act.value}: not seen"
            next_s = LOOK_EVERY_S
            if act is Act.CONFIRM_GONE and silent_since < math.inf:
                next_s = max(0.01, silent_since + self.device.settle_s - now)
                next_s = min(next_s, LOOK_EVERY_S)
            await clock.sleep(min(next_s, left_s))

    def _holds(self, act: Act, *, answers: bool, silent_s: float) -> bool:
        match act:
            case Act.CONFIRM_GONE:
                return silent_s >= self.device.settle_s
            case Act.CONFIRM_RUNNING:
                return answers
            case _:
                return answers and self._truth.machines[self.device.name].is_idle


class PortInterface(Interface):
    """The port that feeds a device, as its switch is met over the network.

    Once switched off it stays so, and what hangs on it has no power until it is switched on.
    """

    def __init__(
        self,
        device: Device,
        manners: Manners,
        *,
        truth: SiteTruth,
        pump: Callable[[], float],
        on_told: Told,
        seed: int,
    ) -> None:
        """Prepare; see `Interface`."""
        super().__init__(device, manners, truth=truth, pump=pump, on_told=on_told, seed=seed)
        self._names = {Act.STOP: Act.STOP, Act.START: Act.START}
        if device.cut_s is not None:  # its second way, under which the journal has it
            self._names = {Act.STOP: Act.CUT, Act.START: Act.UNCUT}

    @property
    def answers(self) -> bool:
        """Whether its switch can be spoken with now."""
        now = self._pump()
        (switch,) = self.device.feeds
        return self._truth.answers(switch) and not is_in(self.manners.is_mute, now)

    async def perform(self, act: Act, clock: Clock, deadline_at: float) -> Outcome:
        """Do one act as a driver would."""
        outcome = await super().perform(act, clock, deadline_at)
        done = act is Act.REMEMBER and outcome.verdict is Verdict.DONE
        return replace(outcome, was="on") if done else outcome

    def _hears(self, act: Act) -> bool:
        return self.answers

    def _deliver(self, act: Act) -> None:
        if self.manners.lies or act not in self._names:
            return
        name = self.device.name
        if self._truth.machines[name].is_cut == (act is Act.STOP):
            return  # it is so already, and is left alone
        self._on_told(name, self._names[act])
        (self._truth.cut if act is Act.STOP else self._truth.uncut)(name)

    async def _watch(self, act: Act, clock: Clock, deadline_at: float) -> tuple[Verdict, str]:
        while True:
            answers, now = self.answers, clock.monotonic()
            is_off = self._truth.machines[self.device.name].is_cut
            if answers and is_off == (act is Act.CONFIRM_GONE):
                return Verdict.DONE, f"{act.value}: seen"
            left_s = deadline_at - now
            if left_s <= 0.0:
                return (Verdict.NOT_YET if answers else Verdict.NO_ANSWER), f"{act.value}: not seen"
            await clock.sleep(min(LOOK_EVERY_S, left_s))


class Speaker:
    """A driver of one run of the agent: it speaks with the interface as long as that run lives.

    Attributes:
        interface: the device as it is met.
        clock: of that run.
    """

    def __init__(self, interface: Interface, clock: Clock, *, is_dead: Callable[[], bool]) -> None:
        self.interface = interface
        self.clock = clock
        self._is_dead = is_dead

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What it can do."""
        return self.interface.manners.acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act; see drivers.base.Driver."""
        if act not in self.acts:
            return Outcome(act, Verdict.REFUSED, f"cannot {act.value}")
        outcome = await self.interface.perform(act, self.clock, deadline_at)
        if self._is_dead():
            await asyncio.get_running_loop().create_future()  # the dead never go on
        return outcome

    def recall(self, was: str) -> None:
        """Take what it was set to before; in these worlds every port was on."""

    async def close(self) -> None:
        """Let go of nothing."""
