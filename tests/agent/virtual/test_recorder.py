"""The virtual recorder as Python's own http.client and ssl see it; its server is neither."""

import asyncio
import hashlib
import http.client
import json
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, NamedTuple

import pytest

from agent.virtual.machine import Files, Nature, Phase
from agent.virtual.pace import PacedLoop
from agent.virtual.recorder import Account, VirtualRecorder
from policies.model import Role
from tests.agent.virtual.paced import run_paced

ACCOUNT = Account("keeper", "high-water-at-noon")
NATURE = Nature(
    "weir recorder",
    Role.RECORDER,
    watts=24.0,
    standby_w=1.5,
    stop_s=20.0,
    start_s=40.0,
    starts_with_power=True,
    mac="02:00:5e:10:00:01",
)


class Reply(NamedTuple):
    status: int
    body: Any


class Client:
    """Asks over a connection of its own each time, at real pace."""

    def __init__(self, recorder: VirtualRecorder, loop: PacedLoop) -> None:
        self._address = recorder.address
        self._loop = loop
        self.token = ""

    async def ask(self, method: str, path: str, body: object = None) -> Reply:
        with self._loop.at_real_pace():
            return await asyncio.to_thread(self._ask, method, path, body)

    async def log_in(self, password: str = ACCOUNT.password) -> Reply:
        reply = await self.ask("POST", "/session", {"user": ACCOUNT.user, "password": password})
        self.token = reply.body.get("token", "")
        return reply

    async def state(self) -> Any:
        return (await self.ask("GET", "/state")).body

    async def is_gone(self) -> bool:
        try:
            await self.ask("GET", "/")
        except ConnectionRefusedError:
            return True
        return False

    def _ask(self, method: str, path: str, body: object) -> Reply:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        connection = http.client.HTTPSConnection(*self._address, timeout=10, context=context)
        try:
            headers = {"X-Session": self.token} if self.token else {}
            payload = body if isinstance(body, bytes) else json.dumps(body).encode()
            connection.request(method, path, payload if body is not None else None, headers)
            response = connection.getresponse()
            text = response.read().decode()
            return Reply(response.status, json.loads(text) if text.startswith("{") else text)
        finally:
            connection.close()


@asynccontextmanager
async def recorder(changes: list[float] | None = None) -> AsyncIterator[VirtualRecorder]:
    made = VirtualRecorder(
        NATURE,
        ACCOUNT,
        address="127.0.0.8",
        on_change=lambda: changes.append(made.watts) if changes is not None else None,
        files=Files(streams=2, closing_s=8.0),
    )
    made.open()
    try:
        yield made
    finally:
        made.close()


def test_a_session_is_opened_used_and_closed() -> None:
    """The http driver could not be tried on the kind of device that it is for."""

    async def main(loop: PacedLoop) -> None:
        async with recorder() as made:
            client = Client(made, loop)
            assert (await client.ask("GET", "/state")).status == 401
            assert (await client.log_in("low-water")).status == 401
            assert (await client.log_in()).status == 200
            state = await client.state()
            assert (await client.ask("DELETE", "/session")).status == 204
            assert (await client.ask("GET", "/state")).status == 401

        assert state == {
            "state": "running",
            "recording": True,
            "open_files": 2,
            "damaged": False,
        }

    run_paced(main)


def test_closing_the_files_takes_its_time() -> None:
    """A driver that does not wait for the confirmation would look right."""

    async def main(loop: PacedLoop) -> None:
        async with recorder() as made:
            client = Client(made, loop)
            await client.log_in()
            reply = await client.ask("POST", "/recording", {"recording": False})
            at_once = await client.state()
            await asyncio.sleep(10.0)
            later = await client.state()

        assert reply == Reply(202, {"recording": False})
        assert (at_once["recording"], at_once["open_files"]) == (False, 2)
        assert later["open_files"] == 0
        assert made.fate.quiesced_at is not None

    run_paced(main, factor=10.0)


def test_recording_can_be_taken_up_again() -> None:
    """A recorder that was quiesced for nothing would stay blind."""

    async def main(loop: PacedLoop) -> Any:
        async with recorder() as made:
            client = Client(made, loop)
            await client.log_in()
            await client.ask("POST", "/recording", {"recording": False})
            await client.ask("POST", "/recording", {"recording": True})
            await asyncio.sleep(10.0)
            return await client.state()

    assert run_paced(main, factor=10.0) == {
        "state": "running",
        "recording": True,
        "open_files": 2,
        "damaged": False,
    }


