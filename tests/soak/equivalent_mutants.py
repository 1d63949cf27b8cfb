"""Mutants that were looked at and change nothing that an owner could see, each with the reason."""

from __future__ import annotations

_ORDER = "only the order of these numbers counts"
_ABSENT = "until something is shown, what is absent stays absent whatever this is"
_NO_CUT = "in none of them is 0 s too few and a cut enough"
_FIRST = "the first step holds from now on, whatever its time"
_SAME = "the same value is put where it was"

EQUIVALENT: dict[str, dict[tuple[str, str], str]] = {
    "boot_room": {("break", "continue"): "the same feed is looked for again, and is not there"},
    "comeback": {
        (
            "[LoadStep(0.0, listed_load_w(scene.site, scene.state, unit))], belief.bound_quantile",
            "[LoadStep( 1.0, listed_load_w(scene.site, scene.state, unit))], belief.bound_quantile",
        ): _FIRST,
        (
            "[LoadStep(0.0, listed_load_w(scene.site, scene.state, unit))], belief.bound_quantile",
            "[LoadStep( -1.0, listed_load_w(scene.site, scene.state, unit))], belief.bound_quantile",  # noqa: E501
        ): _FIRST,
    },
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
    "timeline": {
        (
            "dusk_s = max(0.0, state.light_until_at - now)",
            "dusk_s = max( -1.0, state.light_until_at - now)",
        ): "no step may come before the first, and none does: see at_s",
        (
            "if len(beliefs) > 1:",
            "if len(beliefs) > 0:",
        ): "one unit alone is asked twice for the same; it only takes longer",
        (
            "name: belief.end_after_s([LoadStep(0.0, state.units[name].load_w)], quantile)",
            "name: belief.end_after_s([LoadStep( -1.0, state.units[name].load_w)], quantile)",
        ): _FIRST,
        (
            "steps = [LoadStep(0.0, state.units[unit].load_w)]",
            "steps = [LoadStep( -1.0, state.units[unit].load_w)]",
        ): _FIRST,
        (
            "if other != unit and other_s < ends_s[unit]",
            "if other != unit and other_s <= ends_s[unit]",
        ): "a load that comes at the very end changes no end",
        ("if start_at < bounds[user]:", "if start_at <= bounds[user]:"): _SAME,
        (
            "if users[user] or takes_s[user] > 0.0:",
            "if users[user] or takes_s[user] >= 0.0:",
        ): "what nobody uses is passed over only to save time",
    },
}
"""By module: the line as it is and as changed, without indentation and comment."""
