"""Notifications, sent by net-snmp's snmptrap in every version and form: they hasten, no more."""

import asyncio
import contextlib
import random
import socket
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest

from agent.clock import LoopClock
from agent.units.notifications import Notifications
from drivers.transports.snmp import SnmpHub
from drivers.transports.snmp_values import SNMP_TRAP_ADDRESS, Notification, Oid
from tests.fakes import FakeClock
from tests.peers.snmp_settings import as_community, as_user
from tests.peers.snmpd import (
    AUTH_SECRET,
    COMMUNITY,
    ENGINE_ID,
    PRIVACY_SECRET,
    UPS,
    Snmpd,
    binary,
    environment,
)

TRAPS: Oid = (1, 3, 6, 1, 2, 1, 33, 2)
AS_USER = [
    *("-v3", "-u", "watch", "-l", "authPriv", "-a", "SHA-256", "-A", AUTH_SECRET),
    *("-x", "AES", "-X", PRIVACY_SECRET),
]
BY_ENGINE = [*AS_USER, "-e", f"0x{ENGINE_ID}"]
ON_BATTERY = [f".{UPS}.1.2.3.0", "i", "44"]


class Site:
    """What listens: one unit that polls are hastened of, and how often they were."""

    def __init__(self, folder: Path, port: int) -> None:
        self._folder = folder
        self._port = port
        self.hastened: Counter[str] = Counter()
        self.more = asyncio.Event()

    def hasten(self, unit: str) -> None:
        self.hastened[unit] += 1
        self.more.set()

    async def send(self, program: str, *arguments: str) -> int:
        """Run snmptrap or snmpinform; return its status, 0 where an inform was answered."""
        folder = self._folder / "client"
        process = await asyncio.create_subprocess_exec(
            binary(program),
            *_with_target(arguments, f"127.0.0.1:{self._port}"),
            env=environment(folder),
            stdout=asyncio.subprocess.DEVNULL,
            stderr=asyncio.subprocess.DEVNULL,
        )
        return await process.wait()

    async def is_hastened(self, *, within_s: float = 5.0) -> bool:
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self.more.wait(), within_s)
        return self.more.is_set()


def _with_target(arguments: tuple[str, ...], target: str) -> list[str]:
    return [target if argument == "TARGET" else argument for argument in arguments]


@pytest.fixture(scope="module")
def unit(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("unit")) as started:
        yield started


@pytest.fixture
async def site(unit: Snmpd, tmp_path: Path) -> AsyncIterator[Site]:
    hub = SnmpHub()
    await hub.peer("127.0.0.1", as_user(unit)).get([(*TRAPS[:-1], 1, 4, 1, 0)], within_s=5.0)
    hub.peer("127.0.0.1", as_community(unit))
    notifications = Notifications(clock=LoopClock())
    made = Site(tmp_path, await notifications.listen(hub, "127.0.0.1", 0))
    notifications.expect("cabinet", "127.0.0.1", lambda: made.hasten("cabinet"))
    yield made
    notifications.close()
    hub.close()


@pytest.mark.peer
@pytest.mark.parametrize(
    "arguments",
    [
        pytest.param(
            ["-v1", "-c", COMMUNITY, "TARGET", f".{UPS}.2", "127.0.0.1", "6", "1", "100"],
            id="v1 enterprise-specific",
        ),
        pytest.param(["-v2c", "-c", COMMUNITY, "TARGET", "100", f".{UPS}.2.1"], id="v2c"),
        pytest.param(["-v2c", "-c", COMMUNITY, "TARGET", "100", f".{UPS}.2.0.3"], id="v2c proxied"),
        pytest.param([*BY_ENGINE, "TARGET", "100", f".{UPS}.2.4"], id="v3"),
        pytest.param([*BY_ENGINE, "TARGET", "100", f".{UPS}.2.0.1"], id="v3 proxied"),
    ],
)
async def test_every_form_of_a_trap_hastens(site: Site, arguments: list[str]) -> None:
    """An outage is heard of at once, however the unit's card was set up."""
    assert await site.send("snmptrap", *arguments, *ON_BATTERY) == 0

    assert await site.is_hastened()
    assert site.hastened == {"cabinet": 1}


@pytest.mark.peer
@pytest.mark.parametrize("credentials", [["-v2c", "-c", COMMUNITY], AS_USER], ids=["v2c", "v3"])
async def test_an_inform_is_answered_and_hastens(site: Site, credentials: list[str]) -> None:
    """Unanswered, the unit would send it again, and then give up on us."""
    status = await site.send(
        "snmpinform",
        "-t",
        "2",
        "-r",
        "0",
        *credentials,
        "TARGET",
        "100",
        f".{UPS}.2.1",
        *ON_BATTERY,
    )

    assert status == 0
    assert await site.is_hastened()