def test_powering_off_closes_the_files_first_and_then_the_listener() -> None:
    """The watts, the open port and the truth must all change at the same moment, and not before."""

    async def main(loop: PacedLoop) -> None:
        changes: list[float] = []
        async with recorder(changes) as made:
            client = Client(made, loop)
            await client.log_in()
            told_at = loop.time()
            reply = await client.ask("POST", "/power", {"power": "off"})
            await asyncio.sleep(15.0)
            still_there = (await client.state())["state"]
            drawn = made.watts
            await asyncio.sleep(20.0)
            gone = await client.is_gone()

        assert reply == Reply(202, {"state": "stopping"})
        assert (still_there, drawn) == ("stopping", 24.0)
        assert gone
        assert changes == [1.5]
        assert made.fate.off_at is not None and made.fate.told_at is not None
        assert made.fate.told_at - told_at < 5.0
        assert 27.9 < made.fate.off_at - made.fate.told_at < 35.0
        assert made.fate.rest_at == made.fate.off_at
        assert not made.fate.damage

    run_paced(main, factor=10.0)


def test_power_that_goes_while_it_records_damages_its_files() -> None:
    """The one thing that lastwatt is there to prevent would not show."""

    async def main(loop: PacedLoop) -> None:
        async with recorder() as made:
            client = Client(made, loop)
            await client.log_in()
            made.power_goes()
            gone = await client.is_gone()
            lost_w = made.watts
            made.power_comes()
            await asyncio.sleep(60.0)
            assert (await client.ask("GET", "/state")).status == 401, "sessions survive no reboot"
            await client.log_in()
            state = await client.state()

        assert gone
        assert lost_w == 0.0
        assert made.fate.damage == "its power went with 2 recordings open"
        assert made.fate.rest_at is None
        assert (state["state"], state["recording"], state["damaged"]) == ("running", True, True)

    run_paced(main)


def test_power_that_goes_while_files_are_being_closed_still_damages_them() -> None:
    """A stop that comes a few seconds too late would count as one in time."""

    async def main(loop: PacedLoop) -> str:
        async with recorder() as made:
            made.power_off()
            await asyncio.sleep(4.0)
            made.power_goes()
            return made.fate.damage

    assert run_paced(main, factor=10.0) == "its power went with 2 recordings open"


def test_power_that_goes_once_files_are_closed_harms_nothing() -> None:
    """A quiesced recorder is at rest, whether or not it went off before its power."""

    async def main(loop: PacedLoop) -> None:
        async with recorder() as made:
            made.stop_recording()
            await asyncio.sleep(12.0)
            made.power_goes()

        assert not made.fate.damage
        assert made.fate.rest_at == made.fate.quiesced_at
        assert made.fate.rest_at is not None

    run_paced(main)


def test_a_connection_is_cut_when_power_goes() -> None:
    """A machine without power would finish what it was saying."""

    async def main(loop: PacedLoop) -> bytes:
        async with recorder() as made:
            context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
            context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
            with loop.at_real_pace():
                reader, writer = await asyncio.open_connection(*made.address, ssl=context)
                writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n")
                await writer.drain()
                made.power_goes()
                try:
                    return await reader.read()
                except ConnectionResetError:
                    return b""
                finally:
                    writer.transport.abort()

    assert run_paced(main) == b""


def test_it_is_woken_only_where_standby_power_is_there() -> None:
    """A magic packet would raise the dead."""

    async def main(loop: PacedLoop) -> list[Phase]:
        async with recorder() as made:
            made.power_off()
            await asyncio.sleep(60.0)
            seen = [made.phase]
            made.wake()
            seen.append(made.phase)
            await asyncio.sleep(60.0)
            seen.append(made.phase)
            made.power_goes()
            made.wake()
            return [*seen, made.phase]

    assert run_paced(main) == [Phase.OFF, Phase.STARTING, Phase.RUNNING, Phase.OFF]


def test_what_it_shows_is_what_is_pinned() -> None:
    """The site's file would pin a certificate that nobody has."""

    async def main(loop: PacedLoop) -> tuple[str, str]:
        async with recorder() as made:
            with loop.at_real_pace():
                shown = await asyncio.to_thread(ssl.get_server_certificate, made.address)
            der = ssl.PEM_cert_to_DER_cert(shown)
            return hashlib.sha256(der).hexdigest(), made.identity.fingerprint

    shown, told = run_paced(main)
    assert shown == told


@pytest.mark.parametrize(
    ("path", "body", "status"),
    [
        ("/recording", {"recording": "off"}, 422),
        ("/recording", b"{", 422),
        ("/recording", b"\xff\xfe", 422),
        ("/power", {"power": "on"}, 422),
        ("/power", [], 422),
        ("/session", {}, 401),
    ],
)
def test_nonsense_is_refused_and_changes_nothing(path: str, body: object, status: int) -> None:
    """A driver's mistake would pass unseen, or end the demo."""

    async def main(loop: PacedLoop) -> None:
        async with recorder() as made:
            client = Client(made, loop)
            await client.log_in()
            reply = await client.ask("POST", path, body)

        assert reply.status == status
        assert made.recording and made.phase is Phase.RUNNING

    run_paced(main)


def test_its_password_stays_out_of_sight() -> None:
    """A traceback would show it."""
    assert ACCOUNT.password not in repr(ACCOUNT)
