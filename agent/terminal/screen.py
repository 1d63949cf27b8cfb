"""Shows a picture in a terminal and keeps it up to date; the one place that imports rich."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence

from rich.console import Console, ConsoleOptions, RenderResult
from rich.live import Live
from rich.style import Style
from rich.text import Text

from agent.terminal.draw import BLOCKS, PLAIN, Glyphs, Line

STYLES = {
    "head": Style(bold=True),
    "alarm": Style(bold=True, color="red", reverse=True),
    "heed": Style(bold=True, color="yellow"),
    "well": Style(bold=True, color="green"),
    "past": Style(),
    "planned": Style(dim=True),
    "quiet": Style(dim=True),
    "": Style(),
}

Draw = Callable[[int, int, Glyphs], Sequence[Line]]
"""Returns the lines for a width, a height and what to draw by."""


class _Picture:
    """What is drawn anew for whatever size the terminal has."""

    def __init__(self, draw: Draw, glyphs: Glyphs) -> None:
        self._draw, self._glyphs = draw, glyphs

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        height = options.height or options.size.height
        yield from _texts(self._draw(options.max_width, height, self._glyphs))


def _texts(lines: Iterable[Line]) -> Iterable[Text]:
    for line in lines:
        text = Text(no_wrap=True, overflow="crop", end="\n")
        for piece in line:
            text.append(piece.text, STYLES[piece.style])
        yield text


def show_once(draw: Draw, *, width: int = 80, height: int = 200) -> list[str]:
    """Return the picture as plain lines, for a pipe or a file."""
    glyphs = _glyphs_for(os.environ, sys.stdout.encoding)
    return ["".join(piece.text for piece in line).rstrip() for line in draw(width, height, glyphs)]


def keep_showing(draw: Draw, *, wait: Callable[[], None]) -> None:
    """Show the picture until *wait*, which is called between two looks, raises KeyboardInterrupt.

    The terminal is as it was after that.
    """
    console = Console(highlight=False, markup=False, emoji=False)
    glyphs = _glyphs_for(os.environ, console.encoding)
    picture = _Picture(draw, glyphs)
    is_dumb = console.is_dumb_terminal
    with Live(picture, console=console, screen=not is_dumb, auto_refresh=False) as live:
        try:
            while True:
                live.update(picture, refresh=True)
                wait()
        except KeyboardInterrupt:
            return


def _glyphs_for(environment: Mapping[str, str], encoding: str | None) -> Glyphs:
    """Blocks only where locale and stream are UTF-8; Python itself takes the locale C for that."""
    names = {_locale_encoding(environment), encoding or "utf-8"}
    is_utf8 = all(name.lower().replace("-", "") == "utf8" for name in names)
    return BLOCKS if is_utf8 else PLAIN


def _locale_encoding(environment: Mapping[str, str]) -> str:
    for name in ("LC_ALL", "LC_CTYPE", "LANG"):
        if environment.get(name):
            return environment[name].rpartition(".")[2] or "ascii"
    return "ascii"
