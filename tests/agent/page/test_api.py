"""The HTTP interface: what programs read, what people change by it, and who may not."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from agent.control import ask
from agent.page import live_journal
from agent.page.access import PLAIN_COOKIE
from agent.page.bounds import STREAMS_OF_ONE
from agent.page.people import changing
from tests.agent.page.page_site import CLOSED, LOCAL, Served, client, page_site, serving
from tests.agent.page.people_here import ANA, GUARD, sign_in, write_people
from tests.agent.test_wiring import journalled, until, until_heard
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer

API = "/api/v1"
DESK = """
[[device]]
name = "desk"
role = "computer"
feed = "cabinet"
watts = 40
stop = { driver = "command", run = ["/usr/bin/true"], takes = "5s" }
verify = { driver = "command", running = ["/usr/bin/false"], takes = "5s" }
start = { driver = "command", run = ["/usr/bin/true"], takes = "5s" }
"""


@asynccontextmanager
async def desk_site(
    folder: Path, snmpd: Snmpd, *, page: Any = CLOSED, **more: Any
) -> AsyncIterator[tuple[Served, str]]:
    """Run a site with one device and its people; yield it, and a program's token."""
    token = write_people(folder / "state")
    loaded = page_site(folder, snmpd, DESK, page=page)
    async with serving(loaded, folder / "state", **more) as served:
        await until_heard(served.agent)
        await until(lambda: served.agent.engine.decision is not None)
        yield served, token


async def test_status_is_what_the_command_shows(tmp_path: Path, snmpd: Snmpd) -> None:
    """One truth: whoever compares the two must not find two sites."""
    async with desk_site(tmp_path, snmpd, page=LOCAL) as (served, _):
        await until(lambda: (tmp_path / "state" / "agent.sock").exists())
        got = (await served.web.get(f"{API}/status")).json()
        said = await asyncio.to_thread(ask, tmp_path / "state", {"ask": "status"})
        unit = (await served.web.get(f"{API}/units/cabinet")).json()["unit"]
        device = (await served.web.get(f"{API}/devices/desk")).json()["device"]
        plan = (await served.web.get(f"{API}/plan")).json()
        missing = await served.web.get(f"{API}/devices/nobody")

    assert got.keys() == said.keys()
    assert (got["site"], got["format"], got["ok"]) == ("Quayside boatyard", 1, True)
    assert unit["name"] == "cabinet" and unit["supply"] == "mains"
    assert device["name"] == "desk" and device["phase"] == "running"
    assert plan == {"format": 1, "ok": True, "plan": None}
    assert missing.status_code == 404 and missing.json()["title"] == "Not Found"


async def test_journal_is_leafed_through_both_ways(tmp_path: Path, snmpd: Snmpd) -> None:
    async with desk_site(tmp_path, snmpd, page=LOCAL) as (served, _):
        await until(lambda: len(journalled(tmp_path / "state", "judged_supply")) == 1)

        async def leaf(query: str) -> list[dict[str, Any]]:
            got = await served.web.get(f"{API}/journal{query}")
            assert got.status_code == 200, got.text
            events: list[dict[str, Any]] = got.json()["events"]
            return events

        everything = await leaf("")
        ids = [entry["id"] for entry in everything]
        last, first = ids[-1], ids[0]
        assert ids == sorted(ids) and len(ids) >= 3
        assert [e["id"] for e in await leaf(f"?before={last}&limit=1")] == ids[-2:-1]
        assert [e["id"] for e in await leaf(f"?after={first}&limit=1")] == ids[1:2]
        assert all(entry["sentence"] for entry in everything)
        wrong = [
            (await served.web.get(f"{API}/journal{query}")).status_code
            for query in ("?limit=0", "?limit=501", "?before=-1", "?after=x",
                          "?before=99999999999999999999", "?sort=1")
        ]  # fmt: skip
    assert wrong == [422] * 6


# Changing


async def test_pause_is_in_the_journal_with_who_asked(tmp_path: Path, snmpd: Snmpd) -> None:
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = {"x-csrf-token": await sign_in(served.web)}
        got = await served.web.post(f"{API}/actions/pause", headers=csrf, json={"for_s": 600})
        status = (await served.web.get(f"{API}/status")).json()
        end = await served.web.post(f"{API}/actions/end-pause", headers=csrf, json={})
        await until(lambda: len(journalled(tmp_path / "state", "set_pause")) == 2)

    assert got.status_code == 200 and got.json()["paused_s"] == 600.0
    assert status["paused_by"] == "Ana (at the page)"
    assert end.json()["was_paused"] is True
    assert [e["who"] for e in journalled(tmp_path / "state", "set_pause")] == [
        "Ana (at the page)"
    ] * 2


