"""Recipes: a device family described once, in a file that devices of a site name.

A recipe holds the tables that such a device would have (its stages, its drivers' access), with
`{vars.NAME}` where devices differ. It may start from one other recipe, its parent: tables are
merged key by key, and what the recipe itself says wins.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field

from agent.config.document import Document, Route, Spot, read_document
from agent.config.explain import validated
from agent.config.faults import Fault, did_you_mean
from agent.config.merge import merged, spots_below
from agent.config.models import one_word
from agent.errors import ConfigError
from drivers import registry
from drivers.base import Stage
from drivers.settings import SecretSources, Settings, seconds_from

SHIPPED = Path(__file__).parent.parent / "recipes"
"""Where the recipes lie that come with the program."""

BESIDE = "recipes"
"""Folder beside the site's file in which its own recipes are looked for first."""

FORMAT = 1
STAGES = tuple(stage.value for stage in Stage if stage not in (Stage.STOP_ELSE, Stage.CUT))
"""The stages' tables of a recipe; a second way to stop is the second of a list under `stop`."""

USE = re.compile(r"\{vars\.([^{}]*)\}")
_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_VARIABLE = re.compile(r"[a-z][a-z0-9_]*")
_LONGEST_CHAIN = 5
_SECRET = re.compile(r"(.*_)?(password|passphrase|secret|key|community)")
_CARRIED = frozenset({"json", "form", "headers", "xml"})
"""Keys under which the words are the device's own, not the file's."""

_SOURCES = frozenset({"file", "env", "credential"})


class VarType(StrEnum):
    """What a variable may hold."""

    TEXT = "text"
    TEXTS = "list of texts"
    NUMBER = "number"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    SPAN = "duration"
    SECRET = "secret"


_DUE: Mapping[VarType, str] = {
    VarType.TEXT: 'text on one line is due here: "…"',
    VarType.TEXTS: 'a list of texts is due here: ["…"]',
    VarType.NUMBER: "a number is due here, without quotes",
    VarType.WHOLE: "a whole number is due here, without quotes",
    VarType.YES_NO: "true or false is due here, without quotes",
    VarType.SPAN: 'a duration with its unit is due here, like "90s"',
    VarType.SECRET: 'a secret\'s place is due here: { credential = "…" }, { file = "…" } or '
    '{ env = "…" }',
}


class VarTable(Settings):
    """One of `vars`: what differs between devices of the family.

    Attributes:
        about: what it is, for who fills it in.
        default: what it is where the device does not say; without one it must.
        optional: where the device does not say, every key that it would fill is left out.
        example: stands in for it while the recipe is only tried.
        one_of: the values that it may have; empty = any.
        pattern: regular expression that a text must match as a whole.
    """

    about: str = ""
    type: Annotated[VarType, BeforeValidator(one_word(VarType))] = VarType.TEXT
    default: Any = None
    optional: bool = False
    example: Any = None
    one_of: list[str | int] = Field(default=[])
    pattern: str | None = None

    def trouble(self, value: object) -> str:
        """Return what is wrong with a value, or ""."""
        if not _is_of(self.type, value):
            return _DUE[self.type]
        if self.one_of and value not in self.one_of:
            return f"one of {', '.join(map(str, self.one_of))} is due here"
        for text in value if isinstance(value, list) else [value]:
            if self.pattern and isinstance(text, str) and not re.fullmatch(self.pattern, text):
                return f"it must match {self.pattern}"
        return ""


def _is_of(kind: VarType, value: object) -> bool:
    match kind:
        case VarType.TEXT:
            return isinstance(value, str) and value.isprintable() and value != ""
        case VarType.TEXTS:
            return isinstance(value, list) and all(_is_of(VarType.TEXT, text) for text in value)
        case VarType.NUMBER:
            return isinstance(value, int | float) and not isinstance(value, bool)
        case VarType.WHOLE:
            return isinstance(value, int) and not isinstance(value, bool)
        case VarType.YES_NO:
            return isinstance(value, bool)
        case VarType.SPAN:
            try:
                seconds_from(value)
            except ValueError:
                return False
            return True
        case VarType.SECRET:
            return (
                isinstance(value, Mapping)
                and len(value) == 1
                and set(value) <= _SOURCES
                and all(isinstance(place, str) for place in value.values())
            )


