"""Machines with real SSH servers: a PC that obeys commands, consoles that hold a dialogue."""

from __future__ import annotations

import asyncio
import hmac
from collections.abc import Callable
from functools import partial

from agent.virtual.machine import Files, Machine, Nature, Phase, RecordingMachine
from agent.virtual.ssh_server import Logins, Reply, Screen, SshFace, on_loop

PC_STOP = "sudo -n systemctl poweroff"
PC_QUIESCE = "sudo -n systemctl stop --no-block recording"
PC_RESUME = "sudo -n systemctl start --no-block recording"
PC_IS_QUIESCED = "test ! -e /run/recording/open"
PC_RUNS = "uptime"

_TWO_FILES = Files()
_TRIES = 3


class VirtualPc(RecordingMachine):
    """A PC that records; its operator may power it off and stop the recording, and little else."""

    def __init__(
        self,
        nature: Nature,
        logins: Logins,
        *,
        address: str,
        on_change: Callable[[], None],
        files: Files = _TWO_FILES,
    ) -> None:
        """Build it recording; `open` makes it listen at *address*, numeric, on any free port."""
        self.ssh = SshFace(logins, address=address, run=self._run)
        super().__init__(nature, self.ssh, files, on_change=on_change)

    def _run(self, command: str, _: str) -> Reply:
        match " ".join(command.split()):
            case "true":
                return Reply(0)
            case c if c == PC_RUNS:
                return Reply(0, f"up, {self.open_files} recordings open\n")
            case c if c == PC_IS_QUIESCED:
                return Reply(1 if self.open_files else 0)
            case c if c == PC_QUIESCE:
                self.stop_recording()
            case c if c == PC_RESUME and self.phase is Phase.RUNNING:
                self.start_recording()
            case c if c in (PC_STOP, PC_STOP.replace(" -n", "")):
                self.power_off()
            case c if c == PC_STOP.removeprefix("sudo -n "):
                return Reply(1, "interactive authentication required\n")
            case c:
                return Reply(127, f"sh: {c.split(' ')[0]}: not found\n")
        return Reply(0)


class VirtualConsole(Machine):
    """A machine whose console takes no single commands, such as a switch or a store.

    Its dialogue: `enable`, its password, then `ports off`, `ports on`, `save`, `halt` (which asks
    back) or `exit`. What was done to its ports outlives a power cut, as on a real switch (RFC
    3621).
    """

    def __init__(
        self,
        nature: Nature,
        logins: Logins,
        *,
        enable_password: str,
        address: str,
        on_change: Callable[[], None],
    ) -> None:
        """Build it running; `open` makes it listen at *address*, numeric, on any free port."""
        self.ssh = SshFace(logins, address=address, console=self._talk)
        super().__init__(nature, self.ssh, on_change=on_change)
        self._enable_password = enable_password
        self._prompt = nature.name.replace(" ", "-")
        self.saved = False
        self.ports_on = True

    @property
    def feeds_ports(self) -> bool:
        """Whether its ports, where it has any, carry power: not while it is off or starting."""
        return self.ports_on and self.phase in (Phase.RUNNING, Phase.STOPPING)

    def set_ports(self, *, on: bool) -> None:
        """Switch the power of all its ports."""
        self.ports_on = on
        if not on:
            self.fate.quiesced_at = self.fate.quiesced_at or self._loop.time()
        self._on_change()

    def _talk(self, screen: Screen) -> None:
        """Hold the dialogue; runs in a thread of its own."""
        is_enabled = False
        while True:
            screen.write(f"{self._prompt}{'#' if is_enabled else '>'} ")
            match screen.read_line().strip():
                case "":
                    continue
                case "exit":
                    return
                case "enable":
                    is_enabled = is_enabled or self._admits(screen)
                case "ports off" | "ports on" as said if is_enabled:
                    on_loop(self._loop, partial(self.set_ports, on=said.endswith("on")))
                    screen.write(f"{said.replace(' ', ' are ')}\n")
                case "save" if is_enabled:
                    self.saved = True
                    screen.write("writing configuration ... done\n")
                case "halt" if is_enabled:
                    screen.write("power down? [y/n] ")
                    if screen.read_line().strip() == "y":
                        screen.write("going down\n")
                        on_loop(self._loop, self.power_off)
                        return
                case "ports off" | "ports on" | "save" | "halt":
                    screen.write("not allowed here; enable first\n")
                case _:
                    screen.write("unknown command\n")

    def _admits(self, screen: Screen) -> bool:
        for _ in range(_TRIES):
            screen.write("password: ")
            said = screen.read_line(hidden=True)
            if hmac.compare_digest(said.encode(), self._enable_password.encode()):
                return True
            screen.write("wrong\n")
        return False


class WakeListener(asyncio.DatagramProtocol):
    """The wire on which magic packets travel: every network card that has standby power hears all.

    Magic Packet Technology (AMD, publication 20213): six octets FF, then the hardware address
    sixteen times over, anywhere in the datagram.
    """

    def __init__(self) -> None:
        self._cards: dict[bytes, Machine] = {}
        self._transport: asyncio.DatagramTransport | None = None
        self.address = ("", 0)

    def attach(self, machine: Machine) -> None:
        """Let *machine* hear what is sent to its hardware address."""
        octets = bytes.fromhex(machine.nature.mac.replace(":", ""))
        self._cards[b"\xff" * 6 + octets * 16] = machine

    async def open(self, address: str) -> None:
        """Listen at *address*, numeric, on any free UDP port."""
        loop = asyncio.get_running_loop()
        self._transport, _ = await loop.create_datagram_endpoint(
            lambda: self, local_addr=(address, 0)
        )
        self.address = self._transport.get_extra_info("sockname")

    def close(self) -> None:
        """Stop listening; safe to call twice."""
        if self._transport is not None:
            self._transport.close()

    def datagram_received(self, data: bytes, addr: object) -> None:
        """Wake whom the packet is for."""
        for pattern, machine in self._cards.items():
            if pattern in data:
                machine.wake()
