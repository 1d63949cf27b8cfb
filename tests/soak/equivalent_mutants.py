"""Mutants that were looked at and change nothing that an owner could see, each with the reason."""

from __future__ import annotations

_ORDER = "only the order of these numbers counts"
_ABSENT = "until something is shown, what is absent stays absent whatever this is"
_NO_CUT = "in none of them is 0 s too few and a cut enough"

EQUIVALENT: dict[str, dict[tuple[str, str], str]] = {
    "cut_unproven": {
        ("return 0.0, 0.0, 0.0", "return 0.0, 0.0, -1.0"): _NO_CUT,
        ("return 0.0, 0.0, 0.0", "return 0.0, 0.0, 1.0"): _NO_CUT,
        ("return 0.0, 0.0, 0.0", "return 0.0, 1.0, 0.0"): _NO_CUT,
        ("return 0.0, 0.0, 0.0", "return 1.0, 0.0, 0.0"): _NO_CUT,
        ("return 0.0, 0.0, 0.0", "return -1.0, 0.0, 0.0"): _NO_CUT,
    },
    "short": {
        ("AMPLE = 0", "AMPLE = -1"): _ORDER,
        ("LAST = 3", "LAST = 4"): _ORDER,
    },
    "sight": {
        ("charge_since: float = 0.0", "charge_since: float = 1.0"): _ABSENT,
        ("charge_since: float = 0.0", "charge_since: float = -1.0"): _ABSENT,
        ("runtime_at: float = 0.0", "runtime_at: float = 1.0"): _ABSENT,
        ("runtime_at: float = 0.0", "runtime_at: float = -1.0"): _ABSENT,
    },
}
"""By module: the line as it is and as changed, without indentation and comment."""
