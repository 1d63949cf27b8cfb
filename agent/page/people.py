"""Who may sign in to the page, and which monitoring may read: a file of the state directory.

It is written by `lastwatt people` and read by the agent, which sees a change at once: whoever is
removed, or has another password, is signed out with the next request. Of passwords it holds hashes
of argon2id, of tokens SHA-256 sums: they are random, so that no slow hash is needed.
"""

from __future__ import annotations

import fcntl
import hashlib
import hmac
import json
import os
import secrets
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from drivers.errors import LastwattError

NAME = "people.json"
PEOPLE_MOST = 100
TOKENS_MOST = 20
_BYTES_MOST = 2**18


class PeopleError(LastwattError):
    """The people of a site cannot be read, or not be changed so; the text says what to do."""


class Rights(StrEnum):
    """What somebody may do at the page."""

    SEE = "see"
    ACT = "act"


ShortName = Annotated[str, Field(min_length=1, max_length=64)]


class Person(BaseModel):
    """Somebody who may sign in."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: ShortName
    rights: Rights
    password: Annotated[str, Field(max_length=400, repr=False)]


class Token(BaseModel):
    """A program that may read, and nothing else."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: ShortName
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$", repr=False)]
    made: date


class People(BaseModel):
    """Everybody, as the file has it."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: Literal[1] = 1
    people: tuple[Person, ...] = Field(default=(), max_length=PEOPLE_MOST)
    tokens: tuple[Token, ...] = Field(default=(), max_length=TOKENS_MOST)

    def person(self, name: str) -> Person | None:
        """Return the one of that name."""
        return next((one for one in self.people if one.name == name), None)

    def with_person(self, person: Person) -> People:
        """Return everybody, with this one in place of whoever had the name."""
        others = tuple(one for one in self.people if one.name != person.name)
        if len(others) >= PEOPLE_MOST:
            raise PeopleError(f"there are {PEOPLE_MOST} people already; remove one first")
        return self.model_copy(update={"people": (*others, person)})

    def without_person(self, name: str) -> People:
        """Return everybody else.

        Raises:
            PeopleError: there is nobody of that name.
        """
        if self.person(name) is None:
            raise PeopleError(f'nobody is called "{name}" here; `lastwatt people list` shows all')
        left = tuple(one for one in self.people if one.name != name)
        return self.model_copy(update={"people": left})

    def with_token(self, name: str, *, made: date) -> tuple[People, str]:
        """Return everybody, with a new token of that name in place of an old one, and the token."""
        token = secrets.token_urlsafe(32)
        others = tuple(one for one in self.tokens if one.name != name)
        if len(others) >= TOKENS_MOST:
            raise PeopleError(f"there are {TOKENS_MOST} tokens already; remove one first")
        new = Token(name=name, sha256=_sum(token), made=made)
        return self.model_copy(update={"tokens": (*others, new)}), token

    def without_token(self, name: str) -> People:
        """Return everybody, without the token of that name.

        Raises:
            PeopleError: there is none.
        """
        left = tuple(one for one in self.tokens if one.name != name)
        if len(left) == len(self.tokens):
            raise PeopleError(f'no token is called "{name}"; `lastwatt people list` shows all')
        return self.model_copy(update={"tokens": left})

    def token_of(self, secret: str) -> Token | None:
        """Return the token whose secret this is; takes as long whether it is right or wrong."""
        found = None
        given = _sum(secret)
        for token in self.tokens:
            if hmac.compare_digest(token.sha256, given):
                found = token
        return found


def read_people(folder: Path) -> People:
    """Return who may sign in to the page of the state directory *folder*; nobody without a file.

    Raises:
        PeopleError: the file cannot be read, is open to others, or is not such a file.
    """
    path = folder / NAME
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            text = file.read(_BYTES_MOST + 1)
    except FileNotFoundError:
        return People()
    except OSError as error:
        raise PeopleError(f"cannot read {path}: {error.strerror}") from error
    if mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise PeopleError(f"{path} is open to others; run: chmod 600 {path}")
    try:
        if len(text) > _BYTES_MOST:
            raise ValueError
        return People.model_validate_json(text)
    except (ValidationError, ValueError):
        # Without its cause: that would show hashes.
        raise PeopleError(
            f"{path} is damaged; put it back, or remove it and add people anew"
        ) from None


@contextmanager
def changing(folder: Path) -> Iterator[list[People]]:
    """Yield a list of one, the people as they are; what is in it at the end is written.

    One at a time: who comes meanwhile waits.

    Raises:
        PeopleError: as `read_people`, or it cannot be written.
    """
    path = folder / NAME
    try:
        descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise PeopleError(
            f"cannot use {folder}: {error.strerror}; name the agent's state directory"
        ) from error
    try:
        lock = os.open(folder / f".{NAME}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        _own_as(folder, lock)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX)
            held = [read_people(folder)]
            yield held
            _write(path, held[0])
            os.fsync(descriptor)
        finally:
            os.close(lock)
    except OSError as error:
        raise PeopleError(f"cannot write {path}: {error.strerror}") from error
    finally:
        os.close(descriptor)


def _write(path: Path, people: People) -> None:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    text = json.dumps(people.model_dump(mode="json"), indent=1, ensure_ascii=False) + "\n"
    try:
        with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
            _own_as(path.parent, file.fileno())
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def own_as_folder(folder: Path, *paths: Path) -> None:
    """Give files to whom the state directory belongs, where root made them."""
    for path in paths:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            _own_as(folder, descriptor)
        finally:
            os.close(descriptor)


def _own_as(folder: Path, descriptor: int) -> None:
    """Give a file to whom its folder belongs: root adds people, the agent reads them."""
    owner = folder.stat()
    with suppress(PermissionError):  # only root can, and only root has to
        os.fchown(descriptor, owner.st_uid, owner.st_gid)


class PeopleFile:
    """The people of a state directory, read again whenever their file changes."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: tuple[object, People] | None = None

    def now(self) -> People:
        """Return who may sign in at this moment.

        Raises:
            PeopleError: as `read_people`; nobody may then.
        """
        stamp = self._stamp()
        if self._known is None or self._known[0] != stamp:
            self._known = None
            self._known = (stamp, read_people(self._folder))
        return self._known[1]

    def _stamp(self) -> object:
        try:
            found = (self._folder / NAME).stat()
        except OSError:
            return None
        return found.st_ino, found.st_mtime_ns, found.st_size, found.st_mode


def _sum(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
