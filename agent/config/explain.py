"""What pydantic found, said to the person who wrote the file: place, trouble, remedy; no value."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from agent.config.document import Document, Route
from agent.config.faults import Fault, as_written, did_you_mean
from drivers.settings import SecretSources

M = TypeVar("M", bound=BaseModel)

_TYPES: Mapping[str, tuple[str, str]] = {
    "string_type": ("text is due here", 'write it in quotes, like "this"'),
    "float_type": ("a number is due here", "write it without quotes, like 24 or 5.5"),
    "int_type": ("a whole number is due here", "write it without quotes, like 24"),
    "int_from_float": ("a whole number is due here", "write it without a decimal point"),
    "bool_type": ("yes or no is due here", "write true or false, without quotes"),
    "date_type": ("a date is due here", "write it without quotes, like 2025-03-01"),
    "list_type": ("a list is due here", "write it in brackets"),
    "tuple_type": ("a list is due here", "write it in brackets"),
    "dict_type": ("a table is due here", "write it like { key = … }"),
    "model_type": ("a table is due here", "write it like { key = … }, once"),
}
"""Type of pydantic's error -> what is wrong, what to write."""

_BOUNDS: Mapping[str, tuple[str, str]] = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
    "too_short": ("min_length", "at least this many:"),
    "too_long": ("max_length", "at most this many:"),
    "string_too_short": ("min_length", "characters, at least"),
    "string_too_long": ("max_length", "characters, at most"),
}
"""Type of pydantic's error -> where its bound is found, and how it is said."""

_SAID = (
    ("write a duration", "bad-duration"),
    ("a secret never stands", "secret-in-file"),
    ("is open to others", "secret-open"),
    ("secret", "secret-unreadable"),
    ("credential", "secret-unreadable"),
    ("is not set", "secret-unreadable"),
)
"""What a plain ValueError says -> its code; the field types of `drivers.settings` raise those."""


def validated(
    model: type[M],
    value: object,
    document: Document,
    route: Route,
    secrets: SecretSources,
    *,
    also: Iterable[str] = (),
) -> tuple[M | None, list[Fault]]:
    """Return *value*, which stands at *route*, as a *model*; or None and what is wrong with it.

    The keys in *also* are suggested beside the model's own: another model reads those.
    """
    try:
        return model.model_validate(value, context={"secrets": secrets}), []
    except ValidationError as error:
        return None, list(_Teller(model, document, route, frozenset(also)).faults(error))


@dataclass(frozen=True, slots=True)
class _Teller:
    """What is known of the table that an error is about."""

    model: type[BaseModel]
    document: Document
    route: Route
    also: frozenset[str]

    def faults(self, error: ValidationError) -> Iterator[Fault]:
        seen: set[Route] = set()
        for found in error.errors(include_url=False, include_input=False):
            is_missing = found["type"] == "missing"
            place = _route(found["loc"], self.document, self.route, keep_last=is_missing)
            if place in seen:
                continue  # another branch of the same choice
            seen.add(place)
            code, message, fix = self.explained(found, self.document.at(place), place)
            yield self.document.fault(place, code, message, fix)

    def explained(
        self, found: Mapping[str, Any], value: object, place: Route
    ) -> tuple[str, str, str]:
        """Return code, message and fix; *value* is what stands at *place*, and is never shown."""
        kind, context, loc = found["type"], found.get("ctx", {}), found["loc"]
        if kind == "extra_forbidden":
            known = known_keys(self.model, loc[:-1]) | (self.also if len(loc) == 1 else set())
            return "unknown-key", "this key is not known here", did_you_mean(loc[-1], known)
        if kind == "missing":
            return "missing-key", "this key is missing", f"add {_example(self.model, loc)}"
        if kind in _TYPES:
            return "wrong-type", _TYPES[kind][0], _type_fix(kind, value, place)
        if kind == "finite_number":
            return "not-finite", "a finite number is due here", "write a number like 24 or 5.5"
        if kind in _BOUNDS:
            bound, said = _BOUNDS[kind]
            is_span = isinstance(value, str) and isinstance(context[bound], float)
            text = as_written(context[bound]) if is_span else f"{context[bound]:g}"
            return "out-of-range", "this is out of range", f"write {said} {text}"
        if kind == "literal_error":
            return "unknown-word", "this word is not known here", f"write {context['expected']}"
        if "fix" in context:
            return kind, context["message"], context["fix"]
        return _said(str(context.get("error") or found["msg"]))


def _type_fix(kind: str, value: object, place: Route) -> str:
    if kind == "model_type" and isinstance(value, list):
        return f"write [{place[-1]}], with single brackets, and only once"
    if kind == "list_type" and isinstance(value, Mapping):
        return f"write [[{place[-1]}]], with two brackets"
    return _TYPES[kind][1]


def _route(
    loc: tuple[int | str, ...], document: Document, route: Route, *, keep_last: bool
) -> Route:
    """Return pydantic's place as a route of the file: the names of choices drop out of it."""
    for depth, step in enumerate(loc, start=1):
        here = document.at(route)
        if isinstance(here, Mapping):
            known = step in here
        else:
            known = isinstance(here, list) and isinstance(step, int) and step < len(here)
        if known or (keep_last and depth == len(loc)):
            route = (*route, step)
    return route


def _said(text: str) -> tuple[str, str, str]:
    """Return code and both halves of a message that is one text: "what is wrong; what to do"."""
    code = next((code for words, code in _SAID if words in text), "bad-value")
    message, _, fix = text.partition("; ")
    if code == "bad-duration":
        message, fix = "a duration with its unit is due here", text
    return code, message, fix or "mend it"


def _example(model: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    for inner in _models_at(model, loc[:-1]):
        field = inner.model_fields.get(str(loc[-1]))
        if field is not None and field.examples:
            return str(field.examples[0])
    return f"{loc[-1]} = …"


def known_keys(model: type[BaseModel], loc: Iterable[int | str] = ()) -> set[str]:
    """Return the keys that the table at *loc* within a *model* may have."""
    return {
        field.alias or name
        for inner in _models_at(model, loc)
        for name, field in inner.model_fields.items()
    }


def _models_at(model: type[BaseModel], loc: Iterable[int | str]) -> list[type[BaseModel]]:
    found = [model]
    for step in loc:
        fields = [
            field
            for inner in found
            for name, field in inner.model_fields.items()
            if step in (name, field.alias)
        ]
        if fields:  # places in a list, and names of choices, are no fields
            found = [inner for field in fields for inner in _models_in(field)]
    return found


def _models_in(field: FieldInfo) -> Iterator[type[BaseModel]]:
    waiting: list[Any] = [field.annotation]
    while waiting:
        annotation = waiting.pop()
        if isinstance(annotation, type) and issubclass(annotation, BaseModel):
            yield annotation
        waiting += get_args(annotation)
