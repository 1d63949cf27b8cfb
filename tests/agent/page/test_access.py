"""Who may look and who may sign in, and what those try who may not."""

from __future__ import annotations

import asyncio
import ssl
from dataclasses import replace
from pathlib import Path

import httpx2
import pytest

from agent.config import PageSettings
from agent.page.access import MANY_WRONG, PLAIN_COOKIE, SEALED_COOKIE, Access
from agent.page.attempts import FREE
from agent.page.bounds import BODY_BYTES
from agent.page.passwords import WAITING_MOST
from agent.page.people import PeopleFile, changing
from agent.page.problem import Problem
from agent.page.server import CONNECTIONS_OF_ONE
from agent.page.tls import CERTIFICATE, KEY
from tests.agent.commands import lastwatt
from tests.agent.page.page_site import CLOSED, LOCAL, SEALED, Served, client, page_site, serving
from tests.agent.page.people_here import ANA, GUARD, sign_in, write_people
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

SESSION = "/api/v1/session"


async def test_stranger_off_loopback_sees_nothing_of_the_site(tmp_path: Path, snmpd: Snmpd) -> None:
    """Not even its name: whoever scans the network learns that something is there, and no more."""
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        web = served.web
        front = await web.get("/")
        form = await web.get(front.headers["location"])
        health = await web.get("/health")
        refused = [await web.get(path) for path in ("/metrics", "/api/v1/status", "/api/v1/x")]
        posted = await web.post("/sign-out")

    assert front.status_code == 303 and front.headers["location"] == "/sign-in?next=/"
    assert form.status_code == 200 and "Quayside" not in form.text
    assert set(health.json()) == {"format", "ok"}
    for answer in refused:
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["www-authenticate"] == "Bearer"
        assert answer.json()["ok"] is False and answer.json()["status"] == 401
    assert posted.status_code == 401


async def test_person_signs_in_by_the_form_and_out_again(tmp_path: Path, snmpd: Snmpd) -> None:
    """It needs no script: an old browser in a cabinet does it too."""
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        web = served.web
        form = {"name": "Ana", "password": ANA, "next": "/journal"}
        got = await web.post("/sign-in", data=form)
        front = await web.get("/")
        csrf = (await web.get(SESSION)).json()["csrf"]
        foreign = await web.post("/sign-out", data={"csrf": "guessed"})
        out = await web.post("/sign-out", data={"csrf": csrf})
        after = await web.get("/")

    assert got.status_code == 303 and got.headers["location"] == "/journal"
    flags = got.headers["set-cookie"].split("; ")
    assert flags[0].startswith(f"{PLAIN_COOKIE}=")
    assert set(flags[1:]) == {"Path=/", "HttpOnly", "SameSite=Strict"}
    assert front.status_code == 200
    assert foreign.status_code == 403
    assert out.status_code == 303 and "Max-Age=0" in out.headers["set-cookie"]
    assert after.status_code == 303


@pytest.mark.parametrize(
    "towards",
    ["//evil.example/", "https://evil.example/", "/\\evil.example", "/x\r\nset-cookie: a=b", "x"],
)
async def test_sign_in_leads_nowhere_else(towards: str, tmp_path: Path, snmpd: Snmpd) -> None:
    """A link that signs in here and then shows another's page is how people are tricked."""
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        form = {"name": "Ana", "password": ANA, "next": towards}
        got = await served.web.post("/sign-in", data=form)

    assert got.status_code == 303 and got.headers["location"] == "/"
    assert len(got.headers.get_list("set-cookie")) == 1


async def test_wrong_name_and_wrong_password_look_the_same(tmp_path: Path, snmpd: Snmpd) -> None:
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        answers = [
            await served.web.post(SESSION, json={"name": name, "password": password})
            for name, password in (("Ana", "wrong password"), ("nobody", ANA))
        ]

    assert [answer.status_code for answer in answers] == [401, 401]
    assert answers[0].json() == answers[1].json()
    assert all("set-cookie" not in answer.headers for answer in answers)


async def test_password_that_nobody_looked_at_is_no_wrong_try(tmp_path: Path) -> None:
    """In an outage ten people open the page from one office: none is made to wait for that."""
    write_people(tmp_path)
    access = Access(CLOSED, PeopleFile(tmp_path), now=lambda: 1000.0, say=lambda *told: None)
    crowd = [
        asyncio.create_task(access.sign_in(f"crew{n}", "x", address=f"198.51.100.{n}", before=None))
        for n in range(WAITING_MOST)
    ]
    await asyncio.sleep(0)
    busy = []
    for _ in range(FREE + 3):
        with pytest.raises(Problem) as told:
            await access.sign_in("Ana", ANA, address="192.0.2.9", before=None)
        busy.append(told.value.status_code)
    await asyncio.gather(*crowd, return_exceptions=True)
    session, _ = await access.sign_in("Ana", ANA, address="192.0.2.9", before=None)

    assert set(busy) == {503}
    assert session.name == "Ana"