@pytest.mark.peer
@pytest.mark.parametrize(
    "credentials",
    [
        ["-v2c", "-c", "sextant"],
        [*AS_USER[:-1], "another secret"],
        [*BY_ENGINE[:-1], "0x80001f8880ffffffff01020304"],
    ],
    ids=["community", "secret", "engine"],
)
async def test_a_stranger_is_not_heard(site: Site, credentials: list[str]) -> None:
    """Wrong community, wrong secret, or an engine that nobody polls."""
    program = "snmptrap" if credentials[0] == "-v2c" or "-e" in credentials else "snmpinform"
    await site.send(
        program, "-t", "1", "-r", "0", *credentials, "TARGET", "100", f".{UPS}.2.1", *ON_BATTERY
    )

    assert not await site.is_hastened(within_s=0.3)


@pytest.mark.peer
async def test_damaged_notifications_end_nothing(site: Site) -> None:
    """Port 162 hears whatever the network sends: real traps, damaged, and then a sound one."""
    escaped: list[Any] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: escaped.append(context))
    chance = random.Random(162)
    for arguments in (["-v2c", "-c", COMMUNITY], BY_ENGINE):
        sound = await _recorded([*arguments, "TARGET", "100", f".{UPS}.2.1", *ON_BATTERY], site)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as stranger:
            for number in range(300):
                stranger.sendto(_damaged(sound, chance), ("127.0.0.1", site._port))
                if number % 20 == 0:
                    await asyncio.sleep(0.01)
    await asyncio.sleep(1.1)
    site.more.clear()

    await site.send("snmptrap", "-v2c", "-c", COMMUNITY, "TARGET", "100", f".{UPS}.2.1")

    assert await site.is_hastened()
    assert escaped == []


async def _recorded(arguments: list[str], site: Site) -> bytes:
    """Return what snmptrap puts on the wire."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as ear:
        ear.bind(("127.0.0.1", 0))
        ear.setblocking(False)
        other = Site(site._folder, ear.getsockname()[1])
        await other.send("snmptrap", *arguments)
        return await asyncio.wait_for(asyncio.get_running_loop().sock_recv(ear, 4096), 5.0)


def _damaged(sound: bytes, chance: random.Random) -> bytes:
    changed = bytearray(sound)
    for _ in range(chance.randint(1, 4)):
        changed[chance.randrange(len(changed))] = chance.randrange(256)
    return bytes(changed)


# Whom a notification is about


@pytest.fixture
async def hastened() -> AsyncIterator[tuple[Notifications, Counter[str], FakeClock]]:
    clock = FakeClock()
    heard: Counter[str] = Counter()
    notifications = Notifications(clock=clock)
    notifications.expect("cabinet", "192.0.2.10", lambda: heard.update(["cabinet"]))
    notifications.expect("loft", "unit.example", lambda: heard.update(["loft"]))
    yield notifications, heard, clock
    notifications.close()


Hastened = tuple[Notifications, Counter[str], FakeClock]


@pytest.mark.parametrize("sender", ["192.0.2.10", "::ffff:192.0.2.10"])
async def test_the_sender_is_hastened_alone(hastened: Hastened, sender: str) -> None:
    """Also for a trap that RFC 1628 does not know: something happened there."""
    notifications, heard, _ = hastened

    notifications.hear(Notification(sender, (1, 3, 6, 1, 6, 3, 1, 1, 5, 1), ()))

    assert heard == {"cabinet": 1}


async def test_a_forwarded_trap_is_its_first_senders(hastened: Hastened) -> None:
    """snmpTrapAddress.0 names it (RFC 3584 section 3.1)."""
    notifications, heard, _ = hastened
    origin = ((SNMP_TRAP_ADDRESS, bytes([192, 0, 2, 10])),)

    notifications.hear(Notification("198.51.100.7", (*TRAPS, 0, 1), origin))

    assert heard == {"cabinet": 1}


async def test_an_unknown_sender_hastens_all_or_nobody(hastened: Hastened) -> None:
    """A unit behind address translation is heard; a switch's link trap is not its business."""
    notifications, heard, _ = hastened

    notifications.hear(Notification("198.51.100.7", (1, 3, 6, 1, 6, 3, 1, 1, 5, 3), ()))
    notifications.hear(Notification("198.51.100.7", (), ()))
    assert heard == {}
    notifications.hear(Notification("198.51.100.7", (*TRAPS, 3), ()))

    assert heard == {"cabinet": 1, "loft": 1}


async def test_a_flood_hastens_no_more_than_four_polls_a_second(hastened: Hastened) -> None:
    """Anybody on the network can send traps; the unit must not be asked to death for it."""
    notifications, heard, clock = hastened
    trap = Notification("192.0.2.10", (*TRAPS, 1), ())
    for _ in range(500):
        notifications.hear(trap)
        await clock.advance(0.01)

    assert 16 <= heard["cabinet"] <= 24


async def test_the_last_of_a_burst_still_counts(hastened: Hastened) -> None:
    """It may be the one that matters: put off by a second, not dropped."""
    notifications, heard, clock = hastened
    for _ in range(6):
        notifications.hear(Notification("192.0.2.10", (*TRAPS, 4), ()))

    assert heard["cabinet"] == 4
    await clock.advance(1.0)
    assert heard["cabinet"] == 5
