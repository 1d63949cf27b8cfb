"""What commissioning has found so far: a dated list of passes and failures beside the journal.

It is what lets a commissioning that was broken off, by a phone call or by the box's own loss of
power in the drill, go on where it was; and what the handover report lists.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Any

from agent.errors import ConfigError
from agent.journal.whole_file import write_whole

NAME = "commission.json"
FORMAT = 1


class Verdict(StrEnum):
    """What became of one item."""

    PASS = "pass"
    FAIL = "fail"
    OPEN = "open"  # nobody has looked yet


@dataclass(frozen=True, slots=True)
class Item:
    """One thing that commissioning looks at.

    Attributes:
        key: stable word for machines, and what it concerns: "pin", "device gate recorder".
        said: what was seen, or what to mend.
        on: the day.
        settings: fingerprint of the device's settings then, "" where it concerns none.
    """

    key: str
    what: str
    verdict: Verdict
    said: str
    on: date
    settings: str = ""

    def as_json(self) -> dict[str, Any]:
        """Return it JSON-ready."""
        return {**asdict(self), "verdict": self.verdict.value, "on": self.on.isoformat()}


@dataclass(slots=True)
class Record:
    """The record of one state directory.

    Attributes:
        items: by key, in the order in which they were first looked at.
        drills: by drill, where in the journal it began; a drill that is over stays listed.
    """

    path: Path
    items: dict[str, Item] = field(default_factory=dict)
    drills: dict[str, int] = field(default_factory=dict)

    @classmethod
    def read(cls, folder: Path) -> Record:
        """Return the record in a state directory, a new one where there is none.

        Raises:
            ConfigError: there is one, and it cannot be read.
        """
        path = folder / NAME
        try:
            held = json.loads(path.read_text(encoding="utf-8"))
            items = [_item(fields) for fields in held["items"]]
            drills = {str(name): int(after) for name, after in held["drills"].items()}
        except FileNotFoundError:
            return cls(path)
        except (OSError, ValueError, LookupError, TypeError, AttributeError) as error:
            raise ConfigError(
                f"{path}: is no record of a commissioning ({type(error).__name__}); move it away"
            ) from error
        return cls(path, {item.key: item for item in items}, drills)

    def put(self, item: Item) -> None:
        """Enter an item, in place of an older one of its key, and keep it."""
        self.items[item.key] = item
        self.save()

    def forget(self, keys: Callable[[str], bool]) -> None:
        """Drop the items whose keys these are: they are looked at anew."""
        self.items = {key: item for key, item in self.items.items() if not keys(key)}

    def passed(self, key: str, *, settings: str = "") -> bool:
        """Whether an item was passed, with the settings that hold now."""
        item = self.items.get(key)
        return item is not None and item.verdict is Verdict.PASS and item.settings == settings

    def begin(self, drill: str, after: int) -> None:
        """Note that a drill begins after an entry of the journal."""
        self.drills[drill] = after
        self.save()

    def end(self, drill: str) -> None:
        """Note that a drill is over."""
        self.drills.pop(drill, None)
        self.save()

    def save(self) -> None:
        """Write it."""
        held = {
            "format": FORMAT,
            "items": [item.as_json() for item in self.items.values()],
            "drills": self.drills,
        }
        write_whole(self.path, json.dumps(held, ensure_ascii=False, indent=1) + "\n")


def _item(fields: Mapping[str, Any]) -> Item:
    return Item(
        str(fields["key"]),
        str(fields["what"]),
        Verdict(fields["verdict"]),
        str(fields["said"]),
        date.fromisoformat(fields["on"]),
        str(fields["settings"]),
    )
