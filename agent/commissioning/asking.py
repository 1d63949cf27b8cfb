"""Questions: asked of a person, or answered from a file; each answer is read before it counts."""

from __future__ import annotations

import ipaddress
import zoneinfo
from collections.abc import Callable, Collection, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Protocol, TypeVar

from pydantic import TypeAdapter, ValidationError

from agent.commissioning.answers import Answers, SecretFiles, key_of
from agent.config.document import Route
from agent.config.fields import Address, Name
from drivers.errors import LastwattError
from drivers.settings import seconds_from

T = TypeVar("T")
Read = Callable[[Any], T]
"""Reads what was typed, or what stands in a file; raises ValueError with what is due instead."""


class AnswerError(LastwattError):
    """An answer of a file for scripts is missing or wrong; its text names the key."""


class Talk(Protocol):
    """Whoever is asked."""

    @property
    def is_person(self) -> bool:
        """Whether somebody is there to be asked; else answers and defaults have to suffice."""
        ...

    def say(self, text: str) -> None:
        """Show a line."""
        ...

    def ask(self, question: str, default: str | None, *, is_hidden: bool = False) -> str:
        """Return what was typed, or the default."""
        ...


class Asking:
    """Puts questions where no answer is known, and keeps what is answered."""

    def __init__(self, talk: Talk, answers: Answers, secrets: SecretFiles) -> None:
        self.talk = talk
        self.answers = answers
        self._secrets = secrets

    def ask(self, route: Route, question: str, read: Read[T], *, default: Any = None) -> T:
        """Return the answer at *route*, as *read* reads it.

        Args:
            route: where it stands among the answers.
            question: what is asked, in plain words.
            read: what reads it.
            default: what Enter stands for, and what a file need not say; None = it must be said.

        Raises:
            AnswerError: a file for scripts lacks it, or has something else there.
        """
        known = self.answers.get(route)
        if known is not None:
            try:
                return read(known)
            except ValueError as error:
                if not self.talk.is_person:
                    raise AnswerError(f"the answers: {key_of(route)}: {error}") from error
                self.talk.say(f"{key_of(route)}: {error}")
        if not self.talk.is_person:
            return self._assumed(route, question, read, default)
        while True:
            typed = self.talk.ask(question, None if default is None else shown(default))
            try:
                found = read(typed)
            except ValueError as error:
                self.talk.say(f"  {error}")
                continue
            self.answers.put(route, found)
            return found

    def _assumed(self, route: Route, question: str, read: Read[T], default: Any) -> T:
        if default is None:
            raise AnswerError(f"the answers lack {key_of(route)}: {question}")
        return read(default)

    def secret(self, route: Route, question: str, name: str) -> dict[str, str]:
        """Return the place of a secret; what is typed goes into a file of its own.

        Raises:
            AnswerError: a file for scripts lacks it, or has the secret itself there.
        """
        known = self.answers.get(route)
        if known is not None:
            try:
                return place(known)
            except ValueError as error:
                raise AnswerError(f"the answers: {key_of(route)}: {error}") from error
        if not self.talk.is_person:
            raise AnswerError(f"the answers lack {key_of(route)}: {question}")
        while True:
            typed = self.talk.ask(f"{question} (hidden; or @FILE)", None, is_hidden=True)
            try:
                found = self._secrets.keep(name, _bytes_of(typed))
            except (ValueError, OSError) as error:
                self.talk.say(f"  {error}")
                continue
            self.answers.put(route, found)
            return found


def _bytes_of(typed: str) -> bytes:
    if typed.startswith("@"):
        return Path(typed[1:]).expanduser().read_bytes()
    if not typed:
        raise ValueError("a secret is due here")
    return typed.encode()


