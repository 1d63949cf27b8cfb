"""Numbers in words."""

from __future__ import annotations

import math

import pytest

from policies.reasons import duration_text, sureness_text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.4, "0 s"), (45.0, "45 s"), (59.6, "1 min"), (580.0, "9 min 40 s"), (600.0, "10 min"),
        (1265.0, "21 min"), (3600.0, "1 h"), (7500.0, "2 h 5 min"), (7199.0, "2 h"),
        (3599.6, "1 h"), (math.inf, "without end"), (-3.0, "0 s"),
    ],
)  # fmt: skip
def test_durations_read_as_people_say_them(seconds: float, text: str) -> None:
    """An owner reads minutes, not 580.0 s."""
    assert duration_text(seconds) == text


def test_sureness_is_one_minus_the_quantile() -> None:
    """A 5 % quantile is a 95 % promise."""
    assert sureness_text(0.05) == "95 % sure"
    assert sureness_text(0.01) == "99 % sure"