async def test_device_is_stopped_by_whoever_may_and_confirmed(tmp_path: Path, snmpd: Snmpd) -> None:
    """The order is the same as the command's, in the name of the person."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = {"x-csrf-token": await sign_in(served.web)}
        wanted = {"device": "desk", "preview": True}
        seen = await served.web.post(f"{API}/actions/stop", headers=csrf, json=wanted)
        before = served.agent.engine.state.devices["desk"].order
        begun = await served.web.post(f"{API}/actions/stop", headers=csrf, json={"device": "desk"})
        job = begun.json()["job"]

        await until(lambda: journalled(tmp_path / "state", "closed_order"), within_s=30)
        await asyncio.sleep(0)  # the job hears of it in the turn after
        progress = (await served.web.get(f"{API}/jobs/{job}")).json()
        given = journalled(tmp_path / "state", "gave_order")

    assert seen.json()["devices"] == ["desk"] and before is None
    assert progress["devices"][0]["ending"] == "at rest"
    assert "Ana (at the page)" in json.dumps(given[0])


CHANGES = (
    "pause", "end-pause", "stop", "start", "drill", "rehearse", "end-rehearsal", "battery-fitted",
    "silence", "end-silence",
)  # fmt: skip
BODIES: Mapping[str, Mapping[str, Any]] = {
    "stop": {"device": "desk"},
    "start": {"device": "desk"},
    "drill": {"device": "desk", "on_site": True},
    "battery-fitted": {"unit": "cabinet"},
    "silence": {"topic": "battery"},
    "end-silence": {"topic": "battery"},
}


async def test_nobody_else_changes_anything(tmp_path: Path, snmpd: Snmpd) -> None:
    """No sign-in, no token of the session, another site, a program, no right, no confirmation."""
    async with desk_site(tmp_path, snmpd, page=LOCAL) as (served, token):
        web = served.web
        assert served.agent.page is not None
        csrf = await sign_in(web)
        cookie = web.cookies[PLAIN_COOKIE]
        web.cookies.clear()
        guard = await sign_in(web, "guard", GUARD)
        guards_cookie = web.cookies[PLAIN_COOKIE]
        web.cookies.clear()
        sessions = served.agent.page.access.sessions
        held = sessions.find(cookie)
        assert held is not None
        held.confirmed_at -= 121.0
        ana = {"cookie": f"{PLAIN_COOKIE}={cookie}", "x-csrf-token": csrf}
        tries = {
            "no sign-in": ({}, 401),
            "no cookie": ({"x-csrf-token": csrf}, 401),
            "no session's token": ({"cookie": ana["cookie"]}, 403),
            "another's token": ({**ana, "x-csrf-token": guard}, 403),
            "another site": ({**ana, "origin": "https://evil.example"}, 403),
            "another site's frame": ({**ana, "sec-fetch-site": "cross-site"}, 403),
            "a program": ({"authorization": f"Bearer {token}"}, 403),
            "a program with a session": ({**ana, "authorization": f"Bearer {token}"}, 403),
            "no right": (
                {"cookie": f"{PLAIN_COOKIE}={guards_cookie}", "x-csrf-token": guard}, 403
            ),
            "not confirmed": (ana, 403),
        }  # fmt: skip
        for name in CHANGES:
            for why, (headers, code) in tries.items():
                got = await web.post(
                    f"{API}/actions/{name}", headers=headers, json=BODIES.get(name, {})
                )
                assert got.status_code == code, (name, why, got.text)
                assert got.headers["content-type"] == "application/problem+json"
        late = await web.post(f"{API}/actions/pause", headers=ana, json={})
        form = await web.post(f"{API}/actions/pause", headers=ana, data={"for_s": "60"})
        wrong = await web.post(f"{API}/actions/pause", headers=ana, json={"password": "wrong one"})
        state = served.agent.engine.state

        assert late.json()["confirm"] is True
        assert (form.status_code, wrong.status_code) == (415, 401)
        assert state.paused_until_at is None
        assert state.devices["desk"].order is None and not state.devices["desk"].by_hand
        right = await web.post(f"{API}/actions/pause", headers=ana, json={"password": ANA})
        assert right.status_code == 200


async def test_silence_is_kept_with_who_and_never_of_what_must_be_heard(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Whoever changes a battery wants no notices of it; that mains is lost is told all the same."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = {"x-csrf-token": await sign_in(served.web)}
        quiet, loud = [
            await served.web.post(f"{API}/actions/silence", headers=csrf, json={"topic": topic})
            for topic in ("battery", "mains lost")
        ]
        kept = served.agent.engine.state.silences
        over = await served.web.post(
            f"{API}/actions/end-silence", headers=csrf, json={"topic": "battery"}
        )

    assert quiet.status_code == 200 and "Ana" in quiet.json()["who"]
    assert [silence.topic for silence in kept] == ["battery"]
    assert loud.status_code == 409 and "always told" in loud.json()["detail"]
    assert over.json()["was_silenced"] is True


async def test_refusal_of_the_agent_is_a_problem_and_says_why(tmp_path: Path, snmpd: Snmpd) -> None:
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = {"x-csrf-token": await sign_in(served.web)}
        nobody = await served.web.post(
            f"{API}/actions/stop", headers=csrf, json={"device": "nobody"}
        )
        early = await served.web.post(
            f"{API}/actions/battery-fitted",
            headers=csrf,
            json={"unit": "cabinet", "date": "2999-01-01"},
        )
        long = await served.web.post(f"{API}/actions/pause", headers=csrf, json={"for_s": 1e9})

    assert nobody.status_code == 404 and "lists no device" in nobody.json()["detail"]
    assert early.status_code == 409 and "yet to come" in early.json()["detail"]
    assert long.status_code == 422 and long.json()["detail"].startswith("for_s: ")


async def test_no_answer_holds_a_secret(tmp_path: Path, snmpd: Snmpd) -> None:
    """Wrong passwords are often right ones of something else."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        tries = [
            {"name": "Ana", "password": "planted-secret-1"},
            {"name": "Ana", "password": ["planted-secret-1"]},
            {"name": "Ana", "password": "planted-secret-1", "planted-secret-1": 1},
            "planted-secret-1",
        ]
        answers = [await served.web.post(f"{API}/session", json=body) for body in tries]

    assert [answer.status_code for answer in answers] == [401, 422, 422, 422]
    assert all("planted-secret-1" not in answer.text for answer in answers[:2])
    assert "planted-secret-1" not in answers[3].text


