"""The box's own power-off: a fixed list of arguments, no shell, and never for real in a test."""

from __future__ import annotations

import os
import socket
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.base import Act, Driver, Fitting, Stage, Verdict
from drivers.conformance import LoopClock
from drivers.local import KIND, POWER_OFF, LocalDriver, LocalStop
from drivers.transports.programs import DryPrograms, OwnPrograms

WITHIN_S = 10.0


def recorder(folder: Path, *, status: int = 0, waits_s: int = 0, says: str = "") -> Path:
    """Return a program that notes its arguments, one a line, and does nothing else."""
    program = folder / "recorder"
    lines = [
        "#!/bin/sh",
        f'for each in "$@"; do echo "$each" >> "{folder}/ran"; done',
        *([f"echo {says}"] if says else []),
        *([f"exec sleep {waits_s}"] if waits_s else []),
        f"exit {status}",
    ]
    program.write_text("\n".join([*lines, ""]))
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    return program


def driver(command: list[str], *, dry_run: bool = False) -> Driver:
    stages: dict[Stage, Any] = {Stage.QUIESCE: {}, Stage.STOP: {"command": command}}
    return KIND.build(
        Fitting(
            device="warden",
            address="",
            access=KIND.access.model_validate({}),
            stages={s: KIND.stages[s].model_validate(table) for s, table in stages.items()},
            clock=LoopClock(),
            dry_run=dry_run,
        )
    )


async def stopped(made: Driver, within_s: float = WITHIN_S) -> Any:
    return await made.perform(Act.STOP, deadline_at=LoopClock().monotonic() + within_s)


async def test_the_arguments_arrive_as_they_stand_in_the_file(tmp_path: Path) -> None:
    """Through a shell a blank or a semicolon would become another command."""
    program = recorder(tmp_path, says="going down")

    outcome = await stopped(driver([str(program), "power off", "; reboot", "$HOME"]))

    assert outcome.verdict is Verdict.DONE
    assert (tmp_path / "ran").read_text().splitlines() == ["power off", "; reboot", "$HOME"]
    assert outcome.sent[0] == "sync", "what is not written out would be lost"
    assert "going down" in outcome.evidence


async def test_a_refusal_says_what_the_program_said(tmp_path: Path) -> None:
    """Without the right to power off, the box would wait for ever, and nobody would know why."""
    program = recorder(tmp_path, status=4, says="not allowed")

    outcome = await stopped(driver([str(program)]))

    assert outcome.verdict is Verdict.REFUSED
    assert "status 4: not allowed" in outcome.evidence
    assert outcome.advice


async def test_a_program_that_is_not_there_is_a_refusal(tmp_path: Path) -> None:
    """A system without systemd has another command."""
    outcome = await stopped(driver([str(tmp_path / "absent")]))
    probed = await driver([str(tmp_path / "absent")]).perform(
        Act.PROBE, deadline_at=LoopClock().monotonic() + WITHIN_S
    )

    assert outcome.verdict is Verdict.REFUSED
    assert "no such file" in outcome.evidence
    assert probed.verdict is Verdict.REFUSED


async def test_a_program_that_hangs_is_killed_at_the_deadline(tmp_path: Path) -> None:
    """The agent must go on with its own work."""
    program = recorder(tmp_path, waits_s=60)

    outcome = await stopped(driver([str(program), "x"]), within_s=1.5)

    assert outcome.verdict is Verdict.UNCERTAIN
    assert outcome.took_s < 3.0


async def test_a_dry_run_and_a_probe_run_nothing(tmp_path: Path) -> None:
    """A rehearsal that powers the box off would be no rehearsal."""
    program = recorder(tmp_path)
    made = driver([str(program), "x"], dry_run=True)

    outcome = await stopped(made)
    probed = await driver([str(program), "x"]).perform(
        Act.PROBE, deadline_at=LoopClock().monotonic() + WITHIN_S
    )

    assert outcome.verdict is Verdict.ASSUMED
    assert outcome.sent == ("sync", f"{program} x")
    assert probed.verdict is Verdict.DONE
    assert not (tmp_path / "ran").exists()