class RecipeTable(Settings):
    """The head of a recipe's file; the rest are tables as a device has them."""

    format: Annotated[int, Field(examples=["format = 1"])]
    about: str = ""
    parent: str | None = None
    vars: dict[str, VarTable] = Field(default={})


_HEAD = frozenset(RecipeTable.model_fields)


@dataclass(frozen=True, slots=True)
class Recipe:
    """A recipe, its parents' tables merged into its own.

    Attributes:
        files: its own file, then its parent's, and so on.
        tables: what a device gets of it, variables not yet filled in.
    """

    name: str
    document: Document
    about: str
    vars: Mapping[str, VarTable] = field(default_factory=dict)
    files: tuple[Path, ...] = ()

    @property
    def tables(self) -> Mapping[str, Any]:
        """The tables that a device gets of it, variables not yet filled in."""
        return {key: table for key, table in self.document.value.items() if key not in _HEAD}

    @property
    def languages(self) -> tuple[str, ...]:
        """The drivers that its stages name, each once."""
        stages = [self.tables.get(stage) for stage in STAGES]
        tables = [t for found in stages for t in (found if isinstance(found, list) else [found])]
        named = [str(t["driver"]) for t in tables if isinstance(t, Mapping) and "driver" in t]
        return tuple(dict.fromkeys(named))


def is_name(text: str) -> bool:
    """Whether a recipe of the folder can be called so."""
    return _NAME.fullmatch(text) is not None


def listed(base: Path) -> dict[str, Path]:
    """Return every recipe that a file in folder *base* can name, by its name."""
    folders = (SHIPPED, base / BESIDE)
    found = (path for folder in folders for path in sorted(folder.glob("*.toml")))
    return {path.stem: path for path in found if is_name(path.stem)}


def find(name: str, base: Path, *, but: frozenset[Path] = frozenset()) -> Path:
    """Return the file of a recipe: beside the site's file, shipped, or at an absolute path.

    Args:
        name: its name, or an absolute path.
        base: the site file's folder.
        but: files that it cannot be: a recipe may have a parent of its own name.

    Raises:
        ConfigError: there is none; the text says what to write.
    """
    if Path(name).is_absolute():
        return Path(name)
    known = listed(base)
    if not is_name(name):
        raise ConfigError("a recipe is named like session-json, or by an absolute path")
    for folder in (base / BESIDE, SHIPPED):
        path = folder / f"{name}.toml"
        if path not in but and path.is_file():
            return path
    raise ConfigError(f'no recipe is called "{name}"; {did_you_mean(name, known)}')


def read_recipe(path: Path, base: Path) -> tuple[Recipe | None, list[Fault]]:
    """Return the recipe of the file at *path*, and all that is wrong with it.

    Raises:
        ConfigError: it, or a parent, is not there, cannot be read, or is not TOML.
    """
    document, files = _with_parents(path, base)
    head = {key: value for key, value in document.value.items() if key in _HEAD}
    sources = SecretSources(base, {}, must_exist=False)
    table, faults = validated(RecipeTable, head, document, (), sources)
    if table is None:
        return None, faults
    recipe = Recipe(path.stem, document, table.about, table.vars, files)
    faults += [*_head_faults(recipe, table), *_key_faults(recipe)]
    faults += [fault for name in table.vars for fault in _variable_faults(recipe, name)]
    faults += [*_use_faults(recipe, recipe.tables, ()), *_secret_faults(recipe, recipe.tables, ())]
    return (None if faults else recipe), faults


def _with_parents(path: Path, base: Path) -> tuple[Document, tuple[Path, ...]]:
    """Return a recipe's document with those of its parents merged beneath, and all their files."""
    document = read_document(path)
    files = [path]
    parent = document.value.get("parent")
    while isinstance(parent, str) and parent:
        if len(files) == _LONGEST_CHAIN:
            raise ConfigError(f"{files[-1]}: has too many parents, or goes round in a circle")
        files.append(find(parent, base, but=frozenset(files)))
        low = read_document(files[-1])
        parent = low.value.get("parent")
        spots: dict[Route, Spot] = dict(document.places)
        value = merged(low.value, document.value, partial(_note, low, spots))
        document = replace(document, value=value, places=spots)
    return document, tuple(files)


