"""What every test runs under."""

from __future__ import annotations

import os

from hypothesis import Phase, settings

# Shrinking whole sites can take minutes; a failure in CI prints its example as it was drawn.
settings.register_profile("short", deadline=None, max_examples=100)
settings.register_profile("ci", deadline=None, max_examples=100, phases=[Phase.generate])
settings.load_profile("ci" if os.environ.get("CI") else "short")
