"""Devices with a login: commands run over SSH, or a dialogue held with a console that takes none.

This module knows nothing of the SSH library, so that a file is checked without loading it; a driver
built for a live run loads it at once, so that the first order does not wait for it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from pydantic import BaseModel, SecretStr

from drivers.base import Act, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DriverError
from drivers.ssh_settings import (
    DoingSettings,
    PromptSettings,
    QuestionSettings,
    QuiesceSettings,
    SshAccess,
    StartSettings,
    StopSettings,
    VerifySettings,
)
from drivers.tcp import PortWatch, watch_of
from drivers.transports.console import (
    Command,
    Console,
    Dialogue,
    Login,
    PaperConsole,
    Prompt,
    Reply,
    Step,
    Transcript,
    last_words,
    masked,
)
from drivers.verdicts import advice_of, verdict_of

_PENDING = frozenset({Verdict.NOT_YET, Verdict.NO_ANSWER})
_PAUSE_LEAST_S = 0.1
_MAY_DO_ALL = frozenset({"root", "administrator"})
_TOO_MUCH = (
    "this account may do everything: give it one of its own that may do what the file has it do, "
    'or see that its key is held to that (restrict,command="…" in authorized_keys, sshd(8))'
)
_MEND_FAULTS = "mend it on the device: an outage would meet it"
_EVIDENCE_LIMIT = 500  # characters; a device's own words in it are kept to 200


@dataclass(frozen=True, slots=True)
class _Finding:
    verdict: Verdict
    evidence: str
    advice: str = ""


_Judge = Callable[[tuple[Step, ...], Transcript], _Finding]


@dataclass(frozen=True, slots=True)
class _Plan:
    """What an act says to the device, and how the replies are judged.

    Attributes:
        only_asks: whether it changes nothing, so that breaking off leaves nothing in doubt.
        every_s: how often it is asked until the answer is yes, in s; None = once.
        may_end: whether the device may go down by it, and the connection with it.
    """

    script: tuple[Step, ...]
    judge: _Judge
    repeat: Repeat = Repeat.SAFE
    only_asks: bool = True
    every_s: float | None = None
    may_end: bool = False


class SshDriver:
    """A device spoken with over SSH."""

    def __init__(self, fitting: Fitting, access: SshAccess, console: Console) -> None:
        self._fitting = fitting
        self._access = access
        self._console = console
        self._plans = {Act.PROBE: _Plan((), self._judge_login)}
        self._questions = tuple(_question(asked) for asked in access.probe)
        self._watch: PortWatch | None = None
        for stage, settings in fitting.stages.items():
            self._plan(stage, settings)
        self._acts = {act: plan.repeat for act, plan in self._plans.items()}
        if self._connects_early():
            self._acts[Act.PREPARE] = Repeat.SAFE
        if self._watch is not None:
            self._acts[Act.CONFIRM_GONE] = Repeat.SAFE
        secrets = (access.key, access.key_passphrase, access.password, access.sudo_password)
        steps = [step for plan in self._plans.values() for step in plan.script]
        self._secrets = (*filter(None, secrets), *(s for step in steps for s in step.secrets))

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What it can do for this device as configured, and how each may be repeated."""
        return self._acts

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        if act is Act.CONFIRM_GONE and self._watch is not None:
            return await self._watch.perform(act, deadline_at=deadline_at)
        if act is Act.PREPARE and act in self._acts:
            return await self._prepare(deadline_at)
        plan = self._plans.get(act)
        if plan is None:
            return Outcome(act, Verdict.REFUSED, f"the ssh driver cannot {act} as configured")
        clock = self._fitting.clock
        started_at = clock.monotonic()
        before: tuple[_Finding, list[str]] | None = None
        while True:
            sent: list[str] = []
            finding = await self._try(plan, deadline_at, sent)
            if plan.every_s is None or finding.verdict not in _PENDING:
                break
            if before is not None and clock.monotonic() >= deadline_at:
                finding, sent = before  # the last look had no time: it says nothing
                break
            before = finding, sent
            pause_s = max(plan.every_s, _PAUSE_LEAST_S)
            if deadline_at - clock.monotonic() <= pause_s:
                break
            await clock.sleep(pause_s)
        if act is Act.PROBE and finding.verdict in (Verdict.DONE, Verdict.ASSUMED):
            finding = await self._ask_more(finding, deadline_at, sent)
        return self._outcome(act, finding, sent, started_at)

    async def _ask_more(self, found: _Finding, deadline_at: float, sent: list[str]) -> _Finding:
        """Ask what the file has a probe ask; each in a session of its own, as people would."""
        faults: list[str] = []
        for question in self._questions:
            said: list[str] = []
            answer = await self._try(question, deadline_at, said)
            sent += said
            if answer.verdict not in (Verdict.DONE, Verdict.NOT_YET, Verdict.ASSUMED):
                return answer
            if answer.verdict is Verdict.NOT_YET:
                faults.append(answer.evidence)
        if not faults:
            return found
        return _Finding(Verdict.NOT_YET, "; ".join((found.evidence, *faults)), _MEND_FAULTS)

    def _outcome(self, act: Act, finding: _Finding, sent: list[str], started_at: float) -> Outcome:
        return Outcome(
            act,
            finding.verdict,
            self._presentable(finding.evidence),
            self._presentable(finding.advice),
            tuple(sent),
            self._fitting.clock.monotonic() - started_at,
        )

    async def _try(self, plan: _Plan, deadline_at: float, sent: list[str]) -> _Finding:
        within_s = deadline_at - self._fitting.clock.monotonic()
        try:
            transcript = await self._console.converse(
                plan.script, within_s=within_s, sent=sent, may_end=plan.may_end
            )
        except DriverError as error:
            return _failed(error, only_asks=plan.only_asks)
        if self._fitting.dry_run:
            return _Finding(Verdict.ASSUMED, "nothing was sent: dry run")
        return plan.judge(plan.script, transcript)

    async def _prepare(self, deadline_at: float) -> Outcome:
        clock = self._fitting.clock
        started_at = clock.monotonic()
        sent: list[str] = []
        try:
            host_key = await self._console.prepare(within_s=deadline_at - started_at, sent=sent)
        except DriverError as error:
            finding = _failed(error, only_asks=True)
        else:
            finding = _Finding(Verdict.ASSUMED, "nothing was sent: dry run")
            if not self._fitting.dry_run:
                user = self._access.user
                evidence = f"logged in as {user}, and stays so; host key {host_key} as pinned"
                finding = _Finding(Verdict.DONE, evidence)
        return self._outcome(Act.PREPARE, finding, sent, started_at)

    def _connects_early(self) -> bool:
        """Whether a connection may wait for its use: consoles that hold dialogues seldom let it."""
        if self._access.connect_early is not None:
            return self._access.connect_early
        steps = [step for plan in self._plans.values() for step in plan.script]
        return bool(steps) and not any(isinstance(step, Dialogue) for step in steps)

    async def close(self) -> None:
        """End every conversation under way."""
        await self._console.close()

    def _plan(self, stage: Stage, settings: BaseModel) -> None:
        match stage, settings:
            case Stage.QUIESCE, QuiesceSettings():
                self._plans[Act.QUIESCE] = self._doing(settings, Repeat.SAFE)
                self._confirm(Act.CONFIRM_QUIESCED, settings.confirm, settings.every)
                if settings.restore is not None:
                    restore = DoingSettings(run=(settings.restore,))
                    self._plans[Act.RESTORE] = self._doing(restore, Repeat.SAFE)
            case Stage.STOP, StopSettings():
                stop = self._doing(settings, Repeat.LOOK_FIRST)
                self._plans[Act.STOP] = replace(stop, may_end=True)
            case Stage.START, StartSettings():
                self._plans[Act.START] = self._doing(settings, Repeat.LOOK_FIRST)
                self._confirm(Act.CONFIRM_RUNNING, settings.confirm, settings.every)
            case Stage.VERIFY, VerifySettings():
                self._watch = watch_of(self._fitting, settings, port=self._access.port)
                self._confirm(Act.CONFIRM_RUNNING, settings.running, settings.interval)
                by_login = _Plan((), self._judge_login, every_s=settings.interval)
                self._plans.setdefault(Act.CONFIRM_RUNNING, by_login)
            case _:
                raise AssertionError(f"settings of stage {stage} are of another driver")

    def _confirm(self, act: Act, command: str | None, every_s: float) -> None:
        if command is not None:
            self._plans[act] = _Plan((self._command(command),), _judge_state, every_s=every_s)

    def _doing(self, settings: DoingSettings, repeat: Repeat) -> _Plan:
        script: tuple[Step, ...] = tuple(
            self._command(text, settings.stdin_secret) for text in settings.run
        )
        if settings.dialogue:
            script = (Dialogue(tuple(_prompt(turn) for turn in settings.dialogue)),)
        expect = re.compile(settings.expect) if settings.expect is not None else None
        repeat = repeat if settings.repeat is None else Repeat(settings.repeat)
        return _Plan(script, self._judge_doing(expect, repeat), repeat=repeat, only_asks=False)

    def _command(self, text: str, stdin: SecretStr | None = None) -> Command:
        if stdin is None and text.startswith("sudo -S"):
            stdin = self._access.sudo_password
        return Command(text, stdin)

    def _judge_login(self, _: tuple[Step, ...], heard: Transcript) -> _Finding:
        user = self._access.user
        advice = _TOO_MUCH if user.lower() in _MAY_DO_ALL else ""
        evidence = f"logged in as {user}; host key {heard.host_key} as pinned"
        return _Finding(Verdict.DONE, evidence, advice)

    def _judge_doing(self, expect: re.Pattern[str] | None, repeat: Repeat) -> _Judge:
        def judge(said: tuple[Step, ...], heard: Transcript) -> _Finding:
            step, reply = said[len(heard.replies) - 1], heard.replies[-1]
            if isinstance(step, Dialogue):
                return _Finding(Verdict.DONE, f"the dialogue went as expected{_wrote(reply)}")
            evidence = _evidence(step, reply)
            if reply.status:
                return _Finding(Verdict.REFUSED, evidence, self._mending(step.text, reply.status))
            if expect is not None and not expect.search(reply.output):
                evidence += f", and nothing like /{expect.pattern}/"
                # It may have done it all the same: only what is safe to repeat counts as failed.
                verdict = Verdict.GARBLED if repeat is Repeat.SAFE else Verdict.UNCERTAIN
                return _Finding(verdict, evidence, "see what it did, and mend expect or run")
            if reply.status is None and expect is None:
                return _Finding(Verdict.UNCERTAIN, evidence)
            return _Finding(Verdict.DONE, evidence)

        return judge

    def _mending(self, command: str, status: int) -> str:
        user = self._access.user
        if status == 127:  # by this a shell says so: POSIX, Shell Command Language, 2.8.2
            return "the device knows no such command; mend it in the file"
        if command.startswith("sudo"):
            return (
                f"let {user} run this command without a password (NOPASSWD in sudoers), or write "
                "sudo -S and set sudo_password"
            )
        return f"log in as {user} and run it by hand to see what it lacks"

    def _presentable(self, text: str) -> str:
        return last_words(masked(text, self._secrets), at_most=_EVIDENCE_LIMIT)