async def test_quiescing_writes_out_and_runs_nothing(tmp_path: Path) -> None:
    """A box that waits for its power to go stays on."""
    program = recorder(tmp_path)

    outcome = await driver([str(program), "x"]).perform(
        Act.QUIESCE, deadline_at=LoopClock().monotonic() + WITHIN_S
    )

    assert outcome.verdict is Verdict.DONE
    assert not (tmp_path / "ran").exists()


def test_the_command_is_a_list_and_has_a_default() -> None:
    """One text would have to be split by somebody, and that is what shells are for."""
    assert LocalStop().command is None
    for wrong in ("systemctl poweroff", [], [""]):
        with pytest.raises(ValidationError):
            LocalStop.model_validate({"command": wrong})
    assert os.sep not in POWER_OFF[0]


# The service manager's socket


@contextmanager
def answering(path: Path, said: bytes) -> Iterator[list[int]]:
    """Listen as the service manager does; what it yields grows by one a connection."""
    met: list[int] = []

    def serve() -> None:
        while True:
            try:
                talk, _ = door.accept()
            except OSError:
                return
            met.append(1)
            with talk:
                talk.sendall(said)

    with socket.socket(socket.AF_UNIX) as door:
        door.bind(str(path))
        door.listen()
        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield met
        door.shutdown(socket.SHUT_RDWR)
        thread.join(5.0)


def by_door(path: Path, *, dry_run: bool = False, table: dict[str, Any] | None = None) -> Driver:
    stages = {Stage.STOP: LocalStop.model_validate(table or {})}
    return LocalDriver(stages, DryPrograms() if dry_run else OwnPrograms(), LoopClock(), door=path)


async def test_a_service_that_may_power_off_nothing_asks_its_manager(tmp_path: Path) -> None:
    """Hardened, it has no right to run `systemctl poweroff` itself."""
    with answering(tmp_path / "door", b"taken\n") as met:
        outcome = await stopped(by_door(tmp_path / "door"))

    assert outcome.verdict is Verdict.DONE
    assert outcome.sent == ("sync", f"connect {tmp_path / 'door'}")
    assert met == [1]


async def test_what_the_manager_says_instead_is_told(tmp_path: Path) -> None:
    """A box that stays on must not be taken for one that goes down."""
    with answering(tmp_path / "door", b"Failed to power off: held by somebody\n"):
        outcome = await stopped(by_door(tmp_path / "door"))

    assert outcome.verdict is Verdict.REFUSED
    assert "held by somebody" in outcome.evidence


async def test_a_door_that_closes_without_a_word_proves_nothing(tmp_path: Path) -> None:
    """A system that goes down may end whoever was to answer."""
    with answering(tmp_path / "door", b""):
        outcome = await stopped(by_door(tmp_path / "door"))

    assert outcome.verdict is Verdict.UNCERTAIN


async def test_a_door_that_nobody_opens_is_a_refusal(tmp_path: Path) -> None:
    """A socket file that was left behind leads nowhere."""
    with socket.socket(socket.AF_UNIX) as left:
        left.bind(str(tmp_path / "door"))
    outcome = await stopped(by_door(tmp_path / "door"))

    assert outcome.verdict is Verdict.REFUSED
    assert "refused" in outcome.evidence


async def test_a_probe_a_rehearsal_and_a_command_of_ones_own_do_not_knock(tmp_path: Path) -> None:
    """Whoever connects powers off the box."""
    own = {"command": [str(recorder(tmp_path)), "x"]}
    with answering(tmp_path / "door", b"taken\n") as met:
        probed = await by_door(tmp_path / "door").perform(
            Act.PROBE, deadline_at=LoopClock().monotonic() + WITHIN_S
        )
        rehearsed = await stopped(by_door(tmp_path / "door", dry_run=True))
        ran = await stopped(by_door(tmp_path / "door", table=own))

    assert probed.verdict is Verdict.DONE
    assert rehearsed.verdict is Verdict.ASSUMED
    assert ran.verdict is Verdict.DONE
    assert met == []
