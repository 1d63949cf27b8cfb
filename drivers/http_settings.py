"""The http tables of the site's file: how to log in, what to send, what must come back.

Texts may hold the placeholders `{user}`, `{password}` and `{token}`, nothing else between braces.
They are replaced in one pass, so that what is put in is never searched again. In `json` they stand
inside the strings of a TOML table, which is turned into JSON only afterwards; `form`, `xml` and
`path` escape what is put in; `body` takes it as it is. None of the three can be mistaken for JSON:
there a brace is followed by a quote, a space or a brace, never by a bare word.
"""

from __future__ import annotations

import json
import re
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    JsonValue,
    ValidationInfo,
    model_validator,
)

from drivers.settings import Duration, Secret, SecretSources, Settings
from drivers.transports.http_messages import OldestTls, Trust
from drivers.transports.pinning import fingerprint_from

PLACEHOLDER = re.compile(r"\{(user|password|token)\}")
_BRACED_WORD = re.compile(r"\{(\w+)\}")
_TOKEN_NAME = re.compile(r"[!#$%&'*+.^_`|~0-9A-Za-z-]+")  # RFC 9110 section 5.6.2
_OWN_HEADERS = frozenset({"host", "content-length", "transfer-encoding", "connection"})

Method = Literal["GET", "POST", "PUT", "PATCH", "DELETE"]


def _template(text: str) -> str:
    for word in _BRACED_WORD.findall(text):
        if not PLACEHOLDER.fullmatch(f"{{{word}}}"):
            raise ValueError(f"unknown {{{word}}}; write {{user}}, {{password}} or {{token}}")
    return text


def _path(text: str) -> str:
    if not text.startswith("/") or re.search(r"[\s#\x00-\x1f\x7f]", text):
        raise ValueError('write a path from the root, like "/api/stop"; a space as %20')
    return _template(text)


def _header(name: str) -> str:
    if not _TOKEN_NAME.fullmatch(name) or name.lower() in _OWN_HEADERS:
        raise ValueError(f'"{name}" is not a header that can be set here')
    return name


def _one_line(text: str) -> str:
    if re.search(r"[\x00-\x1f\x7f]", text):
        raise ValueError("a header is one line of text")
    return _template(text)


def _sendable(value: JsonValue) -> JsonValue:
    try:
        text = json.dumps(value, allow_nan=False)
    except (TypeError, ValueError):
        raise ValueError("JSON knows no dates, and neither nan nor inf; write a text") from None
    # Looked for between quotes only: two braces and a word are JSON for nothing.
    _template(text)
    return value


Template = Annotated[str, AfterValidator(_template)]
HttpPath = Annotated[str, AfterValidator(_path)]
HeaderName = Annotated[str, AfterValidator(_header)]
HeaderText = Annotated[str, AfterValidator(_one_line)]
JsonTemplate = Annotated[JsonValue, AfterValidator(_sendable)]
Status = Annotated[int, Field(ge=200, le=599)]
Scalar = str | bool | int | Annotated[float, Field(allow_inf_nan=False)]


class Expect(Settings):
    """What a reply must be; everything given must hold.

    Attributes:
        status: statuses that mean success; empty = any from 200 to 299.
        json_values: path such as "data.items.0.state" -> the value, or a list of which one is due.
        xml: element such as "state" or "power/state" (prefixes left out) -> its text, or a list.
        contains: text that must stand in the body.
    """

    status: list[Status] = Field(default=[])
    json_values: dict[str, Scalar | list[Scalar]] = Field(default={}, alias="json")
    xml: dict[str, str | list[str]] = Field(default={})
    contains: str = ""


