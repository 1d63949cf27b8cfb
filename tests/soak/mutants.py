"""Change modules of policies/ one small thing at a time: `./tests/run --mutants short due`.

A change that no test notices survives: either a test is missing, or the change changes nothing,
and then `equivalent_mutants` says why. No file is touched: each mutant is imported in place of the
module by a process of its own, which runs only the tests that belong to it. Prints each survivor
as it is found, then the score of each module; status 0 unless a module's own tests fail as it is.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import importlib.abc
import importlib.machinery
import multiprocessing
import os
import random
import re
import resource
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import wait
from multiprocessing.context import ForkProcess
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

import cosmic_ray.ast  # type: ignore[import-not-found,unused-ignore]  # noqa: E402  # own venv
import cosmic_ray.mutating  # type: ignore[import-not-found,unused-ignore]  # noqa: E402
import cosmic_ray.plugins  # type: ignore[import-not-found,unused-ignore]  # noqa: E402
import pytest  # noqa: E402

from tests.soak.equivalent_mutants import EQUIVALENT  # noqa: E402

TESTS = ROOT / "tests" / "policies"

OF_DECIDE = ("decide", "timeline", "cut")
ALSO = {
    "comeback": ("comeback_on_mains", "boot_room", *OF_DECIDE),
    "due": ("cut_unproven", "short", "plan_use", *OF_DECIDE),
    "output_fold": ("output", "state"),
    "shed": OF_DECIDE,
    "unit_state": ("supply", "state", "withdraw"),
}
"""Tests that belong to a module besides its own, which is of the same name."""

CENTRAL = (
    "short", "withdraw", "sight", "recording_gap", "boot_room", "cut_unproven", "comeback", "due",
    "timeline", "output",
)  # fmt: skip
"""What is tried where nothing is named."""

_ARITHMETIC, _ORDER = "(Add|Sub|Mul|Div)", "(Lt|LtE|Gt|GtE)"
OPERATORS = re.compile(
    f"core/(ReplaceBinaryOperator_{_ARITHMETIC}_{_ARITHMETIC}"
    "|ReplaceBinaryOperator_(BitOr_BitAnd|BitAnd_BitOr)"
    f"|ReplaceComparisonOperator_({_ORDER}_{_ORDER}|Eq_NotEq|NotEq_Eq|Is_IsNot|IsNot_Is)"
    "|ReplaceUnaryOperator_(Delete_.*|USub_UAdd)|AddNot|Replace(True|False|And|Or|Break|Continue)With.*"
    "|NumberReplacer|RemoveDecorator|ZeroIterationForLoop)"
)
"""Without those that any run of the line would notice, such as a float shifted: easy marks."""

LIMIT_BASE_S, LIMIT_FACTOR = 10.0, 5.0
MEMORY_MOST = 4 << 30

FORK = multiprocessing.get_context("fork")


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change of one module."""

    line: int
    before: str
    after: str
    code: str


class _Loader(importlib.abc.InspectLoader):
    def __init__(self, name: str, code: str) -> None:
        self.name, self.code = name, code

    def get_source(self, fullname: str) -> str:
        return self.code

    def find_spec(
        self, fullname: str, path: object, target: object = None
    ) -> importlib.machinery.ModuleSpec | None:
        if fullname != self.name:
            return None
        return importlib.machinery.ModuleSpec(fullname, self, origin="mutant")


class _Meaning(ast.NodeTransformer):
    """Takes away what is never evaluated, or what mypy holds.

    These are annotations, how a class is frozen, and which arguments go by name only.
    """

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        node.args = [*node.posonlyargs, *node.args, *node.kwonlyargs]
        node.defaults = [*node.defaults, *(each for each in node.kw_defaults if each is not None)]
        node.posonlyargs, node.kwonlyargs, node.kw_defaults = [], [], []
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Name("object", ast.Load())
        return self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.decorator_list = []
        return self.generic_visit(node)


def _meaning(code: str) -> str | None:
    """What a module does, in a form to compare by; None where it is no Python."""
    try:
        return ast.dump(_Meaning().visit(ast.parse(code)))
    except SyntaxError:
        return None


def mutants_of(code: str) -> list[Mutant]:
    """Return every mutant of a module's code that means something else, each once."""
    seen = {_meaning(code), None}
    found = []
    nodes = list(cosmic_ray.ast.ast_nodes(cosmic_ray.ast.get_ast(code)))
    for name in sorted(filter(OPERATORS.fullmatch, cosmic_ray.plugins.operator_names())):
        operator = cosmic_ray.plugins.get_operator(name)()
        places = [place for node in nodes for place in operator.mutation_positions(node)]
        for occurrence, ((line, _), _) in enumerate(places):
            changed = cosmic_ray.mutating.mutate_code(code, operator, occurrence)
            meaning = _meaning(changed)
            if meaning not in seen:
                seen.add(meaning)
                found.append(_mutant(code, changed, line))
    return sorted(found, key=lambda mutant: (mutant.line, mutant.after))


def _mutant(code: str, changed: str, line: int) -> Mutant:
    old, new = code.splitlines(), changed.splitlines()
    if len(old) != len(new):  # a line is gone: a decorator
        return Mutant(line, _bare(old[line - 1]), "", changed)
    at = next(i for i, pair in enumerate(zip(old, new, strict=True)) if pair[0] != pair[1])
    return Mutant(at + 1, _bare(old[at]), _bare(new[at]), changed)


