"""The templates of the page: what is filled in is escaped, and every name in them is known."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined

from agent.page.static import Static


def environment(static: Static) -> Environment:
    """Return the templates, which find a file's address by `static("page.css")`."""
    found = Environment(
        loader=PackageLoader("agent.page"), autoescape=True, undefined=StrictUndefined
    )
    found.globals["static"] = static.url
    return found
