"""Devices that name a recipe get its tables, before anything of them is judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from agent.config.document import Document, Route, Spot
from agent.config.faults import Fault, did_you_mean
from agent.config.fittings import RECIPE_KEYS
from agent.config.merge import merged, spots_below
from agent.config.recipes import BESIDE, USE, Recipe, find, is_name, read_recipe
from agent.errors import ConfigError

_ABSENT = object()


def expanded(document: Document) -> tuple[Document, tuple[Fault, ...]]:
    """Return a site's document with every device's recipe put in, and what is wrong with these.

    A device whose recipe is at fault keeps what its own table says.
    """
    listed = document.value.get("device")
    if not isinstance(listed, list) or not any(
        isinstance(table, Mapping) and RECIPE_KEYS & set(table) for table in listed
    ):
        return document, ()
    work = _Expansion(document)
    devices = [
        work.device(place, table) if isinstance(table, Mapping) else table
        for place, table in enumerate(listed)
    ]
    value = {**document.value, "device": devices}
    places = {**document.places, **work.spots}
    return replace(document, value=value, places=places), tuple(work.faults)


def filled(recipe: Recipe, given: Mapping[str, Any], places: Mapping[str, Spot]) -> Document:
    """Return the tables of a recipe with its variables put in.

    Args:
        recipe: the recipe.
        given: value by variable; what is missing has a default, or is left out.
        places: where each of *given* stands.
    """
    defaults = {n: v.default for n, v in recipe.vars.items() if v.default is not None}
    filling = _Filling(recipe.document, {**defaults, **given}, places)
    value = {key: filling.put_in(table, (key,), (key,)) for key, table in recipe.tables.items()}
    value = {key: table for key, table in value.items() if table is not _ABSENT}
    return replace(recipe.document, value=value, places={**recipe.document.places, **filling.spots})


@dataclass(slots=True)
class _Filling:
    """Variables while they are put into a recipe's tables."""

    document: Document
    values: Mapping[str, Any]
    places: Mapping[str, Spot]
    spots: dict[Route, Spot] = field(default_factory=dict)

    def put_in(self, value: Any, old: Route, new: Route) -> Any:
        """Return what the value at route *old* becomes at route *new*; _ABSENT = nothing."""
        if isinstance(value, Mapping):
            found = {k: self.put_in(v, (*old, k), (*new, k)) for k, v in value.items()}
            return {key: inner for key, inner in found.items() if inner is not _ABSENT}
        if isinstance(value, list):
            return self._put_in_list(value, old, new)
        if isinstance(value, str):
            return self._put_in_text(value, new)
        return value

    def _put_in_list(self, values: list[Any], old: Route, new: Route) -> list[Any]:
        out: list[Any] = []
        for place, value in enumerate(values):
            at = (*new, len(out))
            if place != len(out):
                self.spots[at] = self.document.spot((*old, place))
            found = self.put_in(value, (*old, place), at)
            if found is not _ABSENT:
                out.append(found)
        return out

    def _put_in_text(self, text: str, new: Route) -> Any:
        names = USE.findall(text)
        if not names:
            return text
        if not set(names) <= set(self.values):
            return _ABSENT
        given = [self.places[name] for name in names if name in self.places]
        if given:
            self.spots[new] = given[0]
        if text == f"{{vars.{names[0]}}}":
            return self.values[names[0]]
        return USE.sub(lambda use: _as_text(self.values[use[1]]), text)


def _as_text(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


@dataclass(slots=True)
class _Expansion:
    """A site's document while its devices get their recipes."""

    document: Document
    spots: dict[Route, Spot] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    read: dict[str, Recipe | ConfigError | None] = field(default_factory=dict)

    def device(self, place: int, table: Mapping[str, Any]) -> Mapping[str, Any]:
        """Return a device's table with its recipe's beneath."""
        route: Route = ("device", place)
        own = {key: value for key, value in table.items() if key not in RECIPE_KEYS}
        name = table.get("recipe")
        if name is None:
            if "vars" in table:
                message = "variables belong to a recipe, and this device names none"
                self.fault((*route, "vars"), "unused-table", message, 'add recipe = "…"')
            return own
        recipe = self.recipe(name, route)
        if recipe is None:
            return own
        given = self.given(recipe, table.get("vars", {}), (*route, "vars"))
        if given is None:
            return own
        places = {each: self.document.spot((*route, "vars", each)) for each in given}
        low = filled(recipe, given, places)

        def note(taken: Route) -> None:
            self.spots.update(spots_below(low, taken, onto=route))

        result: Mapping[str, Any] = merged(low.value, own, note)
        return result

    def fault(self, route: Route, code: str, message: str, fix: str) -> None:
        self.faults.append(self.document.fault(route, code, message, fix))

    def recipe(self, name: object, route: Route) -> Recipe | None:
        """Return the recipe of a device; each is read once, however many devices name it."""
        if not isinstance(name, str):
            fix = 'write recipe = "session-json"'
            self.fault((*route, "recipe"), "wrong-type", "a recipe's name is due here", fix)
            return None
        if name not in self.read:
            base = self.folder(name)
            try:
                self.read[name], faults = read_recipe(find(name, base), base)
            except ConfigError as error:
                self.read[name] = error
            else:
                self.faults += faults
        found = self.read[name]
        if isinstance(found, ConfigError):
            message, _, fix = str(found).partition("; ")
            self.fault((*route, "recipe"), "unknown-recipe", message, fix or "mend it")
            return None
        return found

    def folder(self, name: str) -> Path:
        """Return the folder of the site's file, or of the first base that has the recipe beside."""
        folders = [path.parent for path in (self.document.path, *self.document.bases)]
        own = (f for f in folders if is_name(name) and (f / BESIDE / f"{name}.toml").is_file())
        return next(own, folders[0])

    def given(self, recipe: Recipe, table: object, route: Route) -> dict[str, Any] | None:
        """Return the variables that a device gives, or None where they do not suffice."""
        if not isinstance(table, Mapping):
            fix = 'write vars = { user = "…" }'
            self.fault(route, "wrong-type", "a table of variables is due here", fix)
            return None
        before = len(self.faults)
        for name, value in table.items():
            if name not in recipe.vars:
                message = f"recipe {recipe.name} has no such variable"
                fix = did_you_mean(name, recipe.vars)
                self.fault((*route, name), "recipe-variable", message, fix)
                continue
            trouble = recipe.vars[name].trouble(value)
            if trouble:
                fix = recipe.vars[name].about or f"`lastwatt recipe show {recipe.name}` has more"
                self.fault((*route, name), "recipe-variable", trouble, fix)
        for name, variable in recipe.vars.items():
            if variable.default is None and not variable.optional and name not in table:
                what = f" ({variable.about})" if variable.about else ""
                message = f"recipe {recipe.name} needs {name}{what}"
                self.fault(route, "recipe-variable", message, f"add {name} = … to vars")
        return dict(table) if len(self.faults) == before else None