class Content(Settings):
    """What a request carries, and what must come back.

    Attributes:
        json_body: sent as application/json; form: as application/x-www-form-urlencoded; xml: as
            application/xml; body: as text/plain. At most one; `headers` can set another type.
    """

    method: Method = "POST"
    headers: dict[HeaderName, HeaderText] = Field(default={})
    json_body: JsonTemplate = Field(default=None, alias="json")
    form: dict[str, Template] | None = None
    xml: Template | None = None
    body: str | None = None
    expect: Expect = Expect()

    @model_validator(mode="after")
    def _one_body(self) -> Self:
        given = [b for b in (self.json_body, self.form, self.xml, self.body) if b is not None]
        if len(given) > 1:
            raise ValueError("a request has one body: keep one of json, form, xml and body")
        if given and self.method == "GET":
            raise ValueError('a GET carries no body; use the path, or method = "POST"')
        return self


class Call(Content):
    """One request."""

    path: HttpPath


class Look(Call):
    """A request that only asks."""

    method: Method = "GET"


class TokenFrom(Settings):
    """Where in the login's reply the token stands: exactly one of them."""

    json_path: str = Field(default="", alias="json")
    header: str = ""
    xml: str = ""
    cookie: str = ""

    @model_validator(mode="after")
    def _one_place(self) -> Self:
        if sum(map(bool, (self.json_path, self.header, self.xml, self.cookie))) != 1:
            raise ValueError("say where the token stands: one of json, header, xml and cookie")
        return self


class Login(Call):
    """How a session is opened and closed; cookies of the replies are sent along in any case.

    Attributes:
        token_header: header that carries the token; None = the one it came in, "Authorization"
            where it came in the body, none at all for a cookie.
        token_prefix: what stands before it; None = "Bearer " in Authorization, else nothing.
        logout: sent at the end of each act, also after a failure.
    """

    token: TokenFrom | None = None
    token_header: HeaderName | None = None
    token_prefix: str | None = None
    logout: Call | None = None

    def header_of_token(self) -> str:
        """Return the header that carries the token, or "" where none does."""
        if self.token is None:
            return ""
        if self.token_header is not None:
            return self.token_header
        return "" if self.token.cookie else self.token.header or "Authorization"

    def prefix_of_token(self) -> str:
        """Return what stands before the token in its header."""
        if self.token_prefix is not None:
            return self.token_prefix
        return "Bearer " if self.header_of_token().lower() == "authorization" else ""


@dataclass(frozen=True, slots=True)
class CaFile:
    """A file of CA certificates, read when the site's file is read.

    Attributes:
        pem: its text; "" where it was absent while a file was only checked: trusts nobody.
    """

    path: str
    pem: str

    def __repr__(self) -> str:
        return f"CaFile({self.path!r})"


def _ca_file(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, str):
        return value
    sources = (info.context or {}).get("secrets")
    known = sources if isinstance(sources, SecretSources) else None
    path = (known.base if known else Path()) / value
    try:
        pem = path.read_text()
        ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT).load_verify_locations(cadata=pem)
    except FileNotFoundError:
        if known and not known.must_exist:
            known.absent.append(f"CA file {path}")
            return CaFile(str(path), "")
        raise ValueError(f"there is no CA file {path}") from None
    except (OSError, ValueError) as error:
        raise ValueError(f"CA file {path} holds no certificate in PEM form") from error
    return CaFile(str(path), pem)


class Tls(Settings):
    """Whom to trust, where it is not the box's own store.

    Attributes:
        name: the host name that the certificate speaks of, where the address is a number.
        fingerprint: SHA-256 of the device's certificate; then its name and dates do not matter.
        oldest: oldest version of TLS that is spoken. Below 1.2 (deprecated by RFC 8996) also the
            weak ciphers of that time are, so whoever is on the wire may read along or alter.
    """

    ca_file: Annotated[CaFile, BeforeValidator(_ca_file)] | None = None
    name: str = ""
    fingerprint: Annotated[str, AfterValidator(fingerprint_from)] | None = None
    oldest: OldestTls = "1.2"

    @model_validator(mode="after")
    def _pin_stands_alone(self) -> Self:
        if self.fingerprint and (self.ca_file or self.name):
            raise ValueError("a fingerprint says it all: drop ca_file and name, or the fingerprint")
        return self

    def trust(self) -> Trust:
        """Return what the transport is to go by."""
        pem = self.ca_file.pem if self.ca_file else None
        return Trust(self.fingerprint or "", pem, self.name, self.oldest)


