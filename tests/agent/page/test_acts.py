"""What people change by forms: seen first, confirmed by the password, and on record with who."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.page.access import PLAIN_COOKIE
from agent.page.people import changing
from tests.agent.page.page_site import Served
from tests.agent.page.people_here import ANA, GUARD, sign_in
from tests.agent.page.test_api import desk_site
from tests.agent.test_wiring import journalled, until
from tests.peers.snmpd import Snmpd

pytestmark = pytest.mark.peer


def let_confirmation_end(served: Served) -> None:
    """The password was given more than two minutes ago."""
    assert served.agent.page is not None
    held = served.agent.page.access.sessions.find(served.web.cookies[PLAIN_COOKIE])
    assert held is not None
    held.confirmed_at -= 121.0


async def test_pause_by_form_is_on_the_page_and_on_record_with_who(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Whoever pauses is known, and everybody who looks sees that it is paused."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        let_confirmation_end(served)
        form = await served.web.get("/do/pause")
        done = await served.web.post(
            "/do/pause", data={"csrf": csrf, "for_s": "900", "password": ANA}
        )
        await until(lambda: served.agent.engine.state.paused_until_at is not None)
        front = await served.web.get("/")
        over = await served.web.post("/do/end-pause", data={"csrf": csrf})
        await until(lambda: len(journalled(tmp_path / "state", "set_pause")) == 2)

    assert form.status_code == 200 and "Password of Ana" in form.text
    assert "Paused until" in front.text and "/do/end-pause" in front.text
    assert (done.status_code, done.headers["location"]) == (303, "/")
    assert over.status_code == 303, over.text  # the password was given a moment ago
    assert [event["who"] for event in journalled(tmp_path / "state", "set_pause")] == [
        "Ana (at the page)",
        "Ana (at the page)",
    ]


async def test_silence_by_form_names_what_is_not_told_and_who_wanted_that(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Whoever changes a battery is not rung up about it; that mains is lost cannot be chosen."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        form = await served.web.get("/do/silence")
        empty = await served.web.post("/do/silence", data={"csrf": csrf, "for_s": "3600"})
        done = await served.web.post(
            "/do/silence",
            data={"csrf": csrf, "for_s": "3600", "topic": "battery", "about": "cabinet"},
        )
        await until(lambda: bool(served.agent.engine.state.silences))
        (kept,) = served.agent.engine.state.silences

    assert "<option>battery</option>" in form.text and "mains lost" not in form.text
    assert empty.status_code == 404 and "say what is to be silenced" in empty.text
    assert done.status_code == 303
    assert (kept.topic, kept.about) == ("battery", "cabinet")


async def test_silence_is_seen_and_ended_by_form(tmp_path: Path, snmpd: Snmpd) -> None:
    """The battery is in: whoever silenced it too long ends that where it was begun."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        none = await served.web.get("/do/silence")
        for topic in ("battery", "alarm"):
            fields = {"csrf": csrf, "for_s": "604800", "topic": topic, "about": "cabinet"}
            await served.web.post("/do/silence", data=fields)
        await until(lambda: len(served.agent.engine.state.silences) == 2)
        listed = await served.web.get("/do/silence")
        which = await served.web.get("/do/end-silence")
        front = await served.web.get("/")
        let_confirmation_end(served)
        named = {"topic": "battery", "about": "cabinet"}
        asked = await served.web.get("/do/end-silence", params=named)
        bare = await served.web.post("/do/end-silence", data={"csrf": csrf, **named})
        done = await served.web.post(
            "/do/end-silence", data={"csrf": csrf, "password": ANA, **named}
        )
        await until(lambda: len(served.agent.engine.state.silences) == 1)
        (left,) = served.agent.engine.state.silences

    link = "/do/end-silence?topic=battery&amp;about=cabinet"
    assert "Nothing: all that" in none.text
    assert link in listed.text and link in which.text
    assert "<button" not in which.text
    assert "Notices of battery about cabinet are silenced until" in front.text
    assert "by Ana (at the page)" in asked.text and "Password of Ana" in asked.text
    assert (bare.status_code, done.status_code) == (403, 303)
    assert 'name="topic" value="battery"' in bare.text
    assert left.topic == "alarm"