def _note(low: Document, spots: dict[Route, Spot], route: Route) -> None:
    spots.update(spots_below(low, route))


def _head_faults(recipe: Recipe, table: RecipeTable) -> Iterator[Fault]:
    document = recipe.document
    if table.format != FORMAT:
        message = "this format of recipes is not known here"
        yield document.fault(("format",), "unknown-format", message, f"write format = {FORMAT}")
    if not any(stage in recipe.tables for stage in STAGES):
        yield document.fault(
            (),
            "recipe-empty",
            "this recipe neither stops anything nor brings it to rest",
            'add [stop] with driver = "…"',
        )


def _key_faults(recipe: Recipe) -> Iterator[Fault]:
    """Find tables that a recipe cannot give to a device."""
    known = {*STAGES, *registry.names(), *_HEAD}
    for key in recipe.tables:
        if key not in known:
            yield recipe.document.fault(
                (key,), "unknown-key", "a recipe has no such table", did_you_mean(key, known)
            )


def _variable_faults(recipe: Recipe, name: str) -> Iterator[Fault]:
    variable, route = recipe.vars[name], ("vars", name)
    if not _VARIABLE.fullmatch(name):
        message = "a variable is named with small letters, digits and _"
        yield recipe.document.fault(route, "bad-name", message, "write it like admin_port")
    if variable.pattern is not None:
        try:
            re.compile(variable.pattern)
        except re.error as error:
            message = f"this is no regular expression: {error}"
            place = (*route, "pattern")
            yield recipe.document.fault(place, "bad-value", message, "mend it, or remove it")
            return
    for key, value in (("default", variable.default), ("example", variable.example)):
        trouble = "" if value is None else variable.trouble(value)
        if trouble:
            place = (*route, key)
            yield recipe.document.fault(place, "recipe-variable", trouble, f"mend the {key}")
    if variable.optional and variable.default is not None:
        message = "a variable with a default is never left out"
        fix = "remove optional, or the default"
        yield recipe.document.fault((*route, "optional"), "recipe-variable", message, fix)


def _use_faults(recipe: Recipe, value: object, route: Route) -> Iterator[Fault]:
    """Find uses of variables that are not there, or that cannot stand within a text."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _use_faults(recipe, inner, (*route, key))
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _use_faults(recipe, inner, (*route, place))
    elif isinstance(value, str):
        for use in USE.finditer(value):
            variable = recipe.vars.get(use[1])
            if variable is None:
                message = f'no variable is called "{use[1]}"'
                fix = f"add a table [vars.{use[1]}], or {did_you_mean(use[1], recipe.vars)}"
                yield recipe.document.fault(route, "recipe-variable", message, fix)
            elif use[0] != value and variable.type in (VarType.SECRET, VarType.TEXTS):
                message = f"a {variable.type} cannot stand within a text"
                fix = f'write "{use[0]}" alone'
                yield recipe.document.fault(route, "recipe-variable", message, fix)


def _secret_faults(recipe: Recipe, value: object, route: Route) -> Iterator[Fault]:
    """Find secrets written out: `recipe show` would print them, and the next site share them."""
    if isinstance(value, list):
        for place, inner in enumerate(value):
            yield from _secret_faults(recipe, inner, (*route, place))
    if not isinstance(value, Mapping):
        return
    for key, inner in value.items():
        if key in _CARRIED:
            continue
        is_open = isinstance(inner, str) and _SECRET.fullmatch(key) and not USE.fullmatch(inner)
        if is_open:
            yield recipe.document.fault(
                (*route, key),
                "secret-in-file",
                "a secret never stands in a recipe",
                'write "{vars.NAME}" and a variable of type "secret"',
            )
        yield from _secret_faults(recipe, inner, (*route, key))
