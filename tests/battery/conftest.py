"""A group of its own: PyBaMM weighs half a gigabyte, so `./tests/run --battery` alone has it."""

from __future__ import annotations

import importlib.util

collect_ignore_glob = [] if importlib.util.find_spec("pybamm") else ["test_*.py"]