class HttpAccess(Settings):
    """`[device.http]`: where the device listens, and how to log in.

    With scheme "http" everything said can be read along on the wire, a password of "basic" or
    "session" included; `probe` says so.

    Attributes:
        port: None = 443 for https, 80 for http.
        headers: sent with every request.
        probe: what `probe` asks; None = what confirms that it runs, or "/".
        spacing: least pause between two requests of one conversation, for slow recorders.
    """

    scheme: Literal["https", "http"] = "https"
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    auth: Literal["none", "basic", "digest", "session"] = "none"
    user: str = ""
    password: Secret | None = None
    tls: Tls = Tls()
    headers: dict[HeaderName, HeaderText] = Field(default={})
    login: Login | None = None
    probe: Look | None = None
    spacing: Annotated[Duration, Field(le=2)] = 0.0

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.auth in ("basic", "digest") and not (self.user and self.password):
            raise ValueError(f'auth = "{self.auth}" needs user and password')
        if self.auth == "basic" and ":" in self.user:
            raise ValueError('auth = "basic" cannot carry a user with a colon')  # RFC 7617, 2
        if (self.auth == "session") != (self.login is not None):
            raise ValueError('auth = "session" and login go together: give both, or neither')
        if self.scheme == "http" and self.tls != Tls():
            raise ValueError('tls has no meaning over http; drop it, or set scheme = "https"')
        return self

    def tcp_port(self) -> int:
        """Return the TCP port that the device listens on."""
        return self.port or (443 if self.scheme == "https" else 80)


def _one_or_more(value: object) -> object:
    return [value] if isinstance(value, Mapping) else value


class Order(Content):
    """`quiesce`, `stop` or `start`: one request written out, or several in `calls`.

    Attributes:
        repeat: how the whole may be repeated when nobody knows whether it took effect.
        confirm: what asks, afterwards, whether it took effect; every: how often it is asked.
    """

    path: HttpPath | None = None
    calls: list[Call] = Field(default=[])
    repeat: Literal["safe", "look first", "never"] = "look first"
    confirm: Look | None = None
    every: Duration = 1.0

    @model_validator(mode="after")
    def _one_or_several(self) -> Self:
        if (self.path is None) == (not self.calls):
            raise ValueError("give one request (path = …), or several (calls = [ … ]), not both")
        stray = self.model_fields_set & set(Content.model_fields)
        if self.calls and stray:
            names = sorted(name.removesuffix("_body") for name in stray)
            raise ValueError(f"move {', '.join(names)} into the requests of calls")
        return self

    def requests(self) -> tuple[Call, ...]:
        """Return what is to be sent, in order."""
        if self.path is None:
            return tuple(self.calls)
        return (Call.model_validate(self.model_dump(by_alias=True, include={*Call.model_fields})),)


class Quiesce(Order):
    """`quiesce`: an order that may be undone.

    Attributes:
        restore: requests that undo it, harmless where there is nothing to undo.
    """

    restore: Annotated[list[Call], BeforeValidator(_one_or_more)] = Field(default=[])

    def undoing(self) -> Order | None:
        """Return what undoes it, or None."""
        if not self.restore:
            return None
        return Order.model_construct(calls=self.restore, repeat="safe")


class Verify(Settings):
    """`verify`: what asks whether the device runs, or is gone (of something that outlives it)."""

    running: Look | None = None
    gone: Look | None = None
    every: Duration = 1.0

    @model_validator(mode="after")
    def _something(self) -> Self:
        if self.running is None and self.gone is None:
            raise ValueError("say what shows it: running = { path = … }, or gone = { path = … }")
        return self
