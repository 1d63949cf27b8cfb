"""What the box is known by, as a hash: its machine-id and the address of its first network card.

A copy of its disk has the same machine-id (machine-id(5)) in another machine, with another card.
Neither leaves the box.
"""

from __future__ import annotations

import hashlib
from contextlib import suppress
from pathlib import Path

_MACHINE_ID = Path("etc/machine-id")
_CARDS = Path("sys/class/net")


def box_identity(root: Path = Path("/")) -> str:
    """Return the hash that the box is known by, "" where nothing tells it from another.

    Without a card of its own, as in a container, whose address is drawn anew at each start, the
    machine-id has to do.

    Args:
        root: what stands for "/".
    """
    machine_id = ""
    with suppress(OSError):
        machine_id = (root / _MACHINE_ID).read_text(encoding="ascii", errors="replace").strip()
    parts = [part for part in (machine_id, _first_card(root / _CARDS)) if part]
    if not parts:
        return ""
    # As machine-id(5) asks: hashed with a word of our own, so that it is of no use elsewhere.
    return hashlib.sha256("\n".join(("lastwatt box", *parts)).encode()).hexdigest()[:32]


def _first_card(folder: Path) -> str:
    """Return the hardware address of the first network card that is one, "" where there is none."""
    with suppress(OSError):
        for card in sorted(folder.iterdir()):
            if not (card / "device").exists():
                continue  # a bridge, a tunnel, a container's end of a pair
            address = (card / "address").read_text(encoding="ascii", errors="replace").strip()
            if address.strip("0:"):
                return address
    return ""
