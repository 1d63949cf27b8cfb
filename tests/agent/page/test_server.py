"""The page as it is served: by the agent, in its loop, and never at its cost."""

from __future__ import annotations

import asyncio
import re
import socket
from dataclasses import replace
from email.utils import parsedate_to_datetime
from pathlib import Path

import pytest

from agent.page.static import Static
from tests.agent.page.page_site import LOCAL, page_site, serving
from tests.agent.test_wiring import journalled, running, until, until_heard
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer


def notices(folder: Path) -> list[dict[str, object]]:
    return [one for one in journalled(folder, "raised_notice") if one["about"] == "page"]


async def test_page_says_how_the_site_is(tmp_path: Path, snmpd: Snmpd) -> None:
    """Somebody opens it in an outage."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        await until_heard(served.agent)
        got = await served.web.get("/")

    assert got.status_code == 200
    assert "Quayside boatyard" in got.text


async def test_every_answer_has_the_headers_that_keep_a_browser_in(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """A page that could be framed, or run foreign script, could be made to stop a recorder."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        sheet = Static().url("page.css")
        answers = [await served.web.get(path) for path in ("/", "/nowhere", sheet)]
        answers.append(await served.web.post("/"))

    assert [answer.status_code for answer in answers] == [200, 404, 200, 405]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "frame-ancestors 'none'" in policy
        assert "unsafe-inline" not in policy and "unsafe-eval" not in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "same-origin"
        assert parsedate_to_datetime(answer.headers["date"]).tzinfo is not None
    assert "server" not in answers[0].headers
    assert [a.headers["cache-control"] for a in answers[:2]] == ["no-store", "no-store"]


async def test_file_is_kept_for_ever_under_the_name_of_its_content(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """A phone fetches scripts once; a new release of them has a new name."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        url = Static().url("page.css")
        got = await served.web.get(url)
        plain = await served.web.get("/static/page.css")
        again = await served.web.get(
            "/static/page.css", headers={"if-none-match": plain.headers["etag"]}
        )

    assert re.fullmatch(r"/static/page\.[0-9a-f]{16}\.css", url)
    assert got.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert got.headers["content-type"] == "text/css; charset=utf-8"
    assert plain.headers["cache-control"] == "no-cache" and plain.content == got.content
    assert again.status_code == 304 and not again.content


@pytest.mark.parametrize(
    "path",
    [
        "/static/../server.py",
        "/static/%2e%2e/server.py",
        "/static/..%2fserver.py",
        "/static//etc/passwd",
        "/static/%2fetc%2fpasswd",
        "/static/page.css%00.js",
        "/static/",
    ],
)
async def test_nothing_outside_of_the_folder_is_served(
    path: str, tmp_path: Path, snmpd: Snmpd
) -> None:
    """The state directory holds hashes and keys."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        host, port = served.agent.page.server.address  # type: ignore[union-attr]
        reader, writer = await asyncio.open_connection(host, port)
        writer.write(f"GET {path} HTTP/1.1\r\nHost: {host}:{port}\r\n\r\n".encode())
        status = await reader.readline()
        writer.close()

    assert b"404" in status


async def test_address_that_is_taken_is_said_and_the_agent_goes_on(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Another program on its port must not leave the site unwatched."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        listen = ("127.0.0.1", taken.getsockname()[1])
        loaded = page_site(tmp_path, snmpd, page=replace(LOCAL, listen=listen))
        async with running(loaded, tmp_path / "state") as agent:
            await until_heard(agent)
            await until(lambda: notices(tmp_path / "state"))

    (notice,) = notices(tmp_path / "state")
    assert "cannot listen at 127.0.0.1" in str(notice["text"])


async def test_agent_with_open_connections_ends_at_once(tmp_path: Path, snmpd: Snmpd) -> None:
    """Whoever left a page open must not hold up the end of the service."""
    async with serving(page_site(tmp_path, snmpd), tmp_path / "state") as served:
        host, port = served.agent.page.server.address  # type: ignore[union-attr]
        reader, writer = await asyncio.open_connection(host, port)
        writer.write(b"GET / HT")
        await writer.drain()
    assert await reader.read() == b""
    writer.close()
    await asyncio.sleep(0)

    assert asyncio.all_tasks() == {asyncio.current_task()}
