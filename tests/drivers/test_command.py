"""The command driver, on programs of this very box: /bin/sh and what it runs (POSIX)."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from drivers.base import Act, Driver, Outcome, Repeat, Stage, Verdict
from drivers.command import KIND
from drivers.transports.programs import SHOWN_MOST
from tests.drivers.fitting import fitted, perform

SECRET = "reef & granny 9"


def fit(stages: dict[Stage, dict[str, Any]], *, secret: str = "", dry_run: bool = False) -> Driver:
    access = {"secret": SecretStr(secret)} if secret else {}
    return fitted(KIND, access, stages, dry_run=dry_run)


def sh(script: str, *more: str) -> list[str]:
    return ["/bin/sh", "-c", script, "sh", *more]


async def stop(script: str, *more: str, within_s: float = 10.0, **table: object) -> Outcome:
    driver = fit({Stage.STOP: {"run": sh(script, *more), **table}})
    return await perform(driver, Act.STOP, within_s=within_s)


@pytest.mark.parametrize(
    ("script", "verdict"),
    [
        ("exit 0", Verdict.DONE),
        ("exit 3", Verdict.REFUSED),
        ("kill -9 $$", Verdict.UNCERTAIN),
    ],
)
async def test_exit_status_says_what_came_of_it(script: str, verdict: Verdict) -> None:
    """What a signal ended may have done half of it."""
    outcome = await stop(script)

    assert outcome.verdict is verdict, outcome.evidence


async def test_other_statuses_may_mean_done() -> None:
    """Some programs say "already off" by a status of their own."""
    assert (await stop("exit 4", done=[0, 4])).verdict is Verdict.DONE


async def test_arguments_reach_the_program_as_they_stand(tmp_path: Path) -> None:
    """No shell of ours sees them: neither spaces nor dollars mean anything."""
    wanted = "a b; $HOME `id` * > /dev/null"
    outcome = await stop('printf %s "$1" > "$2"', wanted, str(tmp_path / "out"))

    assert outcome.verdict is Verdict.DONE
    assert (tmp_path / "out").read_text() == wanted


async def test_what_it_prints_is_evidence_and_bounded() -> None:
    """A program that prints without end fills neither memory nor journal."""
    outcome = await stop("echo going down; yes | head -c 3000000")

    assert outcome.verdict is Verdict.DONE
    assert "going down" in outcome.evidence
    assert len(outcome.evidence) < SHOWN_MOST + 100


@pytest.mark.alone
async def test_program_that_hangs_is_killed_with_what_it_began(tmp_path: Path) -> None:
    """Neither it nor its children outlive the deadline."""
    pids = tmp_path / "pids"
    outcome = await stop(f"sleep 60 & echo $! > {pids}; wait", within_s=0.5)
    child = int(pids.read_text())

    assert outcome.verdict is Verdict.UNCERTAIN
    assert outcome.took_s <= 0.75
    for _ in range(100):
        if "\nState:\tZ" in status(child):
            break
        await asyncio.sleep(0.02)
    else:
        raise AssertionError("its child lives on")


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def status(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return "\nState:\tZ"


async def test_child_that_lives_on_on_purpose_holds_nothing_up() -> None:
    """A program may leave a watcher behind, which keeps the output open."""
    began_at = time.monotonic()
    outcome = await stop("sleep 3 & echo begun")

    assert outcome.verdict is Verdict.DONE
    assert "begun" in outcome.evidence
    assert time.monotonic() - began_at < 2.0


async def test_secret_goes_in_by_the_input_and_is_never_shown(tmp_path: Path) -> None:
    """Arguments can be read by every user of the box."""
    stages = {Stage.STOP: {"run": sh(f'read -r s; echo "it is $s"; echo "$s" > {tmp_path}/got')}}
    driver = fit(stages, secret=SECRET)
    outcome = await perform(driver, Act.STOP)

    assert (tmp_path / "got").read_text() == f"{SECRET}\n"
    assert 'it printed "it is ***"' in outcome.evidence
    assert SECRET not in repr(outcome)
    assert outcome.sent[0].endswith(" < ***")


async def test_program_that_reads_nothing_is_no_trouble() -> None:
    """Its input is closed before the secret is written."""
    driver = fit({Stage.STOP: {"run": ["/bin/true"]}}, secret="x" * 200_000)

    assert (await perform(driver, Act.STOP)).verdict is Verdict.DONE


async def test_look_is_repeated_until_it_says_yes(tmp_path: Path) -> None:
    """Status 1 is "not yet"; anything else but 0 is a fault of the program."""
    counter = tmp_path / "counter"
    again = f"echo x >> {counter}; [ $(wc -l < {counter}) -ge 3 ]"
    driver = fit({Stage.VERIFY: {"gone": sh(again), "running": sh("exit 2"), "every": "0.1s"}})
    gone = await perform(driver, Act.CONFIRM_GONE)
    broken = await perform(driver, Act.CONFIRM_RUNNING)

    assert gone.verdict is Verdict.DONE
    assert counter.read_text() == "x\n" * 3
    assert broken.verdict is Verdict.REFUSED


@pytest.mark.alone
async def test_look_that_never_says_yes_is_not_yet() -> None:
    """And ends by the deadline."""
    driver = fit({Stage.VERIFY: {"gone": ["/bin/false"], "every": "0.1s"}})
    outcome = await perform(driver, Act.CONFIRM_GONE, within_s=0.6)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.took_s <= 0.85


async def test_absent_program_is_found_by_probe_and_refused_by_an_order() -> None:
    """The integrator forgot to copy it."""
    driver = fit({Stage.STOP: {"run": ["/usr/local/bin/stop-tide-gauge"]}})
    probed, ordered = await perform(driver, Act.PROBE), await perform(driver, Act.STOP)

    assert probed.verdict is ordered.verdict is Verdict.REFUSED
    assert "/usr/local/bin/stop-tide-gauge" in probed.evidence
    assert "no such file" in ordered.evidence


async def test_dry_run_runs_nothing(tmp_path: Path) -> None:
    """It says what it would run."""
    mark = tmp_path / "ran"
    driver = fit({Stage.STOP: {"run": ["/usr/bin/touch", str(mark)]}}, dry_run=True)
    outcome = await perform(driver, Act.STOP)

    assert outcome.verdict is Verdict.ASSUMED
    assert outcome.sent == (f"/usr/bin/touch {mark}",)
    assert not mark.exists()


async def test_no_descriptor_is_left_open() -> None:
    """An agent that runs for years opens thousands of programs."""
    await stop("exit 0")
    before = open_files()
    for script in ("exit 0", "sleep 5", "sleep 5 & exit 1"):
        await stop(script, within_s=0.3)
    await asyncio.sleep(0.05)

    assert open_files() <= before


def test_acts_follow_the_tables() -> None:
    """A program of the owner's is repeated as the owner says."""
    stages = {
        Stage.QUIESCE: {"run": ["/bin/true"], "repeat": "safe", "confirm": ["/bin/true"]},
        Stage.STOP: {"run": ["/bin/true"], "repeat": "never"},
    }

    assert dict(fit(stages).acts) == {
        Act.PROBE: Repeat.SAFE,
        Act.QUIESCE: Repeat.SAFE,
        Act.CONFIRM_QUIESCED: Repeat.SAFE,
        Act.STOP: Repeat.NEVER,
    }


@pytest.mark.parametrize("words", [[], ["poweroff"], ["/bin/sh", ""]])
def test_program_is_named_by_its_whole_path(words: list[str]) -> None:
    """A service does not look for programs where a person's shell does."""
    with pytest.raises(ValidationError):
        KIND.stages[Stage.STOP].model_validate({"run": words})
