"""From what a document says to its HTML or text: templates, escaping, and the style that it brings.

Everything that is filled in is escaped; only pictures, which are made here and escaped themselves,
are taken as they are. What devices wrote is kept from steering anything by its control characters.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

import agent.pictures
from agent.pictures.ride_picture import NARROW, WIDE, ride_picture
from agent.pictures.ride_view import RideView
from agent.reports.pen import elapsed, percent
from policies.reasons import duration_text

_MARK = "\N{REPLACEMENT CHARACTER}"
_HERE = Path(__file__).parent / "templates"
_PICTURES = Path(agent.pictures.__file__).parent / "templates"


def html(template: str, **values: Any) -> str:
    """Return the page that *template*, a file in `templates/`, makes of *values*."""
    return _environment(True).get_template(template).render(**values, style=_style("report.css"))


def text(template: str, **values: Any) -> str:
    """Return the plain text that *template* makes of *values*."""
    return _environment(False).get_template(template).render(**values)


@lru_cache(maxsize=2)
def _environment(escapes: bool) -> Environment:
    made = Environment(
        loader=FileSystemLoader(_HERE),
        autoescape=escapes,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=_together if escapes else _plain,
    )
    made.globals["percent"] = percent
    made.filters["span"] = duration_text
    made.filters["elapsed"] = elapsed
    made.filters["code"] = _code if escapes else str
    return made


def _code(sentence: str) -> Markup:
    """A sentence whose commands, between backquotes, are marked as such."""
    parts = str(_together(sentence)).split("`")
    marked = (
        Markup("<code>{}</code>").format(part)
        if number % 2 and number < len(parts) - 1
        else escape(part)
        for number, part in enumerate(parts)
    )
    return Markup("").join(marked)


_FIGURE = re.compile(r"(?<=\d) (?=(?:min|s|h|d|W|Wh|V|VA|Ah|%)\b|%)")


def _together(value: object) -> object:
    """Keep a figure and its unit on one line."""
    plain = _plain(value)
    return _FIGURE.sub("\N{NO-BREAK SPACE}", plain) if type(plain) is str else plain


def _plain(value: object) -> object:
    """Put what is no letter, as devices may send it, as a mark in its place."""
    if type(value) is not str:
        return value
    if value.isprintable():
        return value
    return "".join(
        c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in value
    )


@lru_cache(maxsize=4)
def _style(name: str) -> Markup:
    return Markup((_HERE / name).read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def picture_style() -> Markup:
    """Return the style of a ride-through's picture, on paper: light whatever the screen is."""
    lines = (_PICTURES / "ride.css").read_text(encoding="utf-8").splitlines()
    return Markup("\n".join(line for line in lines if "prefers-color-scheme" not in line))


def pictures(view: RideView) -> tuple[Markup, Markup]:
    """Return the picture for paper and desk, and the one for a phone; style them once."""
    wide = ride_picture(view, layout=WIDE, name="wide", is_alone=False)
    narrow = ride_picture(view, layout=NARROW, name="narrow", is_alone=False)
    return Markup(_without_prolog(wide)), Markup(_without_prolog(narrow))


def _without_prolog(svg: str) -> str:
    return svg[svg.index("<svg") :]
