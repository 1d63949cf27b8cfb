"""Templates of the site's file -> requests, and the secrets kept out of whatever is shown."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import quote, quote_plus
from xml.sax.saxutils import escape

from pydantic import JsonValue

from drivers.errors import DeviceRefusedError
from drivers.http_settings import PLACEHOLDER, Call
from drivers.transports.http_messages import HttpRequest, merged

MASK = "***"
TOKEN_MASK = "<token>"


@dataclass(slots=True)
class Session:
    """What the device gave at login, sent along from then on; one an act.

    Attributes:
        cookies: by name; dates and paths are not looked at, since a device's clock may be years
            off and everything here goes to that one device.
        token_cookie: the cookie that is the token, or "".
        is_open: logged in, and owed a logout.
    """

    token: str | None = field(default=None, repr=False)
    cookies: dict[str, str] = field(default_factory=dict, repr=False)
    token_cookie: str = ""
    is_open: bool = False

    def keep(self, set_cookies: tuple[str, ...]) -> None:
        """Take over the Set-Cookie headers of a reply; an empty value or Max-Age=0 ends one."""
        for text in set_cookies:
            pair, *attributes = text.split(";")
            name, _, value = (part.strip() for part in pair.partition("="))
            ended = any(part.replace(" ", "").lower() == "max-age=0" for part in attributes)
            if value and not ended:
                self.cookies[name] = value
            else:
                self.cookies.pop(name, None)


@dataclass(frozen=True, slots=True)
class Renderer:
    """Makes the requests of one device.

    Attributes:
        headers: templates of the headers that go with every request.
        token_header, token_prefix: how the token travels, "" = in no header.
    """

    user: str
    password: str = field(repr=False)
    headers: Mapping[str, str]
    token_header: str = ""
    token_prefix: str = ""

    def request(self, call: Call, session: Session) -> HttpRequest:
        """Return *call* filled in, and beside it the form in which it may be shown.

        Raises:
            DeviceRefusedError: it needs a token or a password, and there is none.
        """
        real = self._values(session)
        shown = {"user": self.user, "password": MASK, "token": TOKEN_MASK}
        content_type, body = _body(call, real, is_shown=False)
        templates = merged(self.headers, call.headers)
        filled = {name: _fill(text, real, _as_it_is) for name, text in templates.items()}
        headers = merged({"Content-Type": content_type} if content_type else {}, filled)
        listed = [f"{n}: {_fill(text, shown, _as_it_is)}" for n, text in templates.items()]
        if session.token is not None and self.token_header:
            headers[self.token_header] = f"{self.token_prefix}{session.token}"
            listed.append(f"{self.token_header}: {self.token_prefix}{TOKEN_MASK}")
        if session.cookies:
            headers["Cookie"] = "; ".join(f"{n}={v}" for n, v in session.cookies.items())
            masks = (n if n != session.token_cookie else "token" for n in session.cookies)
            pairs = zip(session.cookies, masks, strict=True)
            listed.append("Cookie: " + "; ".join(f"{n}=<{mask}>" for n, mask in pairs))
        return HttpRequest(
            method=call.method,
            path=_fill(call.path, real, lambda value: quote(value, safe="")),
            shown_path=_fill(call.path, shown, _as_it_is),
            headers=headers,
            shown_headers=tuple(listed),
            body=None if body is None else body.encode(),
            shown_body=_body(call, shown, is_shown=True)[1] or "",
        )

    def scrub(self, text: str, session: Session) -> str:
        """Return *text*, which a device had a hand in, without any secret that was sent to it."""
        secrets = {self.password, session.token or "", *session.cookies.values()}
        secrets -= {"", TOKEN_MASK}
        forms = {form for secret in secrets for form in _forms(secret)}
        if self.password:
            forms |= _in_base64(f"{self.user}:{self.password}".encode())
        for form in sorted(forms, key=len, reverse=True):  # %c2 and %C2 are the same
            text = re.sub(re.escape(form), MASK, text, flags=re.IGNORECASE)
        return text

    def _values(self, session: Session) -> dict[str, str]:
        values = {"user": self.user}
        if self.password:
            values["password"] = self.password
        if session.token is not None:
            values["token"] = session.token
        return values


def _forms(secret: str) -> set[str]:
    """Return how a device may repeat *secret*."""
    quoted = {quote(secret, safe=""), quote_plus(secret), _in_xml(secret)}
    escaped = {json.dumps(secret)[1:-1], json.dumps(secret, ensure_ascii=False)[1:-1]}
    return {secret} | quoted | escaped | _in_base64(secret.encode())


def _in_base64(secret: bytes) -> set[str]:
    """Return *secret* in base64, whole, and as it looks amid other bytes, its ends left off."""
    whole = base64.b64encode(secret).decode()
    amid = (
        base64.b64encode(b"\0" * shift + secret).decode()[4 if shift else 0 : -4]
        for shift in range(3)
    )
    return {whole, *(text for text in amid if len(text) >= 8)}


def _fill(template: str, values: Mapping[str, str], put: Callable[[str], str]) -> str:
    """Return *template* with its placeholders replaced, in one pass, each value through *put*."""

    def value(name: str) -> str:
        if name not in values:
            raise DeviceRefusedError(
                f"a request needs {{{name}}}, and [device.http] gives none; set "
                + ('auth = "session" and login.token' if name == "token" else f"{name} there")
            )
        return put(values[name])

    return PLACEHOLDER.sub(lambda found: value(found[1]), template)


def _body(call: Call, values: Mapping[str, str], *, is_shown: bool) -> tuple[str, str | None]:
    """Return the content type and the body, or ("", None) for a request without one."""
    if call.json_body is not None:
        filled = _fill_json(call.json_body, values)
        return "application/json", json.dumps(filled, ensure_ascii=False, separators=(",", ":"))
    if call.form is not None:
        put = _as_it_is if is_shown else quote_plus
        pairs = ((name, _fill(text, values, _as_it_is)) for name, text in call.form.items())
        text = "&".join(f"{put(name)}={put(value)}" for name, value in pairs)
        return "application/x-www-form-urlencoded", text
    if call.xml is not None:
        put = _as_it_is if is_shown else _in_xml
        return "application/xml; charset=utf-8", _fill(call.xml, values, put)
    if call.body is not None:
        return "text/plain; charset=utf-8", _fill(call.body, values, _as_it_is)
    return "", None


def _fill_json(value: JsonValue, values: Mapping[str, str]) -> JsonValue:
    match value:
        case str():
            return _fill(value, values, _as_it_is)
        case list():
            return [_fill_json(item, values) for item in value]
        case dict():
            return {key: _fill_json(item, values) for key, item in value.items()}
    return value


def _as_it_is(value: str) -> str:
    return value


def _in_xml(value: str) -> str:
    return escape(value, {'"': "&quot;", "'": "&apos;"})
