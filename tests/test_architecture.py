"""The house's plan: imports point one way, and each library has one door."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PURE = {
    "__future__", "astral", "bisect", "collections", "dataclasses", "datetime", "enum",
    "functools", "heapq", "itertools", "math", "numpy", "policies", "statistics", "types", "typing",
}  # fmt: skip
MAY = {
    "policies": {"policies"},
    "drivers": {"drivers"},
    "agent": {"agent", "drivers", "policies"},
}
ONE_DOOR = {
    "pysnmp": {
        "drivers/transports/snmp_engine.py",
        "drivers/transports/snmp_protocols.py",
        "drivers/transports/snmp_responder.py",
    },
    "apscheduler": {"agent/regular/schedule.py"},
    "toml_rs": {"agent/config/document.py"},
    "argon2": {"agent/page/passwords.py"},
    "prometheus_client": {"agent/page/metrics.py"},
    "smtplib": {"agent/notices/mail.py"},
    "apprise": {"agent/notices/service.py"},
    "sqlite3": {"agent/journal/journal.py", "agent/journal/file.py"},
}


def sources(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


def imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: only absolute imports"
            assert node.module is not None
            yield node.module


@pytest.mark.parametrize("package", MAY)
def test_imports_point_one_way(package: str) -> None:
    """A policy that reaches into the agent could not be rehearsed."""
    for path in sources(package):
        for name in imports(path):
            top = name.split(".")[0]
            assert top not in MAY or top in MAY[package], f"{path} imports {name}"
            assert top != "tests", f"{path} imports {name}"


def test_policies_import_nothing_impure() -> None:
    """No clock, socket, file or chance can come in by an import."""
    for path in sources("policies"):
        for name in imports(path):
            assert name.split(".")[0] in PURE, f"{path} imports {name}"


def test_policies_never_ask_what_time_it_is() -> None:
    """Dates are for reckoning with the sun; the present moment is an argument."""
    for path in sources("policies"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                assert node.func.attr not in {"now", "utcnow", "today"}, f"{path}:{node.lineno}"


@pytest.mark.parametrize("library", ONE_DOOR)
def test_each_awkward_library_has_one_door(library: str) -> None:
    """What is untyped or blocking is met in one module, behind a typed face."""
    for package in MAY:
        for path in sources(package):
            if any(name.split(".")[0] == library for name in imports(path)):
                assert path.relative_to(ROOT).as_posix() in ONE_DOOR[library], f"{path}: {library}"


def test_nothing_but_the_clock_tells_the_time() -> None:
    """A hidden clock would make a simulated hour differ from a real one."""
    allowed = {"agent/clock.py", "agent/virtual/pace.py"}
    for package in MAY:
        for path in sources(package):
            if path.relative_to(ROOT).as_posix() in allowed:
                continue
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                    call = f"{node.value.id}.{node.attr}"
                    assert call not in {"time.time", "time.monotonic"}, (
                        f"{path}:{node.lineno}: {call}"
                    )


@pytest.mark.parametrize("package", MAY)
def test_every_package_is_typed_and_documented(package: str) -> None:
    """Other people's drivers are checked against ours."""
    assert (ROOT / package / "py.typed").exists()
    for path in sources(package):
        assert ast.get_docstring(ast.parse(path.read_text())), f"{path} has no docstring"