def _judge_state(said: tuple[Step, ...], heard: Transcript) -> _Finding:
    (step,), (reply,) = said, heard.replies
    assert isinstance(step, Command)
    evidence = _evidence(step, reply)
    match reply.status:
        case 0:
            return _Finding(Verdict.DONE, evidence)
        case None:
            return _Finding(Verdict.GARBLED, evidence, "ask by a command that has an exit status")
        case 126 | 127:
            return _Finding(Verdict.REFUSED, evidence, "mend the command in the file")
    return _Finding(Verdict.NOT_YET, evidence)


def _question(asked: QuestionSettings) -> _Plan:
    """What is asked, and whether the answer is good; NOT_YET where it is not."""
    good = re.compile(asked.good) if asked.good is not None else None

    def judge(said: tuple[Step, ...], heard: Transcript) -> _Finding:
        (step,), (reply,) = said, heard.replies
        assert isinstance(step, Command)
        is_good = reply.status == 0 if good is None else good.search(reply.output) is not None
        if is_good:
            return _Finding(Verdict.DONE, "")
        return _Finding(Verdict.NOT_YET, f"{asked.fault} ({_evidence(step, reply)})")

    return _Plan((Command(asked.run),), judge)


def _evidence(step: Command, reply: Reply) -> str:
    status = "no exit status" if reply.status is None else f"exit status {reply.status}"
    return f'"{step.text}": {status}{_wrote(reply)}'


