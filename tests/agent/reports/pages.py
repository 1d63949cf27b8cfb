"""Judges a document: well-formed, in need of nothing from elsewhere, without script."""

from __future__ import annotations

import re
from html.parser import HTMLParser

_VOID = {"meta", "br", "hr", "img", "link", "input", "wbr", "col"}
_FETCHES = {"src", "href", "srcset", "poster", "data", "action", "xlink:href", "background"}
_OUTSIDE = re.compile(r"(?i)url\s*\(|@import|https?://|//[a-z0-9.-]+\.[a-z]{2,}/")


class Page(HTMLParser):
    """A document, read strictly: every tag that opens closes, in order.

    Attributes:
        faults: what is wrong with it.
        text: what a reader sees, style left out.
    """

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.headings: list[str] = []
        self._open: list[str] = []
        self._said: list[str] = []
        self.feed(html)
        self.close()
        self.faults += [f"<{tag}> is never closed" for tag in self._open]
        self.faults += [f'id "{i}" twice' for i in set(self.ids) if self.ids.count(i) > 1]

    @property
    def text(self) -> str:
        """What a reader sees, blanks made one."""
        return " ".join(" ".join(self._said).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in _VOID:
            self._open.append(tag)
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name.startswith("on"):
                self.faults.append(f"<{tag}> has {name}")
            if name in _FETCHES and not (value or "").startswith(("#", "data:image/svg+xml;")):
                self.faults.append(f"<{tag}> fetches {value}")
            if name == "style" and _OUTSIDE.search(value or ""):
                self.faults.append(f"<{tag}> has a style that fetches")
        if tag in ("script", "iframe", "object", "embed", "link", "base", "form"):
            self.faults.append(f"there is a <{tag}>")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in _VOID:
            self._open.pop()

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self._open[-1:]}")
        else:
            self._open.pop()

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            if _OUTSIDE.search(data):
                self.faults.append("the style fetches something")
            return
        self._said.append(data)
        if self._open and self._open[-1] in ("h1", "h2", "h3"):
            self.headings.append(" ".join(data.split()))