def _bare(line: str) -> str:
    return line.partition("  # ")[0].strip()


def tests_of(module: str) -> list[Path]:
    """Return the files of tests that belong to a module: its own and those of ALSO.

    Where there are none, those that import it; more would find little more, and take far longer.
    """
    either = rf"^from policies\.{module} import|^from policies import .*\b{module}\b"
    imports = re.compile(either, re.MULTILINE)
    named = [TESTS / f"test_{name}.py" for name in (module, *ALSO.get(module, ()))]
    return [path for path in named if path.exists()] or [
        path for path in sorted(TESTS.glob("test_*.py")) if imports.search(path.read_text())
    ]


def _run(module: str, code: str, tests: Sequence[Path]) -> None:
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_MOST, MEMORY_MOST))
    sys.meta_path.insert(0, _Loader(f"policies.{module}", code))
    # What is imported before the fork needs no rewriting: no test is in it.
    quiet = ["-x", "-q", "-p", "no:cacheprovider", "--hypothesis-seed=0"]
    quiet += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    os._exit(pytest.main([*quiet, *map(str, tests)]))


def _start(module: str, code: str, tests: Sequence[Path]) -> ForkProcess:
    process = FORK.Process(target=_run, args=(module, code, tests))
    process.start()
    return process


def _took_s(module: str, code: str, tests: Sequence[Path]) -> float:
    """How long the tests take on the module as it is; leave if they fail, or see no change."""
    began = time.monotonic()
    process = _start(module, code, tests)
    process.join()
    took_s = time.monotonic() - began
    if process.exitcode != 0:
        sys.exit(f"policies/{module}.py: its tests fail as it is; mend that first")
    broken = _start(module, "raise ValueError", tests)
    broken.join()
    if broken.exitcode == 0:
        sys.exit(f"policies/{module}.py: its tests never import it; name others in ALSO")
    return took_s


def survivors(
    module: str, mutants: Sequence[Mutant], tests: Sequence[Path], *, limit_s: float, jobs: int
) -> Iterator[Mutant]:
    """Give the mutants that no test notices, as they are found; a test that never ends notices."""
    waiting = list(reversed(mutants))
    running: dict[ForkProcess, tuple[Mutant, float]] = {}
    while waiting or running:
        while waiting and len(running) < jobs:
            mutant = waiting.pop()
            running[_start(module, mutant.code, tests)] = (mutant, time.monotonic() + limit_s)
        wait([process.sentinel for process in running], timeout=1.0)
        for process, (mutant, until) in tuple(running.items()):
            if process.is_alive() and time.monotonic() >= until:
                process.kill()
                process.join()
            if not process.is_alive():
                del running[process]
                if process.exitcode == 0:
                    yield mutant


def _scored(module: str, chosen: argparse.Namespace) -> str:
    """Try a module's mutants, tell the survivors, and return its score as a line."""
    code = (ROOT / "policies" / f"{module}.py").read_text()
    tests = tests_of(module)
    if not tests:
        return f"policies/{module}.py: no test belongs to it; name some in ALSO"
    why = EQUIVALENT.get(module, {})
    every = mutants_of(code)
    told = [mutant for mutant in every if (mutant.before, mutant.after) not in why]
    tried = told
    if chosen.sample and chosen.sample < len(told):
        drawn = random.Random(f"{chosen.seed} {module}").sample(range(len(told)), chosen.sample)
        tried = [told[i] for i in sorted(drawn)]
    limit_s = LIMIT_BASE_S + LIMIT_FACTOR * _took_s(module, code, tests)
    alive = 0
    for one in survivors(module, tried, tests, limit_s=limit_s, jobs=chosen.jobs):
        alive += 1
        print(f"policies/{module}.py:{one.line}\n  - {one.before}\n  + {one.after}", flush=True)
    noticed = len(tried) - alive
    share = 100.0 * noticed / len(tried) if tried else 100.0
    of_all = "" if len(tried) == len(told) else f", drawn from {len(told)}"
    names = ", ".join(path.stem.removeprefix("test_") for path in tests)
    return (
        f"policies/{module}.py: {share:.0f} %: {noticed} of {len(tried)} noticed{of_all}; "
        f"{len(every) - len(told)} equivalent left out; by the tests of {names}"
    )


def _chosen() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="./tests/run --mutants", description="Find changes of policies/ that no test notices."
    )
    parser.add_argument(
        "modules", nargs="*", default=CENTRAL, help="of policies/, as in: short due; default: ten"
    )
    parser.add_argument("--sample", type=int, default=0, help="at most so many mutants a module")
    parser.add_argument("--seed", type=int, default=0, help="of the sample (default 0)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="side by side")
    chosen = parser.parse_args()
    chosen.modules = [Path(name).stem for name in chosen.modules]
    for name in chosen.modules:
        if not (ROOT / "policies" / f"{name}.py").exists():
            parser.error(
                f"no module {name} in policies/: name one as in short, or policies/short.py"
            )
    return chosen


def main() -> None:
    """Try every chosen module's mutants and print the scores."""
    chosen = _chosen()
    os.chdir(ROOT)
    for name in ("numpy", "hypothesis.strategies", "pytest_asyncio.plugin"):
        importlib.import_module(name)  # once, for all the processes to come
    lines = []
    for module in chosen.modules:
        lines.append(_scored(module, chosen))
        print(lines[-1], flush=True)
    if len(lines) > 1:
        print("", *lines, sep="\n")


if __name__ == "__main__":
    main()