async def test_guessing_is_slowed_and_the_right_password_is_no_way_around(tmp_path: Path) -> None:
    """Fifty at once are no faster: each counts before it is known to be wrong."""
    write_people(tmp_path)
    said: list[str] = []
    access = Access(
        CLOSED, PeopleFile(tmp_path), now=lambda: 1000.0, say=lambda *told: said.append(told[2])
    )

    async def code(password: str) -> int:
        try:
            await access.sign_in("Ana", password, address="192.0.2.9", before=None)
        except Problem as problem:
            return problem.status_code
        return 200

    codes = await asyncio.gather(*(code(f"guess number {n}") for n in range(50)))

    assert codes.count(401) == FREE + 1 and codes.count(429) == 50 - FREE - 1
    assert await code(ANA) == 429
    assert said == []


async def test_many_wrong_passwords_are_told_to_somebody(tmp_path: Path) -> None:
    """Without the names that were tried: people type their password there."""
    write_people(tmp_path)
    said: list[str] = []
    access = Access(
        CLOSED, PeopleFile(tmp_path), now=lambda: 1000.0, say=lambda *told: said.append(told[2])
    )
    for n in range(MANY_WRONG + 5):
        with pytest.raises(Problem, match="401"):
            await access.sign_in(f"harbour{n}", "x", address=f"198.51.100.{n}", before=None)

    (text,) = said
    assert "20 wrong passwords" in text and "harbour" not in text


async def test_session_that_was_planted_is_not_taken(tmp_path: Path, snmpd: Snmpd) -> None:
    """Session fixation: the name of a session is ours, new at each sign-in; the old one ends."""
    write_people(tmp_path / "state")
    loaded = page_site(tmp_path, snmpd, page=CLOSED)
    async with serving(loaded, tmp_path / "state") as served:
        web = served.web
        web.cookies.set(PLAIN_COOKIE, "planted-by-somebody")
        await sign_in(web)
        first = next(c.value for c in web.cookies.jar if c.value != "planted-by-somebody")
        web.cookies.clear()
        web.cookies.set(PLAIN_COOKIE, first or "")
        await sign_in(web)
        async with client(loaded, served.agent, served.folder) as other:
            other.cookies.set(PLAIN_COOKIE, "planted-by-somebody")
            planted = await other.get("/")
            other.cookies.clear()
            other.cookies.set(PLAIN_COOKIE, first or "")
            old = await other.get("/")

    assert planted.status_code == 303
    assert old.status_code == 303