# Streams


async def test_event_is_streamed_as_it_happens(tmp_path: Path, snmpd: Snmpd) -> None:
    """And a listener that lost its connection goes on where it was."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = {"x-csrf-token": await sign_in(served.web)}
        async with asyncio.timeout(20), served.web.stream("GET", f"{API}/events") as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            lines = stream.aiter_lines()
            assert await anext(lines) == ": still here"
            await served.web.post(f"{API}/actions/pause", headers=csrf, json={"for_s": 600})
            mark, kind, data = await next_of(lines, "set_pause")
        async with (
            asyncio.timeout(20),
            served.web.stream("GET", f"{API}/events", headers={"last-event-id": mark}) as stream,
        ):
            _, again, _ = await next_of(stream.aiter_lines(), "raised_notice")

    assert kind == "set_pause" and data["who"] == "Ana (at the page)"
    assert again == "raised_notice"


async def next_of(lines: AsyncIterator[str], kind: str) -> tuple[str, str, dict[str, Any]]:
    """Return the next event of that kind: id, kind, data."""
    event: dict[str, str] = {}
    async for line in lines:
        if line:
            name, _, value = line.partition(": ")
            event[name] = value
        elif event.get("event") == kind:
            return event["id"], kind, json.loads(event["data"])
        else:
            event = {}
    raise AssertionError("the stream ended")


async def test_stream_ends_with_its_session(tmp_path: Path, snmpd: Snmpd) -> None:
    """Whoever is removed must not watch on through a page that is open."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        await sign_in(served.web, "guard", GUARD)
        async with asyncio.timeout(30), served.web.stream("GET", f"{API}/events") as stream:
            lines = stream.aiter_lines()
            await anext(lines)
            with changing(tmp_path / "state") as held:
                held[0] = held[0].without_person("guard")
            await served.agent.engine.notice("info", "desk", "one that the guard must not see")
            seen = [line async for line in lines]

    assert not any("must not see" in line for line in seen)