def _wrote(reply: Reply) -> str:
    words = last_words(reply.output)
    return f'; it wrote "{words}"' if words else ""


def _prompt(settings: PromptSettings) -> Prompt:
    return Prompt(
        expect=re.compile(settings.expect) if settings.expect is not None else None,
        send=settings.send if settings.send_secret is None else settings.send_secret,
        within_s=settings.within,
    )


def _failed(error: DriverError, *, only_asks: bool) -> _Finding:
    return _Finding(verdict_of(error, was_ordered=not only_asks), str(error), advice_of(error))


def _build(fitting: Fitting) -> Driver:
    access = fitting.access
    assert isinstance(access, SshAccess)
    login = Login(
        address=fitting.address,
        port=access.port,
        user=access.user,
        key=access.key,
        key_passphrase=access.key_passphrase,
        password=access.password,
        pins=frozenset(access.host_keys),
        known_hosts=access.known_hosts,
        legacy=frozenset(access.legacy),
    )
    console: Console = PaperConsole(login)
    if not fitting.dry_run:
        # Here and not above: checking a file need not wait for the SSH library.
        from drivers.transports.ssh_console import SshConsole

        console = SshConsole(login)
    return SshDriver(fitting, access, console)


def _port(access: BaseModel) -> int | None:
    assert isinstance(access, SshAccess)
    return access.port


KIND = DriverKind(
    name="ssh",
    access=SshAccess,
    stages={
        Stage.QUIESCE: QuiesceSettings,
        Stage.STOP: StopSettings,
        Stage.VERIFY: VerifySettings,
        Stage.START: StartSettings,
    },
    build=_build,
    port=_port,
    restores=lambda table: isinstance(table, QuiesceSettings) and table.restore is not None,
)
