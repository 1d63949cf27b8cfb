"""Dialogues with consoles that take no single commands, on a real terminal behind a real sshd."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr

from drivers.base import Act, Stage, Verdict
from tests.drivers.ssh_fitting import fit, perform, stop_by
from tests.peers.sshd import Sshd

pytestmark = pytest.mark.peer

SECRET = "bowline-on-a-bight"

# A switch-like console of our own: it wants a terminal, greets, asks for a password without
# echoing it, and asks back before it acts. Its lines end as a terminal ends them.
CONSOLE = f"""
[ -t 0 ] || {{ echo 'terminal only'; exit 1; }}
printf '\\033[2J\\033[1mYard switch\\033[0m\\n\\nyard> '
while read -r line; do
    case "$line" in
    enable)
        stty -echo; printf 'Password: '; read -r word; stty echo; printf '\\n'
        [ "$word" = {SECRET} ] || {{ printf 'denied\\nyard> '; continue; }}
        printf 'yard# ' ;;
    show)
        printf 'the word is {SECRET}\\nyard# ' ;;
    halt)
        printf 'Save and halt? [y/N] '; read -r answer
        [ "$answer" = y ] || {{ printf 'kept on\\nyard# '; continue; }}
        printf 'saving...\\n'; sleep 0.3; printf 'halted\\n'; sleep 0.3; kill -9 $PPID ;;
    exit) exit 0 ;;
    *) printf 'what?\\nyard# ' ;;
    esac
done
"""


@pytest.fixture(scope="module")
def switch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    """An sshd that gives everybody the console."""
    folder = tmp_path_factory.mktemp("switch")
    script = folder / "console"
    script.write_text(CONSOLE)
    with Sshd(folder, force_command=f"exec /bin/sh {script}") as server:
        yield server


def enabled(*turns: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the turns up to the privileged prompt, and *turns*."""
    return [
        {"expect": "yard> $", "send": "enable"},
        {"expect": "Password: $", "send_secret": SecretStr(SECRET)},
        *turns,
    ]


async def test_dialogue_goes_from_prompt_to_prompt(switch: Sshd) -> None:
    """A switch is halted as a person would halt it."""
    outcome = await stop_by(
        switch,
        dialogue=enabled(
            {"expect": "yard# $", "send": "halt"},
            {"expect": r"\[y/N\] $", "send": "y"},
            {"expect": "saving"},
        ),
    )

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert outcome.sent == (
        f"log in to 127.0.0.1 port {switch.port} as {switch.user} by key",
        "open a terminal",
        "on /yard> $/ send enable",
        "on /Password: $/ send ***",
        "on /yard# $/ send halt",
        r"on /\[y/N\] $/ send y",
        "on /saving/ send nothing more",
    )
    assert SECRET not in repr(outcome)


async def test_dry_run_says_the_same_lines(switch: Sshd) -> None:
    """The rehearsal of a dialogue shows each turn."""
    turns = enabled({"expect": "yard# $", "send": "exit"})
    stages = {Stage.STOP: {"dialogue": turns}}
    dry = await perform(fit(switch, stages, dry_run=True), Act.STOP)
    live = await perform(fit(switch, stages), Act.STOP)

    assert dry.verdict is Verdict.ASSUMED
    assert live.verdict is Verdict.DONE, live.evidence
    assert dry.sent == live.sent


async def test_connection_lost_after_the_last_line_is_uncertain(switch: Sshd) -> None:
    """A halt that takes the console with it is for the conductor to verify, not to believe."""
    outcome = await stop_by(
        switch,
        dialogue=enabled(
            {"expect": "yard# $", "send": "halt"}, {"expect": r"\[y/N\] $", "send": "y"}
        ),
    )

    assert outcome.verdict is Verdict.UNCERTAIN
    assert outcome.evidence.startswith(r"the connection ended during the dialogue (on /\[y/N\] $/")
    assert 'it last wrote "y / saving... / halted"' in outcome.evidence


async def test_missing_prompt_is_told_with_what_came_instead(switch: Sshd) -> None:
    """The owner reads what the console said, and mends the pattern."""
    outcome = await stop_by(
        switch, dialogue=[{"expect": "router> $", "within": "3s", "send": "enable"}]
    )

    assert outcome.verdict is Verdict.GARBLED
    assert outcome.evidence == (
        'no prompt like /router> $/ came within 3 s; it last wrote "Yard switch / yard>"'
    )
    assert outcome.took_s < 9.0


async def test_missing_prompt_after_a_line_was_sent_is_uncertain(switch: Sshd) -> None:
    """What was typed before may have acted."""
    wrong = [
        {"expect": "yard> $", "send": "enable"},
        {"expect": "Password: $", "send_secret": SecretStr("sheepshank")},
        {"expect": "yard# $", "within": "0.5s", "send": "halt"},
    ]
    outcome = await stop_by(switch, dialogue=wrong)

    assert outcome.verdict is Verdict.UNCERTAIN
    assert outcome.evidence.endswith('it last wrote "denied / yard>"')
    assert "sheepshank" not in repr(outcome)


async def test_secret_that_the_console_repeats_is_masked(switch: Sshd) -> None:
    """Consoles echo; the journal must not."""
    outcome = await stop_by(
        switch,
        dialogue=enabled(
            {"expect": "yard# $", "send": "show"}, {"expect": "oak$", "within": "0.4s"}
        ),
    )

    assert "the word is ***" in outcome.evidence
    assert SECRET not in repr(outcome)


@pytest.mark.alone
async def test_waiting_at_a_prompt_ends_at_the_deadline(switch: Sshd) -> None:
    """A patient prompt must not outlive the battery."""
    outcome = await stop_by(
        switch, within_s=0.8, dialogue=[{"expect": "never", "within": "60s", "send": "x"}]
    )

    assert outcome.verdict is Verdict.NO_ANSWER  # nothing had been sent
    assert outcome.took_s <= 1.05


async def test_console_without_commands_says_to_write_a_dialogue(switch: Sshd) -> None:
    """The first thing that an owner of such a switch will try is `run`."""
    outcome = await stop_by(switch, run="halt")

    assert outcome.verdict is Verdict.REFUSED
    assert 'it wrote "terminal only"' in outcome.evidence


async def test_server_without_terminals_says_so(tmp_path: Path) -> None:
    """A key restricted to commands (sshd(8): no-pty) cannot hold a dialogue."""
    with Sshd(tmp_path, options=("PermitTTY no",)) as server:
        outcome = await stop_by(server, dialogue=[{"expect": "x"}])

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.evidence == "the device did not accept the dialogue"
