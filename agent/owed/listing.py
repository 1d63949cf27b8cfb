"""The form of the list of what is owed: lines for people, and beneath them the same for a program.

The lower part says all that undoing needs, for a machine that has neither the agent nor its
journal: whom to speak with in which language, what was done, and what each thing was set to before.
Secrets stand in it as in the site's file: as the places that they lie in.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from agent.errors import ConfigError
from drivers.settings import Settings

MARK = "---- for `lastwatt restore LIST`; nothing below is to be edited ----"
FORMAT = 1


class Entry(Settings):
    """One device that is owed something.

    Attributes:
        acts: what was done: "quiesced", "stopped", "cut".
        since: when, RFC 3339.
        was: stage -> what it was set to before that changed it, in its driver's words.
        drivers: stage -> the driver that serves it.
        tables: a driver's access table by its name, a stage's keys by its own.
        start_s: how long it takes to run again.
    """

    device: str
    address: str = ""
    acts: list[Literal["quiesced", "stopped", "cut"]]
    since: str
    was: dict[str, str] = Field(default_factory=dict)
    drivers: dict[str, str] = Field(default_factory=dict)
    tables: dict[str, dict[str, Any]] = Field(default_factory=dict)
    start_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0


class OwedFile(Settings):
    """The lower part of a list.

    Attributes:
        owed: in the order in which to undo it.
    """

    format: Literal[1] = 1
    site: str
    written: str
    owed: list[Entry]


def with_program_part(text: str, found: OwedFile) -> str:
    """Return the lines for people with the part for a program beneath them."""
    return f"{text}\n{MARK}\n{json.dumps(found.model_dump(), indent=1, ensure_ascii=False)}\n"


def parsed(text: str, *, where: str) -> OwedFile:
    """Return the lower part of a list.

    Args:
        text: the whole list.
        where: its name, for what is said of it.

    Raises:
        ConfigError: it is no such list, or of another release; says what to do.
    """
    _, mark, below = text.partition(MARK)
    if not mark:
        raise ConfigError(
            f"{where} is no list of what is owed: the part for this command is missing; name the "
            "owed.txt of a state directory, or a copy of it"
        )
    try:
        return OwedFile.model_validate(json.loads(below))
    except ValidationError as error:
        first = error.errors(include_input=False, include_url=False, include_context=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ConfigError(
            f"{where}: {place}: {first['msg'].lower()}; take a copy of the list that nobody "
            "edited, or this command in the release that wrote it"
        ) from None
    except ValueError:
        raise ConfigError(
            f"{where} is cut off or damaged below its line of dashes; take another copy of it"
        ) from None


def tables_of(stages: Mapping[str, str], fitted: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the tables of the drivers that serve *stages*, the access tables among them.

    Args:
        stages: stage -> driver.
        fitted: driver -> its tables as the site's file has them.
    """
    found: dict[str, Any] = {}
    for driver in dict.fromkeys(stages.values()):
        tables = fitted.get(driver, {})
        wanted = (driver, *(stage for stage, by in stages.items() if by == driver))
        found |= {name: _plain(tables[name]) for name in wanted if name in tables}
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(held) for key, held in value.items()}
    return [_plain(held) for held in value] if isinstance(value, list | tuple) else value
