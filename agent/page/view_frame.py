"""What every page for people is made in: templates, style, and the leave to use that style.

The style stands in the page itself, so that a slow phone shows it after one round trip. The content
policy allows no style inside a page but this one, which it knows by its hash (Content Security
Policy Level 3, section 2.3.1); scripts stay outside.
"""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Any

from starlette.responses import HTMLResponse

from agent.page.headers import CONTENT_POLICY
from agent.page.rendering import environment
from agent.page.static import Static


class Frame:
    """Renders pages and parts of them.

    Attributes:
        static: the files that go with them.
        release: changes with scripts and styles.
    """

    def __init__(self, static: Static) -> None:
        self.static = static
        self._templates = environment(static)
        self._templates.trim_blocks = self._templates.lstrip_blocks = True
        sheets = (
            files("agent.page") / "static" / "page.css",
            # The same that a picture brings along which stands alone.
            files("agent.pictures") / "templates" / "ride.css",
        )
        style = "\n".join(sheet.read_text("utf-8") for sheet in sheets)
        digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
        self.release = f"{digest[:12]} {static.url('page.js')}"
        self._templates.globals["style"] = style
        self._templates.globals["release"] = self.release
        own = "style-src 'self'"
        self._headers = {
            "content-security-policy": CONTENT_POLICY.replace(own, f"{own} 'sha256-{digest}'")
        }

    def page(self, template: str, status: int = 200, **values: Any) -> HTMLResponse:
        """Return a whole page."""
        return HTMLResponse(self.part(template, **values), status, headers=self._headers)

    def part(self, template: str, **values: Any) -> str:
        """Return what a template makes."""
        return self._templates.get_template(template).render(**values)
