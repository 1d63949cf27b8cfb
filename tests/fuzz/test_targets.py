"""What reads bytes from outside bears anything: examples, and whatever hypothesis thinks of."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz.targets import TARGETS, run_once

EXAMPLES = [(name, example) for name, (_, examples) in TARGETS.items() for example in examples]


@pytest.mark.parametrize(("name", "example"), EXAMPLES)
def test_example_is_borne(name: str, example: bytes) -> None:
    """Each was found to hurt once, or stands for a kind of reply."""
    run_once(name, example)


@pytest.mark.parametrize("name", TARGETS)
@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=400))
def test_anything_is_borne(name: str, data: bytes) -> None:
    """A hostile or broken device must not take the agent along."""
    run_once(name, data)
