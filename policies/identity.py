"""Whether this is the box, and these the units, that were commissioned; else it is only watched.

Boxes are cloned, and private addresses are the same at many sites: an agent that is not where it
was commissioned, or that finds another unit at its unit's address, must not switch anything off.
What was pinned stays pinned until somebody who stands there says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

BOX = "box"
"""The cause that concerns the box itself; the others are units' names, and `MARK` of them."""

_BEGINS, _ENDS, _DIGITS = "[lastwatt ", "]", 12
ATTACHED_MOST = 63
"""Most characters of upsIdentAttachedDevices, RFC 1628 section 4.1."""


@dataclass(frozen=True, slots=True)
class Pins:
    """What was commissioned.

    Attributes:
        box: hash that the box is known by; "" = it could not be told from another.
        units: SNMP engine ID in hex, by unit; those below version 3 have none.
        who: who said that it is so.
        marks: other boxes' marks that units carried then, passed over.
    """

    box: str = ""
    units: Mapping[str, str] = field(default_factory=dict)
    who: str = ""
    marks: Mapping[str, str] = field(default_factory=dict)


def marked_cause(unit: str) -> str:
    """Return the cause that another agent's mark at a unit is."""
    return f"mark at {unit}"


def box_trouble(pins: Pins | None, box: str) -> str:
    """Return why this box is not the one that was commissioned; "" where nothing says so."""
    if pins is None or not pins.box or pins.box == box:
        return ""
    return (
        "this is not the box that was commissioned: another machine works with its journal, such "
        "as a copy of its disk"
    )


def unit_trouble(pins: Pins | None, unit: str, engine_id: str | None) -> str:
    """Return why what answers is not the unit that was commissioned; "" where nothing says so.

    Args:
        pins: what was commissioned, None = nothing yet.
        unit: its name.
        engine_id: what answers there now, in hex; None = it does not say.
    """
    known = None if pins is None else pins.units.get(unit)
    if known is None or engine_id is None or known == engine_id:
        return ""
    return (
        f"what answers as {unit} is not the unit that was commissioned (SNMP engine ID "
        f"{engine_id}, not {known}): its management card was swapped or reset, or another unit has "
        "its address"
    )


# The mark that a unit carries: whose it is. It stands in upsIdentAttachedDevices, where RFC 1628
# has an administrator write what hangs on the unit's output.


def mark_of(attached: str) -> str | None:
    """Return the box whose mark a unit carries, None = nobody's."""
    for rest in attached.split(_BEGINS)[1:]:
        mark, ends, _ = rest.partition(_ENDS)
        if ends and len(mark) == _DIGITS and all(digit in "0123456789abcdef" for digit in mark):
            return mark
    return None


def with_mark(attached: str, box: str) -> str:
    """Return what a unit is to carry so that other agents see whose it is.

    What its administrator wrote stays, as far as there is room for both.
    """
    mark = f"{_BEGINS}{box[:_DIGITS]}{_ENDS}"
    own = attached
    if (before := mark_of(attached)) is not None:
        own = attached.replace(f"{_BEGINS}{before}{_ENDS}", "")
    own = own.strip()[: ATTACHED_MOST - len(mark) - 1].rstrip()
    return f"{own} {mark}" if own else mark


def mark_trouble(pins: Pins | None, unit: str, attached: str) -> str:
    """Return why another agent seems to look after a unit; "" where nothing says so."""
    mark = mark_of(attached)
    if pins is None or not pins.box or mark is None:
        return ""
    if pins.box.startswith(mark) or pins.marks.get(unit) == mark:
        return ""
    return f"another agent looks after {unit} too: it carries the mark of box {mark}"


def why_it_only_watches(causes: Mapping[str, str]) -> str:
    """Return a sentence for who asks; "" where it does not only watch."""
    if not causes:
        return ""
    return (
        f"it only watches, and gives no order: {'; '.join(causes.values())}. If that is as it "
        "should be, say so by `lastwatt commission FILE --state DIR --repin`"
    )
