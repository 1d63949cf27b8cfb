"""The virtual PC and switch as OpenSSH's client sees them; magic packets off a plain socket."""

import asyncio
import os
import socket
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from agent.virtual import host
from agent.virtual.host import VirtualConsole, VirtualPc, WakeListener
from agent.virtual.machine import Files, Machine, Nature, Phase
from agent.virtual.pace import PacedLoop
from agent.virtual.ssh_server import Logins, SshFace, new_key_pair
from policies.model import Role
from tests.agent.virtual.paced import run_paced
from tests.peers.sshd import binary

pytestmark = pytest.mark.peer

PRIVATE, PUBLIC = new_key_pair()
LOGINS = Logins("operator", public_key=PUBLIC)
PC = Nature("slip PC", Role.COMPUTER, watts=60.0, stop_s=20.0, hush_s=5.0, start_s=40.0)
SWITCH = Nature("yard switch", Role.SWITCH, watts=8.0, standby_w=0.0, stop_s=5.0)


@dataclass(frozen=True, slots=True)
class Client:
    """OpenSSH's ssh, each time a process of its own, with the host key pinned."""

    folder: Path
    loop: PacedLoop

    async def run(
        self,
        face: SshFace,
        command: str | None,
        *,
        typed: str | None = None,
        user: str = "operator",
    ) -> tuple[int, str]:
        """Run *command*, or the console with *typed* as its keys; return status and output."""
        program = binary("ssh", package="openssh-client")
        words = ["-F", "none", "-o", "BatchMode=yes", "-o", "UserKnownHostsFile=known_hosts"]
        words += ["-o", "IdentitiesOnly=yes", "-i", "key", "-p", str(face.address[1])]
        words += ["-T" if command is not None else "-tt", f"{user}@{face.address[0]}"]
        with self.loop.at_real_pace():
            await self._pin(face)
            process = await asyncio.create_subprocess_exec(
                program,
                *words,
                *([] if command is None else [command]),
                cwd=self.folder,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                stderr=asyncio.subprocess.STDOUT,
            )
            output, _ = await process.communicate((typed or "").encode())
        assert process.returncode is not None
        return process.returncode, output.decode().replace("\r", "")

    async def _pin(self, face: SshFace) -> None:
        """Let ssh-keyscan fetch the key, and ssh-keygen say that it is the one promised."""
        key, known = self.folder / "key", self.folder / "known_hosts"
        if not key.exists():  # a few bytes in a test's own folder
            key.touch(mode=0o600)
            key.write_text(PRIVATE)
        scan = await asyncio.create_subprocess_exec(
            binary("ssh-keyscan", package="openssh-client"),
            *("-t", "ed25519", "-p", str(face.address[1]), face.address[0]),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        line, _ = await scan.communicate()
        known.write_bytes(line)
        show = await asyncio.create_subprocess_exec(
            binary("ssh-keygen", package="openssh-client"),
            *("-l", "-f", str(known)),
            stdout=asyncio.subprocess.PIPE,
        )
        shown, _ = await show.communicate()
        assert face.fingerprint in shown.decode()

    def _write(self, known: Path, line: bytes) -> None:
        known.write_bytes(line)
        key = self.folder / "key"
        key.touch(mode=0o600)
        key.write_text(PRIVATE)


@asynccontextmanager
async def pc(logins: Logins = LOGINS) -> AsyncIterator[VirtualPc]:
    made = VirtualPc(
        PC, logins, address="127.0.0.9", on_change=lambda: None, files=Files(1, closing_s=6.0)
    )
    made.open()
    try:
        yield made
    finally:
        made.close()


@asynccontextmanager
async def switch(changes: list[bool] | None = None) -> AsyncIterator[VirtualConsole]:
    made = VirtualConsole(
        SWITCH,
        LOGINS,
        enable_password="mind-the-gap",
        address="127.0.0.9",
        on_change=lambda: changes.append(made.feeds_ports) if changes is not None else None,
    )
    made.open()
    try:
        yield made
    finally:
        made.close()


def takes_connections(face: SshFace) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(face.address) == 0


async def until(holds: Callable[[], bool]) -> None:
    while not holds():  # noqa: ASYNC110  # a port has no event to wait for
        await asyncio.sleep(0.2)


def test_the_pc_runs_what_its_operator_may(tmp_path: Path) -> None:
    """The ssh driver could not be tried on the kind of device that it is for."""

    async def main(loop: PacedLoop) -> None:
        client = Client(tmp_path, loop)
        async with pc() as made:
            assert await client.run(made.ssh, "uptime") == (0, "up, 1 recordings open\n")
            assert await client.run(made.ssh, "rm -rf /srv") == (127, "sh: rm: not found\n")
            status, said = await client.run(made.ssh, "systemctl poweroff")
            assert (status, made.phase) == (1, Phase.RUNNING)
            assert "authentication required" in said

    run_paced(main)


def test_the_pc_powers_off_when_told_and_its_port_closes_first(tmp_path: Path) -> None:
    """A closed port is no proof that the disk is at rest: `settle` would never be missed."""

    async def main(loop: PacedLoop) -> None:
        async with pc() as made:
            status, _ = await Client(tmp_path, loop).run(made.ssh, host.PC_STOP)
            was_open = takes_connections(made.ssh)
            await until(lambda: not takes_connections(made.ssh))
            watts_when_silent = made.watts
            await until(lambda: made.watts != watts_when_silent)

        assert (status, was_open, watts_when_silent) == (0, True, 60.0)
        assert made.watts == 1.0
        assert made.fate.told_at is not None and made.fate.off_at is not None
        assert 25.9 < made.fate.off_at - made.fate.told_at < 35.0

    run_paced(main, factor=5.0)


def test_the_pc_is_quiesced_and_says_when_it_is(tmp_path: Path) -> None:
    """Quiescing would count as done while its files are still open."""

    async def main(loop: PacedLoop) -> None:
        client = Client(tmp_path, loop)
        async with pc() as made:
            assert (await client.run(made.ssh, host.PC_IS_QUIESCED))[0] == 1
            assert (await client.run(made.ssh, host.PC_QUIESCE))[0] == 0
            assert (await client.run(made.ssh, host.PC_IS_QUIESCED))[0] == 1
            await asyncio.sleep(8.0)
            assert (await client.run(made.ssh, host.PC_IS_QUIESCED))[0] == 0
            assert (await client.run(made.ssh, host.PC_RESUME))[0] == 0
            assert made.recording

    run_paced(main, factor=10.0)


def test_a_pc_without_power_was_damaged_even_with_its_recording_stopped() -> None:
    """Its system still writes to its disk: only off is at rest."""

    async def main(loop: PacedLoop) -> str:
        async with pc() as made:
            made.stop_recording()
            await asyncio.sleep(10.0)
            made.power_goes()
            assert made.fate.rest_at is None
            return made.fate.damage

    assert run_paced(main) == "its power went while it was running"


def test_a_stranger_is_kept_out(tmp_path: Path) -> None:
    """A probe would find credentials good that are not."""

    async def main(loop: PacedLoop) -> None:
        client = Client(tmp_path, loop)
        other = Logins("operator", public_key=new_key_pair()[1])
        async with pc() as made, pc(other) as foreign:
            for face, user in ((made.ssh, "admin"), (foreign.ssh, "operator")):
                status, said = await client.run(face, host.PC_STOP, user=user)
                assert (status, "Permission denied" in said) == (255, True)
            assert made.phase is foreign.phase is Phase.RUNNING

    run_paced(main)


@pytest.mark.parametrize(("password", "status"), [("low-tide", 0), ("high-tide", 255)])
def test_a_password_logs_in_as_well(tmp_path: Path, password: str, status: int) -> None:
    """Old devices take nothing else."""

    async def main(loop: PacedLoop) -> int:
        helper = tmp_path / "askpass"
        helper.write_text(f"#!/bin/sh\necho {password}\n")
        helper.chmod(0o700)
        async with pc(Logins("operator", password="low-tide")) as made:
            with loop.at_real_pace():
                process = await asyncio.create_subprocess_exec(
                    binary("ssh", package="openssh-client"),
                    *("-F", "none", "-o", "StrictHostKeyChecking=no"),
                    *("-o", "UserKnownHostsFile=/dev/null", "-o", "PubkeyAuthentication=no"),
                    *("-o", "NumberOfPasswordPrompts=1", "-p", str(made.ssh.address[1])),
                    *(f"operator@{made.ssh.address[0]}", "true"),
                    env={**os.environ, "SSH_ASKPASS": str(helper), "SSH_ASKPASS_REQUIRE": "force"},
                    stdin=asyncio.subprocess.DEVNULL,
                    stderr=asyncio.subprocess.DEVNULL,
                )
                return await process.wait()

    assert run_paced(main) == status


def test_a_console_is_held_a_dialogue_with(tmp_path: Path) -> None:
    """The ssh driver's dialogues could not be tried on the kind of device that they are for."""

    async def main(loop: PacedLoop) -> None:
        changes: list[bool] = []
        async with switch(changes) as made:
            _, said = await Client(tmp_path, loop).run(
                made.ssh, None, typed="halt\renable\rmind-the-gap\rsave\rhalt\ry\r"
            )
            feeding = made.feeds_ports
            await asyncio.sleep(10.0)
            gone = not takes_connections(made.ssh)

        assert "yard-switch> halt\nnot allowed here; enable first\n" in said
        assert "yard-switch> enable\npassword: \nyard-switch# save\n" in said
        assert "writing configuration ... done\n" in said
        assert said.rstrip().endswith("going down\nConnection to 127.0.0.9 closed.")
        assert (made.saved, feeding, gone) == (True, True, True)
        assert changes == [False]
        assert made.watts == 0.0

    run_paced(main, factor=10.0)


def test_a_console_without_its_password_does_nothing(tmp_path: Path) -> None:
    """Anybody who logs in could switch the yard's cameras off."""

    async def main(loop: PacedLoop) -> None:
        async with switch() as made:
            _, said = await Client(tmp_path, loop).run(
                made.ssh, None, typed="enable\ra\rb\rc\rhalt\rhalt!\rexit\r"
            )
        assert said.count("wrong\n") == 3
        assert "unknown command" in said
        assert made.phase is Phase.RUNNING

    run_paced(main)


def test_a_console_takes_no_single_commands_and_a_pc_no_terminal(tmp_path: Path) -> None:
    """The driver's advice to write a dialogue instead would never be seen."""

    async def main(loop: PacedLoop) -> None:
        client = Client(tmp_path, loop)
        async with switch() as console, pc() as commands:
            status, _ = await client.run(console.ssh, "halt")
            assert (status, console.phase) == (255, Phase.RUNNING)
            status, _ = await client.run(commands.ssh, None, typed="exit\r")
            assert status == 255

    run_paced(main)


def test_no_thread_and_no_socket_outlives_a_power_cut() -> None:
    """A demo that ends would hang, and a machine without power would go on talking."""

    async def main(loop: PacedLoop) -> None:
        before = threading.active_count()
        async with pc() as made:
            with loop.at_real_pace():
                callers = [await asyncio.open_connection(*made.ssh.address) for _ in range(3)]
                greetings = [await reader.readline() for reader, _ in callers]
                made.power_goes()
                rests = [await reader.read() for reader, _ in callers]
                for _, writer in callers:
                    writer.close()
                for _ in range(100):
                    if threading.active_count() <= before:
                        break
                    await asyncio.sleep(0.02)

            assert all(greeting.startswith(b"SSH-2.0-") for greeting in greetings)
            assert len(rests) == 3
            assert threading.active_count() <= before
            assert not takes_connections(made.ssh)

    run_paced(main)


def test_the_port_and_the_host_key_are_the_same_after_a_reboot(tmp_path: Path) -> None:
    """The agent would take the machine for another one."""

    async def main(loop: PacedLoop) -> None:
        client = Client(tmp_path, loop)
        async with pc() as made:
            before = made.ssh.address, made.ssh.fingerprint
            made.power_goes()
            made.power_comes()
            assert made.phase is Phase.OFF, "it is not set to start with power"
            made.wake()
            await asyncio.sleep(50.0)
            assert (await client.run(made.ssh, "true"))[0] == 0
            assert (made.ssh.address, made.ssh.fingerprint) == before

    run_paced(main)


def magic_packet(mac: str) -> bytes:
    """Magic Packet Technology, AMD publication 20213: FF six times, the address sixteen times."""
    return b"\xff" * 6 + bytes.fromhex(mac.replace(":", "")) * 16


@pytest.mark.parametrize(
    ("packet", "phase"),
    [
        (magic_packet("02:00:5e:10:00:02"), Phase.STARTING),
        (b"ahead" + magic_packet("02:00:5e:10:00:02") + b"secure", Phase.STARTING),
        (magic_packet("02:00:5e:10:00:03"), Phase.OFF),
        (magic_packet("02:00:5e:10:00:02")[:-1], Phase.OFF),
        (b"", Phase.OFF),
    ],
)
async def test_a_magic_packet_wakes_whom_it_names(packet: bytes, phase: Phase) -> None:
    """Devices that were stopped would stay dark, or the wrong ones start."""
    sleeper = Machine(
        Nature("slip PC", Role.COMPUTER, watts=60.0, stop_s=0.0, mac="02:00:5e:10:00:02"),
        None,
        on_change=lambda: None,
    )
    sleeper.power_off()
    wire = WakeListener()
    wire.attach(sleeper)
    await wire.open("127.0.0.9")
    await asyncio.sleep(0.01)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        sender.sendto(packet, wire.address)
        sender.sendto(magic_packet("02:00:5e:10:00:0f"), wire.address)
    await asyncio.sleep(0.05)

    assert sleeper.phase is phase
    wire.close()
    sleeper.close()


def test_secrets_stay_out_of_sight() -> None:
    """A traceback would show the password."""
    assert "low-tide" not in repr(Logins("operator", password="low-tide"))