def shown(value: Any) -> str:
    """Return an answer as a person would type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


# What reads answers


def text(value: Any) -> str:
    """Read a text on one line."""
    if isinstance(value, str) and value.strip() and value.strip().isprintable():
        return value.strip()
    raise ValueError("a text on one line is due here")


def maybe(read: Read[T]) -> Read[T | None]:
    """Return what also takes nothing, "" or a blank line, as None."""
    return lambda value: None if value in ("", None) else read(value)


def _by(model: Any) -> Read[str]:
    adapter: TypeAdapter[str] = TypeAdapter(model)

    def read(value: Any) -> str:
        try:
            return adapter.validate_python(value.strip() if isinstance(value, str) else value)
        except ValidationError as error:
            found = error.errors(include_url=False, include_input=False)[0]
            context = found.get("ctx", {})
            said = f"{context['message']}; {context['fix']}" if "fix" in context else found["msg"]
            raise ValueError(said) from None

    return read


name = _by(Name)
address = _by(Address)


def new_name(taken: Collection[str]) -> Read[str]:
    """Return what reads a name that nothing else has."""

    def read(value: Any) -> str:
        found = name(value)
        if found in taken:
            raise ValueError(f'"{found}" is the name of another; give each its own')
        return found

    return read


def one_of(words: Collection[str]) -> Read[str]:
    """Return what reads one of some words."""

    def read(value: Any) -> str:
        if isinstance(value, str) and value.strip() in words:
            return value.strip()
        raise ValueError(f"one of these is due here: {', '.join(words)}")

    return read


def some_of(words: Collection[str]) -> Read[list[str]]:
    """Return what reads some of some words, a list or with commas between; none is fine."""
    one = one_of(words)

    def read(value: Any) -> list[str]:
        parts = value.split(",") if isinstance(value, str) else value
        if not isinstance(parts, list):
            raise ValueError("names are due here, with commas between")
        return [one(part) for part in parts if part != "" and part != " "]

    return read


def yes_no(value: Any) -> bool:
    """Read yes or no."""
    known = {"y": True, "yes": True, "n": False, "no": False}
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.strip().lower() in known:
        return known[value.strip().lower()]
    raise ValueError("yes or no is due here")


def number(*, least: float = 0.0, most: float = 1e6) -> Read[float]:
    """Return what reads a number within bounds; the least itself is too little."""

    def read(value: Any) -> float:
        try:
            found = float(value) if not isinstance(value, bool) else float("nan")
        except (TypeError, ValueError):
            found = float("nan")
        if not least < found <= most:
            raise ValueError(f"a number above {least:g} is due here, up to {most:g}")
        return found

    return read


def whole(*, least: int, most: int) -> Read[int]:
    """Return what reads a whole number within bounds."""

    def read(value: Any) -> int:
        is_one = isinstance(value, int) or (isinstance(value, str) and value.strip().isdecimal())
        if isinstance(value, bool) or not is_one or not least <= int(value) <= most:
            raise ValueError(f"a whole number from {least} to {most} is due here")
        return int(value)

    return read


def day(value: Any) -> date:
    """Read a date."""
    if isinstance(value, date):
        return value
    try:
        return date.fromisoformat(str(value).strip())
    except ValueError:
        raise ValueError("a day is due here, like 2026-03-01") from None


def span(value: Any) -> str:
    """Read a duration with its unit, and return it as it is written."""
    seconds_from(value)
    return str(value)


def time_zone(value: Any) -> str:
    """Read a time zone's name."""
    found = text(value)
    if found in zoneinfo.available_timezones():
        return found
    raise ValueError('a time zone is due here by its IANA name, like "Europe/Lisbon"')


def mac(value: Any) -> str:
    """Read the hardware address of a network card."""
    digits = "".join(char for char in text(value).lower() if char not in ":-.")
    if len(digits) == 12 and all(char in "0123456789abcdef" for char in digits):
        return ":".join(digits[at : at + 2] for at in range(0, 12, 2))
    raise ValueError('a hardware address is due here, like "02:00:5e:10:00:14"')


def place(value: Any) -> dict[str, str]:
    """Read where a secret lies."""
    if (
        isinstance(value, Mapping)
        and len(value) == 1
        and set(value) <= {"file", "env", "credential"}
        and all(isinstance(inner, str) for inner in value.values())
    ):
        return dict(value)
    raise ValueError('a secret\'s place is due here: { file = "…" }, or env, or credential')


MOST_LOOKED_AT = 64
"""Addresses of one look, at most: a site's few, never a network."""


def few_addresses(value: Any) -> str:
    """Read one address, or a small prefix of them."""
    try:
        network = ipaddress.ip_network(text(value), strict=False)
    except ValueError:
        raise ValueError("an address or a prefix is due here, like 192.0.2.16/28") from None
    if network.num_addresses > MOST_LOOKED_AT:
        raise ValueError(
            f"that is {network.num_addresses} addresses; name {MOST_LOOKED_AT} at most, like "
            "192.0.2.0/26"
        )
    if network.is_multicast or network.is_unspecified:
        raise ValueError("no device has such an address")
    return str(network)
