"""People and tokens of the page: kept safely, and changed by a command."""

from __future__ import annotations

import json
import threading
from datetime import date
from pathlib import Path

import pytest

from agent.page.passwords import PasswordError, Verifier, checked_hash, hash_of
from agent.page.people import (
    NAME,
    People,
    PeopleError,
    PeopleFile,
    Person,
    Rights,
    changing,
    read_people,
)
from tests.agent.commands import lastwatt

PASSWORD = "harbour lights 9"


def test_password_is_kept_as_owasp_asks() -> None:
    """Source: OWASP's cheat sheet of password storage, argon2id: m=19456 (19 MiB), t=2, p=1."""
    assert hash_of(PASSWORD).startswith("$argon2id$v=19$m=19456,t=2,p=1$")


async def test_password_is_right_whatever_form_its_letters_have() -> None:
    """RFC 8265 (OpaqueString): a phone may send é as one character, a PC as two."""
    hashed = hash_of("jetée du port")

    assert await Verifier().is_right(hashed, "jete\u0301e du port")
    assert not await Verifier().is_right(hashed, "jetee du port")


async def test_nobody_has_no_password() -> None:
    """A name that there is not takes as long as a wrong password, and never comes in."""
    text = "nobody's, so that an unknown name takes as long as a known one"

    assert not await Verifier().is_right(None, text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "secret",
        "$argon2i$v=19$m=19456,t=2,p=1$c29tZXNhbHQ$RdescudvJCsgt3ub+b27cw",
        "$argon2id$v=19$m=1048576,t=2,p=1$c29tZXNhbHQ$RdescudvJCsgt3ub+b27cw",
        "$argon2id$v=19$m=4096,t=1,p=1$c29tZXNhbHQ$RdescudvJCsgt3ub+b27cw",
    ],
)
def test_hash_that_would_harm_is_refused(text: str) -> None:
    """One of a gigabyte would end a small board; a cheap one is guessed in an afternoon."""
    with pytest.raises(PasswordError):
        checked_hash(text)


def test_command_adds_people_and_shows_no_secret(tmp_path: Path) -> None:
    added = lastwatt(
        "people", "add", "Ana", "--rights", "act", "--state", tmp_path, "--json",
        typed=PASSWORD + "\n",
    )  # fmt: skip
    token = lastwatt("people", "token", "monitor", "--state", tmp_path)
    listed = lastwatt("people", "list", "--state", tmp_path, "--json")

    assert added.document["rights"] == "act"
    assert listed.document["people"] == [{"name": "Ana", "rights": "act"}]
    kept = (tmp_path / NAME).read_text()
    assert PASSWORD not in kept and token.out.strip() not in kept
    assert "argon2id" not in listed.out and token.out.strip() not in listed.out
    assert (tmp_path / NAME).stat().st_mode & 0o777 == 0o600
    assert read_people(tmp_path).token_of(token.out.strip()) is not None


def test_command_says_what_is_wrong_in_one_line(tmp_path: Path) -> None:
    short = lastwatt("people", "add", "Ana", "--state", tmp_path, typed="short\n")
    nobody = lastwatt("people", "remove", "Bo", "--state", tmp_path)
    nowhere = lastwatt("people", "token", "x", "--state", tmp_path / "nowhere")

    assert short.status == 2 and "10 to 200 characters" in short.complaint
    assert nobody.status == 2 and 'nobody is called "Bo"' in nobody.complaint
    assert nowhere.status == 2 and "state directory" in nowhere.complaint


def test_people_made_elsewhere_are_taken_over(tmp_path: Path) -> None:
    """An integrator makes a thousand sites from one list, without one password on any of them."""
    hashed = hash_of(PASSWORD)
    done = lastwatt("people", "add", "Ana", "--hash", "--state", tmp_path, typed=hashed + "\n")

    assert done.status == 0
    assert read_people(tmp_path).people[0].password == hashed


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_file_that_others_may_read_lets_nobody_in(tmp_path: Path, mode: int) -> None:
    with changing(tmp_path):
        pass
    (tmp_path / NAME).chmod(mode)

    with pytest.raises(PeopleError, match="chmod 600"):
        read_people(tmp_path)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"format": 2}', '{"people": [{"name": "x"}]}', "{}" + " " * 2**18]
)
def test_damaged_file_lets_nobody_in_and_shows_nothing(tmp_path: Path, text: str) -> None:
    (tmp_path / NAME).write_text(text)
    (tmp_path / NAME).chmod(0o600)

    with pytest.raises(PeopleError, match="damaged") as caught:
        read_people(tmp_path)
    assert caught.value.__cause__ is None


def test_change_is_seen_at_once(tmp_path: Path) -> None:
    """Whoever was dismissed must not be let in until the next start."""
    file = PeopleFile(tmp_path)
    assert file.now() == People()
    with changing(tmp_path) as held:
        held[0] = held[0].with_person(Person(name="Ana", rights=Rights.ACT, password="x"))
    assert file.now().person("Ana") is not None
    with changing(tmp_path) as held:
        held[0] = held[0].without_person("Ana")
    assert file.now().person("Ana") is None


def test_two_changes_at_once_lose_neither(tmp_path: Path) -> None:
    def add(name: str) -> None:
        with changing(tmp_path) as held:
            held[0] = held[0].with_person(Person(name=name, rights=Rights.SEE, password="x"))

    threads = [threading.Thread(target=add, args=(f"p{n}",)) for n in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert {one.name for one in read_people(tmp_path).people} == {f"p{n}" for n in range(12)}
    assert json.loads((tmp_path / NAME).read_text())["format"] == 1


def test_token_is_known_by_its_whole_text_only() -> None:
    people, token = People().with_token("monitor", made=date(2026, 3, 1))

    assert people.token_of(token) is not None
    assert people.token_of(token[:-1]) is None and people.token_of("") is None
    assert people.without_token("monitor").token_of(token) is None
    assert token not in repr(people)
