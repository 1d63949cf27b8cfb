"""Whom to call about a site: `[[contact]]` tables, for the papers that hang in its cabinet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from pydantic import AfterValidator, Field
from pydantic_core import PydanticCustomError

from drivers.settings import Settings


def _line(value: str) -> str:
    if value != value.strip() or len(value) > 80 or not value.isprintable():
        message = "what is said of a contact is one line of at most 80 characters"
        fix = 'write it like phone = "+351 21 000 00 00"'
        raise PydanticCustomError("bad-contact", "{message}", {"message": message, "fix": fix})
    return value


_Line = Annotated[str, AfterValidator(_line)]


class ContactTable(Settings):
    """`[[contact]]`."""

    name: Annotated[_Line, Field(min_length=1, examples=['name = "Ana, boatyard office"'])]
    about: _Line = ""
    phone: _Line = ""
    mail: _Line = ""


@dataclass(frozen=True, slots=True)
class Contact:
    """Somebody to call.

    Attributes:
        about: what to call them about, such as "batteries, wiring"; "" = anything.
        phone, mail: as they are to be dialled or written to; "" = none.
    """

    name: str
    about: str = ""
    phone: str = ""
    mail: str = ""


def contacts_of(tables: Sequence[ContactTable]) -> tuple[Contact, ...]:
    """Return the contacts, in the file's order."""
    return tuple(Contact(one.name, one.about, one.phone, one.mail) for one in tables)
