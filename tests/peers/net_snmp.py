"""net-snmp's own programs as clients and as a listener for notifications."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.peers.snmpd import AUTH, PRIVACY, binary, environment, free_port


@dataclass(frozen=True, slots=True)
class Client:
    """Where to ask and in what name; made by `as_community` or `as_user`."""

    folder: Path
    target: str
    credentials: tuple[str, ...]

    async def run(self, program: str, *arguments: str) -> tuple[int, str]:
        """Run snmpget, snmpwalk or another on the target: its status, and all that it printed."""
        process = await asyncio.create_subprocess_exec(
            binary(program),
            *("-t", "1", "-r", "0", "-Onq", *self.credentials, self.target, *arguments),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.STDOUT,
            env=environment(self.folder),
        )
        printed, _ = await process.communicate()
        assert process.returncode is not None
        return process.returncode, printed.decode()

    async def get(self, *oids: str) -> list[str]:
        """Return the values of *oids*, as text."""
        status, printed = await self.run("snmpget", *oids)
        assert status == 0, printed
        return [line.partition(" ")[2] for line in printed.splitlines() if line.startswith(".")]

    async def walk(self, oid: str, *, program: str = "snmpwalk") -> dict[str, str]:
        """Return everything beneath *oid*: dotted OID (no dot ahead) and text of the value."""
        status, printed = await self.run(program, oid)
        assert status == 0, printed
        lines = [line for line in printed.splitlines() if "No more variables" not in line]
        return {line.split(" ")[0][1:]: line.partition(" ")[2] for line in lines if line[0] == "."}


def as_community(
    folder: Path, address: tuple[str, int], community: str, *, version: str = "2c"
) -> Client:
    """Return a client that asks with a community."""
    return Client(folder, "{}:{}".format(*address), ("-v", version, "-c", community))


def as_user(
    folder: Path,
    address: tuple[str, int],
    user: str,
    *,
    auth: tuple[str, str] | None = None,
    privacy: tuple[str, str] | None = None,
) -> Client:
    """Return a client that asks in version 3; *auth* and *privacy* are protocol and secret."""
    level = "authPriv" if privacy else "authNoPriv" if auth else "noAuthNoPriv"
    words = ["-v", "3", "-u", user, "-l", level]
    if auth:
        words += ["-a", AUTH[auth[0]], "-A", auth[1]]
    if privacy:
        words += ["-x", PRIVACY[privacy[0]], "-X", privacy[1]]
    return Client(folder, "{}:{}".format(*address), tuple(words))


@dataclass(slots=True)
class Heard:
    """What snmptrapd has heard so far: one notification an entry, variable by variable."""

    port: int
    address: str = "127.0.0.1"
    notifications: list[dict[str, str]] = field(default_factory=list)
    _more: asyncio.Event = field(default_factory=asyncio.Event)

    def take(self, line: str) -> None:
        """Read one line that snmptrapd printed for one notification.

        A version 1 trap is told by "enterprise" and "specific", as its PDU has it (RFC 1157).
        """
        enterprise, specific, variables = line.strip().split("|", 2)
        pairs = (variable.partition(" ") for variable in variables.split("|"))
        found = {oid.removeprefix("."): value for oid, _, value in pairs}
        if enterprise.strip("."):
            found |= {"enterprise": enterprise[1:], "specific": specific.removeprefix(".")}
        self.notifications.append(found)
        self._more.set()

    async def reach(self, count: int) -> list[dict[str, str]]:
        """Return all once there are *count*; for a real peer's sake within a bound."""
        async with asyncio.timeout(600.0):
            while len(self.notifications) < count:
                self._more.clear()
                await self._more.wait()
        return self.notifications


@asynccontextmanager
async def trap_listener(folder: Path, *lines: str) -> AsyncIterator[Heard]:
    """Run snmptrapd of net-snmp in *folder*; *lines* are its configuration (snmptrapd.conf(5))."""
    heard = Heard(free_port())
    configuration = folder / "snmptrapd.conf"
    await asyncio.to_thread(configuration.write_text, "\n".join([*lines, ""]))
    process = await asyncio.create_subprocess_exec(
        binary("snmptrapd"),
        *("-f", "-Lo", "-C", "-c", "snmptrapd.conf", "-Onq", "-F", "HEARD %N|%q|%V|%v\n"),
        f"udp:{heard.address}:{heard.port}",
        cwd=folder,
        env=environment(folder),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
    )
    assert process.stdout is not None
    reader = process.stdout
    while b"NET-SNMP" not in (line := await reader.readline()):
        assert line, "snmptrapd did not come up"

    async def read() -> None:
        while line := await reader.readline():
            text = line.decode().strip()
            if text.startswith("HEARD "):
                heard.take(text.removeprefix("HEARD "))

    reading = asyncio.create_task(read())
    try:
        yield heard
    finally:
        process.terminate()
        await process.wait()
        await reading