async def test_stream_ends_with_its_token(tmp_path: Path, snmpd: Snmpd) -> None:
    """A token that leaked is made anew: whoever listens by the old one hears no more."""
    async with desk_site(tmp_path, snmpd) as (served, token):
        shown = {"authorization": f"Bearer {token}"}
        async with (
            asyncio.timeout(30),
            served.web.stream("GET", f"{API}/events", headers=shown) as stream,
        ):
            lines = stream.aiter_lines()
            await anext(lines)
            with changing(tmp_path / "state") as held:
                held[0], _ = held[0].with_token("monitor", made=date(2026, 3, 2))
            await served.agent.engine.notice("info", "desk", "one for the new token alone")
            seen = [line async for line in lines]

    assert not any("new token" in line for line in seen)


async def test_event_that_cannot_be_told_leaves_the_page_as_it_is(
    tmp_path: Path, snmpd: Snmpd, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fault in the words of one event must not take the page from whoever looks in an outage."""
    async with desk_site(tmp_path, snmpd, page=LOCAL) as (served, _):
        asked: list[object] = []

        def fail(event: object, *rest: object) -> None:
            asked.append(event)
            raise RuntimeError("a fault")

        monkeypatch.setattr(live_journal, "_entry", fail)
        await served.agent.engine.notice("info", "desk", "one that has no words")
        await until(lambda: asked)
        await asyncio.sleep(0)
        got = await served.web.get("/")

    assert got.status_code == 200


async def test_streams_are_bounded_and_come_free_again(tmp_path: Path, snmpd: Snmpd) -> None:
    loaded = page_site(tmp_path, snmpd)
    async with serving(loaded, tmp_path / "state") as served:
        assert served.agent.page is not None
        host, port = served.agent.page.server.address
        wanted = f"GET {API}/events HTTP/1.1\r\nHost: localhost\r\n\r\n".encode()
        writers = []

        async def opened() -> bytes:
            reader, writer = await asyncio.open_connection(host, port)
            writers.append(writer)
            writer.write(wanted)
            return await reader.readline()

        first = [await opened() for _ in range(STREAMS_OF_ONE)]
        one_more = await opened()
        async with client(loaded, served.agent, served.folder) as other:
            still = await other.get(f"{API}/status")
        for writer in writers:
            writer.close()
        async with asyncio.timeout(20):
            while b" 200 " not in await opened():
                pass
        for writer in writers:
            with suppress(ConnectionError):
                writer.close()
                await writer.wait_closed()

    assert all(b" 200 " in line for line in first)
    assert b" 503 " in one_more
    assert still.status_code == 200


# The description


async def schemathesis(served: Served, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run schemathesis, which nobody here wrote, on the description as it is served."""
    assert served.agent.page is not None
    host, port = served.agent.page.server.address
    command: list[str | Path] = [
        *(Path(sys.executable).with_name("schemathesis"), "run"),
        *(f"http://{host}:{port}{API}/openapi.yaml", "--url", f"http://{host}:{port}{API}"),
        *("--max-examples", "12", "--seed", "20260301", "--no-color", "--workers", "1"),
        *("--request-timeout", "20", *arguments),
    ]
    environment = {**os.environ, "COLUMNS": "150"}
    return await asyncio.to_thread(
        lambda: subprocess.run(
            command, cwd=served.folder, env=environment, capture_output=True, timeout=240
        )
    )


async def test_server_keeps_to_its_description(tmp_path: Path, snmpd: Snmpd) -> None:
    """Source: schemathesis, which draws requests from the OpenAPI file, right ones and wrong ones.

    Signed in and confirmed, in dry run. The stream of events never ends, and signing out would end
    the rest: both have tests of their own.
    """
    async with desk_site(tmp_path, snmpd, page=LOCAL, dry_run=True) as (served, _):
        csrf = await sign_in(served.web)
        cookie = served.web.cookies[PLAIN_COOKIE]
        assert served.agent.page is not None
        sessions = served.agent.page.access.sessions
        held = sessions.find(cookie)
        assert held is not None
        held.confirmed_at += 3600.0
        (served.folder / "schemathesis.toml").write_text(
            f'[auth.openapi]\nsession.api_key = "{cookie}"\ncsrf.api_key = "{csrf}"\n'
        )
        done = await schemathesis(
            served, "--exclude-path", "/events", "--exclude-operation-id", "signOut"
        )

    assert done.returncode == 0, done.stdout.decode()[-6000:]