async def test_whoever_is_removed_is_out_with_the_next_request(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    token = write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        await sign_in(served.web, "guard", GUARD)
        assert (await served.web.get("/")).status_code == 200
        with changing(tmp_path / "state") as held:
            held[0] = held[0].without_person("guard").without_token("monitor")

        assert (await served.web.get("/")).status_code == 303
        shown = {"authorization": f"Bearer {token}"}
        assert (await served.web.get("/health", headers=shown)).status_code == 401


async def test_other_password_ends_every_session(tmp_path: Path, snmpd: Snmpd) -> None:
    """It is what somebody does whose password was seen."""
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        await sign_in(served.web)
        done = await asyncio.to_thread(
            lastwatt, "people", "password", "Ana", "--state", tmp_path / "state",
            typed="another password\n",
        )  # fmt: skip

        assert done.status == 0
        assert (await served.web.get("/")).status_code == 303


async def test_token_reads_and_nothing_else(tmp_path: Path, snmpd: Snmpd) -> None:
    """It lies in a monitoring server's file: what it can do is what its thief can do."""
    token = write_people(tmp_path / "state")
    shown = {"authorization": f"Bearer {token}"}
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        web = served.web
        read = await web.get("/health", headers=shown)
        wrong = await web.get("/health", headers={"authorization": f"Bearer {token[:-1]}x"})
        basic = await web.get("/health", headers={"authorization": "Basic QW5hOng="})
        written = [
            await web.post(SESSION, headers=shown, json={"name": "Ana", "password": ANA}),
            await web.delete(SESSION, headers=shown),
            await web.post("/sign-in", headers=shown, data={"name": "Ana", "password": ANA}),
        ]

    assert read.status_code == 200 and read.json()["noted"] == []
    assert [wrong.status_code, basic.status_code] == [401, 401]
    assert [answer.status_code for answer in written] == [403, 403, 403]


async def test_token_beside_a_cookie_does_not_lend_its_rights(tmp_path: Path, snmpd: Snmpd) -> None:
    token = write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        csrf = await sign_in(served.web)
        both = {"authorization": f"Bearer {token}", "x-csrf-token": csrf}
        got = await served.web.delete(SESSION, headers=both)

    assert got.status_code == 403


FOREIGN = [
    {"origin": "https://evil.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:1"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
]


@pytest.mark.parametrize("headers", FOREIGN, ids=str)
async def test_another_site_cannot_use_ones_session(
    headers: dict[str, str], tmp_path: Path, snmpd: Snmpd
) -> None:
    """Also with the right token, and for the sign-in: an open tab must not act for others."""
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        csrf = await sign_in(served.web)
        out = await served.web.delete(SESSION, headers={**headers, "x-csrf-token": csrf})
        form = {"name": "Ana", "password": ANA}
        into = await served.web.post("/sign-in", headers=headers, data=form)

    assert (out.status_code, into.status_code) == (403, 403)


async def test_change_without_the_sessions_own_token_is_refused(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    write_people(tmp_path / "state")
    loaded = page_site(tmp_path, snmpd, page=CLOSED)
    async with serving(loaded, tmp_path / "state") as served:
        await sign_in(served.web)
        async with client(loaded, served.agent, served.folder) as other:
            others = await sign_in(other, "guard", GUARD)
        codes = []
        for headers in ({}, {"x-csrf-token": ""}, {"x-csrf-token": others}):
            codes.append((await served.web.delete(SESSION, headers=headers)).status_code)
        still = (await served.web.get(SESSION)).json()["name"]

    assert codes == [403, 403, 403] and still == "Ana"


async def test_page_that_is_called_by_a_foreign_name_says_nothing(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """DNS rebinding: a web site lets its own name lead to 127.0.0.1, and reads the page."""
    loaded = page_site(tmp_path, snmpd, page=replace(LOCAL, names=("warden.quayside.example",)))
    async with serving(loaded, tmp_path / "state") as served:
        codes = {}
        for host in (
            "evil.example", "evil.example:8628", "127.0.0.1.evil.example", "", "a b", "[::1",
            "warden.quayside.example", "LOCALHOST:8628", "127.0.0.1", "[::1]:8628",
        ):  # fmt: skip
            codes[host] = (await served.web.get("/", headers={"host": host})).status_code

    assert list(codes.values()) == [421] * 6 + [200] * 4


async def test_other_site_may_link_here_and_not_look(tmp_path: Path, snmpd: Snmpd) -> None:
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd, page=CLOSED), tmp_path / "state") as served:
        looked = await served.web.get("/", headers={"sec-fetch-site": "cross-site"})
        link = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}
        linked = await served.web.get("/", headers=link)

    assert looked.status_code == 403
    assert linked.status_code == 200 and 'http-equiv="refresh"' in linked.text


async def raw(served: Served, *pieces: bytes, pause_s: float = 0.0) -> bytes:
    """Send something as it is, and return all that comes until the other side ends."""
    assert served.agent.page is not None
    host, port = served.agent.page.server.address
    reader, writer = await asyncio.open_connection(host, port)
    try:
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(pause_s)
        async with asyncio.timeout(20):
            return await reader.read()
    except ConnectionError:
        return b""
    finally:
        writer.close()


async def test_huge_body_is_not_read(tmp_path: Path, snmpd: Snmpd) -> None:
    """A gigabyte sent to a small box must not end in its memory."""
    write_people(tmp_path / "state")
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        head = b"POST /api/v1/session HTTP/1.1\r\nHost: localhost\r\n"
        told = await raw(
            served, head + b"content-type: application/json\r\nContent-Length: 1073741824\r\n\r\n",
            b"x" * (BODY_BYTES + 1),
        )  # fmt: skip
        chunked = await raw(
            served,
            head + b"content-type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n",
            b"%x\r\n" % (2 * BODY_BYTES) + b"x" * 2 * BODY_BYTES + b"\r\n",
        )

    assert told.startswith(b"HTTP/1.1 413 ") and b"connection: close" in told.lower()
    assert chunked.startswith(b"HTTP/1.1 413 ")


@pytest.mark.parametrize(
    "request_",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: localhost\r\nx: " + b"y" * 70_000,
        b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\n"
        b"Transfer-Encoding: chunked\r\nContent-Length: 6\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 32 + b"\r\n\r\n",
        b"GET /\r\nx: y HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
    ids=["no host", "two hosts", "huge head", "two lengths", "TLS", "split line"],
)
async def test_request_that_is_none_ends_its_connection(
    request_: bytes, tmp_path: Path, snmpd: Snmpd
) -> None:
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        answer = await raw(served, request_)
        still = await served.web.get("/")

    assert answer == b"" or answer.startswith((b"HTTP/1.1 400 ", b"HTTP/1.1 431 "))
    assert still.status_code == 200


@pytest.mark.parametrize("page", [LOCAL, SEALED], ids=["plain", "TLS"])
async def test_one_address_cannot_take_all_connections(
    page: PageSettings, tmp_path: Path, snmpd: Snmpd
) -> None:
    """Idle connections cost nothing to open, and the agent needs descriptors for its devices.

    Before TLS is agreed on they count too.
    """
    loaded = page_site(tmp_path, snmpd, page=page)
    async with serving(loaded, tmp_path / "state") as served:
        assert served.agent.page is not None
        host, port = served.agent.page.server.address
        held = [await asyncio.open_connection(host, port) for _ in range(CONNECTIONS_OF_ONE)]
        await asyncio.sleep(0.1)  # taken in one by one
        turned = await raw(served)
        other = await asyncio.open_connection(host, port, local_addr=("127.0.0.2", 0))
        try:
            async with asyncio.timeout(0.5):
                got = await other[0].read()
        except TimeoutError:
            got = b"it is let in, and waited for"
        for _, writer in (*held, other):
            writer.close()
        async with asyncio.timeout(10):
            while True:
                try:
                    still = await served.web.get("/health")
                except httpx2.TransportError:
                    await asyncio.sleep(0.05)
                else:
                    break

    assert turned == b""
    assert got == b"it is let in, and waited for"
    assert still.status_code == 200


@pytest.mark.alone
async def test_slow_client_is_dropped(tmp_path: Path, snmpd: Snmpd) -> None:
    """A head that comes one byte a second, or a body that never comes, holds a connection."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        head, body = await asyncio.gather(
            raw(served, *(b"GET / HTTP/1.1"[n : n + 1] for n in range(14)), pause_s=1.0),
            raw(
                served,
                b"POST /api/v1/session HTTP/1.1\r\nHost: localhost\r\n"
                b"content-type: application/json\r\nContent-Length: 100\r\n\r\n{",
            ),
        )

    assert head == b""
    assert body.startswith(b"HTTP/1.1 408 ")


async def test_page_off_loopback_has_a_certificate_that_can_be_compared(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Whoever first opens it sees what the command says; the key outlives a new start."""
    write_people(tmp_path / "state")
    loaded = page_site(tmp_path, snmpd, page=SEALED)
    prints = set()
    for _ in (1, 2):
        async with serving(loaded, tmp_path / "state") as served:
            assert served.agent.page is not None
            got = await served.web.get("/")
            csrf = await sign_in(served.web)
            cookie = next(iter(served.web.cookies.jar))
            host, port = served.agent.page.server.address
            pem = await asyncio.to_thread(ssl.get_server_certificate, (host, port))
            prints.add(pem)

    assert got.status_code == 303 and csrf
    assert cookie.name == SEALED_COOKIE and cookie.secure
    assert len(prints) == 1 and prints == {(tmp_path / "state" / CERTIFICATE).read_text()}
    assert (tmp_path / "state" / KEY).stat().st_mode & 0o777 == 0o600


async def test_old_tls_is_refused(tmp_path: Path, snmpd: Snmpd) -> None:
    """RFC 8996 has TLS 1.0 and 1.1 buried."""
    async with serving(page_site(tmp_path, snmpd, page=SEALED), tmp_path / "state") as served:
        assert served.agent.page is not None
        old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        old.check_hostname, old.verify_mode = False, ssl.CERT_NONE
        old.set_ciphers("DEFAULT@SECLEVEL=0")
        with pytest.warns(DeprecationWarning):
            old.minimum_version = ssl.TLSVersion.TLSv1
            old.maximum_version = ssl.TLSVersion.TLSv1_1
        with pytest.raises((ssl.SSLError, ConnectionResetError)):
            await asyncio.open_connection(*served.agent.page.server.address, ssl=old)
