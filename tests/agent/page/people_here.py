"""People of the page, for tests: made as the command makes them."""

from __future__ import annotations

from datetime import date
from functools import cache
from pathlib import Path

import httpx2

from agent.page.passwords import hash_of
from agent.page.people import Person, Rights, changing

ANA = "harbour lights 9"
GUARD = "slipway watch 7"


@cache
def _hash(password: str) -> str:
    return hash_of(password)


def write_people(folder: Path) -> str:
    """Write Ana, who may act, and the guard, who may look; return a program's token."""
    folder.mkdir(mode=0o750, exist_ok=True)
    with changing(folder) as held:
        people = held[0].with_person(Person(name="Ana", rights=Rights.ACT, password=_hash(ANA)))
        people = people.with_person(Person(name="guard", rights=Rights.SEE, password=_hash(GUARD)))
        held[0], token = people.with_token("monitor", made=date(2026, 3, 1))
    return token


async def sign_in(web: httpx2.AsyncClient, name: str = "Ana", password: str = ANA) -> str:
    """Sign in as a program does; the client holds the cookie. Return the session's CSRF token."""
    got = await web.post("/api/v1/session", json={"name": name, "password": password})
    assert got.status_code == 200, got.text
    csrf = got.json()["csrf"]
    assert isinstance(csrf, str)
    return csrf
