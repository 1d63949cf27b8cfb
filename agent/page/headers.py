"""What every response carries, whoever made it: what a browser may do with it, and its date.

Sources: Content Security Policy Level 3, Fetch (the Origin header), RFC 9110 sections 6.6.1 (Date)
and 15.5.2 (every 401 names a way to show who one is), OWASP's cheat sheet of HTTP headers.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from email.utils import format_datetime

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CONTENT_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)

ALWAYS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    # Not "no-referrer": under that a browser sends "Origin: null" with a form of our own.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
"""No Strict-Transport-Security: it would lock people out of a page whose certificate is our own."""


class Headers:
    """Adds the headers to whatever *app* answers; what says nothing of caching is kept nowhere.

    It must be the outermost, so that answers to bad requests have them too.
    """

    def __init__(self, app: ASGIApp, *, utc: Callable[[], datetime]) -> None:
        """Take the application, and wall time."""
        self._app = app
        self._utc = utc

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""

        async def send_with(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=message.setdefault("headers", []))
                for name, value in ALWAYS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
                if message["status"] == 401:
                    headers.setdefault("www-authenticate", "Bearer")
                headers["date"] = format_datetime(self._utc(), usegmt=True)
            await send(message)

        await self._app(scope, receive, send_with)