async def test_stop_is_shown_before_it_is_confirmed(tmp_path: Path, snmpd: Snmpd) -> None:
    """Nobody stops a device without having read whom that takes along."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        choice = await served.web.get("/do/stop")
        shown = await served.web.get("/do/stop", params={"device": "desk"})
        before = journalled(tmp_path / "state", "gave_order")
        fields = {"csrf": csrf, "device": "desk", "password": ANA}
        done = await served.web.post("/do/stop", data=fields)
        await until(lambda: journalled(tmp_path / "state", "gave_order") != [])

    assert "<option>desk</option>" in choice.text
    assert "stays so, whatever mains does" in shown.text
    assert before == []
    assert done.status_code == 303


async def test_who_is_signed_in_is_named_and_can_sign_out(tmp_path: Path, snmpd: Snmpd) -> None:
    """On a shared computer, and without scripts."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        front = await served.web.get("/")
        out = await served.web.post("/sign-out", data={"csrf": csrf})
        after = await served.web.get("/")

    assert "You are signed in as Ana." in front.text
    assert f'action="/sign-out">\n<input type="hidden" name="csrf" value="{csrf}">' in front.text
    assert (out.status_code, after.status_code) == (303, 303)
    assert after.headers["location"].startswith("/sign-in")


async def test_head_of_a_form_changes_nothing(tmp_path: Path, snmpd: Snmpd) -> None:
    """RFC 9110, section 9.2.1: whatever it carries along, it is safe."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        fields = {"csrf": csrf, "for_s": "900"}
        got = await served.web.request("HEAD", "/do/pause", data=fields)
        told = journalled(tmp_path / "state", "set_pause")

    assert got.status_code == 200
    assert told == []


@pytest.mark.parametrize(
    ("fields", "status", "words"),
    [
        ({"for_s": "900"}, 403, "password"),
        ({"for_s": "900", "password": "wrong"}, 401, "name or password is wrong"),
        ({"for_s": "soon", "password": ANA}, 422, "for how long"),
        ({"for_s": "900000000", "password": ANA}, 409, "a pause lasts"),
    ],
    ids=["no password", "wrong password", "no time", "too long"],
)
async def test_what_is_refused_says_why_and_changes_nothing(
    tmp_path: Path, snmpd: Snmpd, fields: dict[str, str], status: int, words: str
) -> None:
    """The form stands there again, with the reason, and without the password."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        csrf = await sign_in(served.web)
        let_confirmation_end(served)
        got = await served.web.post("/do/pause", data={"csrf": csrf, **fields})

    assert got.status_code == status
    assert ("www-authenticate" in got.headers) is (status == 401)  # RFC 9110, section 15.5.2
    assert 'role="alert"' in got.text and words in got.text
    assert ANA not in got.text
    assert journalled(tmp_path / "state", "set_pause") == []


async def test_who_may_not_is_turned_away(tmp_path: Path, snmpd: Snmpd) -> None:
    """A stranger, a forged form, a person who may only look, and somebody whose right has gone."""
    async with desk_site(tmp_path, snmpd) as (served, _):
        web, confirmed = served.web, {"for_s": "900", "password": ANA}
        stranger = await web.get("/do/stop", params={"device": "desk"})
        forged_by_stranger = await web.post("/do/pause", data=confirmed)
        await sign_in(web)
        forged = await web.post("/do/pause", data={"csrf": "guessed", **confirmed})
        missing = await web.get("/do/format")
        csrf = await sign_in(web, "guard", GUARD)
        form = await web.get("/do/pause")
        by_guard = await web.post(
            "/do/pause", data={"csrf": csrf, "for_s": "900", "password": GUARD}
        )
        csrf = await sign_in(web)
        with changing(tmp_path / "state") as held:
            held[0] = held[0].without_person("Ana")
        gone = await web.post("/do/pause", data={"csrf": csrf, **confirmed})

    assert stranger.status_code == 303
    assert stranger.headers["location"].startswith("/sign-in?next=")
    assert [answer.status_code for answer in (forged_by_stranger, forged, missing)] == [
        401,
        403,
        404,
    ]
    assert "look and not change" in form.text and "<form" not in form.text
    assert by_guard.status_code == 403
    assert gone.status_code == 401
    assert journalled(tmp_path / "state", "set_pause") == []
