"""HTTP to one device: the only module that imports httpx2, and its dry counterpart.

Redirects are not followed, proxies of the environment are ignored, replies are bounded, and the
time of an exchange is too. What went out is written down as it goes out, secrets masked.
"""

from __future__ import annotations

import asyncio
import contextlib
import functools
import importlib
import logging
import os
import socket
import ssl
import weakref
from collections.abc import Generator, Iterator, Mapping
from typing import Any

import httpcore2
import httpx2

from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.transports.http_challenges import first_known_digest, offers
from drivers.transports.http_messages import (
    MOST_BYTES,
    Credentials,
    Endpoint,
    HttpReply,
    HttpRequest,
    HttpTalk,
    Trust,
    merged,
)
from drivers.transports.pinning import PinMismatchError, PinnedContext, for_people
from drivers.transports.tls import speaking

CONNECT_S = 5.0
"""Longest wait for a TCP connection, and again for TLS; whoever asked may try again."""

KEEP_S = 5.0
"""How long an idle connection of an act is kept: to poll over, too short to go stale."""

_TOO_OLD = frozenset(
    {
        "unsupported protocol",
        "tlsv1 alert protocol version",
        "wrong signature type",
        "ee key too small",
        "dh key too small",
    }
)
"""OpenSSL's reasons where a device's TLS is of a time before 1.2."""

_OWN_HEADERS = {"Accept": "*/*", "Accept-Encoding": "identity", "User-Agent": "lastwatt"}

for _name in ("httpx2", "httpcore2"):  # at debug level they log headers, cookies included
    logging.getLogger(_name).setLevel(logging.WARNING)
with contextlib.suppress(ImportError):  # 20 ms that the first order of an outage need not wait
    importlib.import_module("anyio._backends._asyncio")


class CertificateError(DeviceRefusedError):
    """The device's certificate is not one to trust; no request was sent.

    Attributes:
        presented: its SHA-256 fingerprint, or "" where it was not learnt.
    """

    def __init__(self, message: str, *, presented: str = "") -> None:
        super().__init__(message)
        self.presented = presented


class LiveHttp:
    """The way to one device; TLS is made ready here, so that no order waits for it."""

    def __init__(self, endpoint: Endpoint, trust: Trust, credentials: Credentials) -> None:
        self._endpoint = endpoint
        self._trust = trust
        self._credentials = credentials
        self._context = _context(endpoint.scheme, trust)
        self._talks: weakref.WeakSet[_LiveTalk] = weakref.WeakSet()

    def talk(self) -> HttpTalk:
        """Return the exchanges of a new act."""
        talk = _LiveTalk(self._context, self._endpoint, self._trust, self._credentials)
        self._talks.add(talk)
        return talk

    async def presented(self, *, timeout_s: float) -> str:
        """Return the fingerprint of the certificate that the device shows, or ""."""
        try:
            async with asyncio.timeout(min(CONNECT_S, timeout_s)):
                await asyncio.open_connection(
                    self._endpoint.address, self._endpoint.port, ssl=PinnedContext("")
                )
        except PinMismatchError as error:
            return error.presented
        except (OSError, TimeoutError, ValueError):  # ValueError: the address is no name at all
            return ""
        raise AssertionError("a context that pins nothing accepted a certificate")

    async def close(self) -> None:
        """Close every connection, also those of acts that are under way."""
        for talk in list(self._talks):
            await talk.close()


class DryHttp:
    """Writes down what a live transport would send, and sends nothing."""

    def __init__(self, endpoint: Endpoint, credentials: Credentials) -> None:
        self._endpoint = endpoint
        self._credentials = credentials

    def talk(self) -> HttpTalk:
        """Return the exchanges of a new act."""
        return _DryTalk(self._endpoint, self._credentials)

    async def presented(self, *, timeout_s: float) -> str:
        """Return "": nobody was asked."""
        return ""

    async def close(self) -> None:
        """Do nothing: nothing is open."""


class DeviceDigest(httpx2.DigestAuth):
    """Digest that takes the first challenge it knows, as RFC 7616 section 3.7 asks of a client.

    The base class takes the first header there is: it fails on an unknown algorithm before a known
    one, and does not see a Digest that shares its header with a Basic.
    """

    def auth_flow(
        self, request: httpx2.Request
    ) -> Generator[httpx2.Request, httpx2.Response, None]:
        """Yield the request, and where that is challenged, the request with an answer."""
        flow = super().auth_flow(request)
        try:
            following = next(flow)
            while True:
                response = yield following
                chosen = first_known_digest(response.headers.get_list("www-authenticate"))
                if response.status_code == 401 and chosen:
                    response.headers["www-authenticate"] = chosen
                following = flow.send(response)
        except StopIteration:
            return


class _LiveTalk:
    def __init__(
        self, context: ssl.SSLContext, endpoint: Endpoint, trust: Trust, credentials: Credentials
    ) -> None:
        # A transport and not a client: no cookie jar, no redirects, no log line with the address.
        # One an act: 0.1 ms, and no connection that has gone stale is trusted with an order.
        self._pool = httpx2.AsyncHTTPTransport(
            verify=context,
            trust_env=False,
            limits=httpx2.Limits(max_connections=4, keepalive_expiry=KEEP_S),
        )
        self._endpoint = endpoint
        self._trust = trust
        self._auth = authentication(credentials)
        self._shown_login = _shown_login(credentials)
        self._sent: list[str] = []
        self._was_heard = False
        self._half_open: httpcore2.AsyncNetworkStream | None = None

    @property
    def sent(self) -> tuple[str, ...]:
        return tuple(self._sent)

    async def exchange(self, request: HttpRequest, *, timeout_s: float) -> HttpReply:
        before = len(self._sent)
        self._was_heard = False
        try:
            async with asyncio.timeout(timeout_s):
                return await self._converse(self._message(request, timeout_s))
        except _FAULTS as error:
            raise self._fault(error, was_sent=len(self._sent) > before) from error
        finally:
            # Cut short while it agrees on TLS, httpcore2 forgets the TCP connection below.
            if self._half_open is not None:
                await self._half_open.aclose()
                self._half_open = None

    async def close(self) -> None:
        await self._pool.aclose()

    def _message(self, request: HttpRequest, timeout_s: float) -> httpx2.Request:
        async def trace(event: str, info: Mapping[str, Any]) -> None:
            if event == "connection.connect_tcp.complete":
                self._half_open = info["return_value"]
            if event == "http11.send_request_headers.started":
                self._half_open = None
                names = {name.lower() for name, _ in info["request"].headers}
                login = self._shown_login if b"authorization" in names else ()
                self._sent.append(request.line(self._endpoint, *login))

        waits = httpx2.Timeout(timeout_s, connect=min(CONNECT_S, timeout_s)).as_dict()
        extensions: dict[str, Any] = {"timeout": waits, "trace": trace}
        if self._trust.name:
            extensions["sni_hostname"] = self._trust.name
        headers = merged(_OWN_HEADERS, request.headers)
        return httpx2.Request(
            request.method,
            self._endpoint.url(request.path),
            headers=[(name.encode(), value.encode()) for name, value in headers.items()],
            content=request.body,
            extensions=extensions,
        )

    async def _converse(self, message: httpx2.Request) -> HttpReply:
        async with contextlib.aclosing(self._auth.async_auth_flow(message)) as flow:
            message = await anext(flow)
            while True:
                response, reply = await self._once(message)
                try:
                    message = await flow.asend(response)
                except StopAsyncIteration:
                    return reply

    async def _once(self, message: httpx2.Request) -> tuple[httpx2.Response, HttpReply]:
        response = await self._pool.handle_async_request(message)
        self._was_heard = True
        response.request = message
        certificate = _certificate(response)
        body = bytearray()
        try:
            async with contextlib.aclosing(response.aiter_raw()) as chunks:
                async for chunk in chunks:
                    body += chunk
                    if len(body) > MOST_BYTES:
                        break
        finally:
            await response.aclose()
        challenges = response.headers.get_list("www-authenticate")
        return response, HttpReply(
            status=response.status_code,
            reason=response.reason_phrase,
            headers={name.lower(): value for name, value in response.headers.multi_items()},
            cookies=tuple(response.headers.get_list("set-cookie")),
            offers=offers(challenges),
            body=bytes(body[:MOST_BYTES]),
            is_cut=len(body) > MOST_BYTES,
            certificate=certificate,
        )

    def _fault(self, error: BaseException, *, was_sent: bool) -> DriverError:
        where = f"{self._endpoint.address} port {self._endpoint.port}"
        if not was_sent:
            return _not_sent(error, where, self._trust)
        match error:
            case httpx2.LocalProtocolError():
                self._sent.pop()  # refused by the library, after all, before a byte was written
                return DeviceRefusedError(
                    f"HTTP cannot carry this request to {where}: a header holds a line end"
                )
            case httpx2.RemoteProtocolError() if not self._was_heard and not _hung_up(error):
                return DeviceGarbledError(f"what {where} answers is not HTTP")
            case TimeoutError() | httpx2.TimeoutException():
                return DeviceDroppedError(f"{where} took the request and did not answer in time")
            case httpx2.NetworkError() | httpx2.RemoteProtocolError() | OSError():
                return DeviceDroppedError(f"{where} closed the connection before its answer ended")
        return DeviceGarbledError(f"{where} asks for a login that this program cannot make out")


class _DryTalk:
    def __init__(self, endpoint: Endpoint, credentials: Credentials) -> None:
        self._endpoint = endpoint
        self._scheme = credentials.scheme
        self._shown_login = _shown_login(credentials)
        self._sent: list[str] = []

    @property
    def sent(self) -> tuple[str, ...]:
        return tuple(self._sent)

    async def exchange(self, request: HttpRequest, *, timeout_s: float) -> HttpReply:
        if self._scheme == "digest" and not self._sent:  # the challenge has to be asked for first
            self._sent.append(request.line(self._endpoint))
        self._sent.append(request.line(self._endpoint, *self._shown_login))
        return HttpReply(is_assumed=True)

    async def close(self) -> None:
        """Do nothing: nothing is open."""


_FAULTS = (
    TimeoutError,
    OSError,
    httpx2.HTTPError,
    httpx2.InvalidURL,
    ValueError,  # a login challenge without "=", from httpx2's parser
    NotImplementedError,  # one that allows qop=auth-int alone, from the same
)


def authentication(credentials: Credentials) -> httpx2.Auth:
    """Return how httpx2 logs in with these credentials."""
    match credentials.scheme:
        case "basic":
            return httpx2.BasicAuth(credentials.user, credentials.password)
        case "digest":
            return DeviceDigest(credentials.user, credentials.password)
        case "none":
            return httpx2.Auth()


def _shown_login(credentials: Credentials) -> tuple[str, ...]:
    match credentials.scheme:
        case "basic":
            return ("Authorization: Basic ***",)
        case "digest":
            user = credentials.user
            return (f'Authorization: Digest username="{user}", nonce=<nonce>, response=***',)
        case "none":
            return ()


@functools.cache
def _store() -> ssl.SSLContext:
    """Return the context of the system's store; 30 ms to make, so there is one a process."""
    return httpx2.create_ssl_context(trust_env=False)


def _context(scheme: str, trust: Trust) -> ssl.SSLContext:
    if trust.fingerprint:
        return speaking(PinnedContext(trust.fingerprint), trust.oldest)
    if scheme == "https" and trust.ca_pem is None:
        if trust.oldest == "1.2":
            return _store()
        return speaking(httpx2.create_ssl_context(trust_env=False), trust.oldest)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)  # trusts nobody, also where TLS is not due
    if trust.ca_pem:
        context.load_verify_locations(cadata=trust.ca_pem)
    return speaking(context, trust.oldest)


def _certificate(response: httpx2.Response) -> bytes | None:
    stream = response.extensions.get("network_stream")
    tls = stream.get_extra_info("ssl_object") if stream else None
    return tls.getpeercert(True) if isinstance(tls, ssl.SSLObject) else None


def _causes(error: BaseException) -> Iterator[BaseException]:
    """Yield *error* and what it was raised from; exception groups are walked into.

    httpcore2 drops the cause of its errors and keeps it as their argument. Contexts are of no use:
    they also tell what somebody else was busy with, or what is raised while TLS waits for bytes.
    """
    following = [error]
    while following:
        cause = following.pop()
        yield cause
        following += [found for found in cause.args if isinstance(found, BaseException)]
        if cause.__cause__ is not None and cause.__cause__ not in cause.args:
            following.append(cause.__cause__)
        if isinstance(cause, BaseExceptionGroup):
            following += cause.exceptions


def _hung_up(error: httpx2.RemoteProtocolError) -> bool:
    return str(error).startswith("Server disconnected")


def _advised_on_tls(error: DeviceRefusedError) -> DeviceRefusedError:
    error.add_note(
        "update its firmware; if it knows only TLS 1.0 or 1.1, write "
        'tls = { …, oldest = "1.0" }, and see with `check` what that costs'
    )
    return error


def _not_sent(error: BaseException, where: str, trust: Trust) -> DriverError:
    causes = tuple(_causes(error))
    for cause in causes:
        match cause:
            case PinMismatchError():
                shown = for_people(cause.presented) or "no certificate"
                return CertificateError(
                    f"{where} shows the certificate {shown}, and pinned is "
                    f"{for_people(trust.fingerprint)}",
                    presented=cause.presented,
                )
            case ssl.SSLCertVerificationError():
                why = cause.verify_message.rstrip(".")
                return CertificateError(f"the certificate of {where} is not to be trusted: {why}")
            case ssl.SSLEOFError() | ssl.SSLZeroReturnError():
                return DeviceSilentError(f"{where} hangs up when TLS is asked for")
            case ssl.SSLError():
                why = (cause.reason or "no reason given").replace("_", " ").lower()
                text = f"TLS with {where} came to nothing: {why}"
                if why in _TOO_OLD and trust.oldest == "1.2":
                    return _advised_on_tls(DeviceRefusedError(text))
                return DeviceRefusedError(text) if "alert" in why else DeviceGarbledError(text)
    for cause in causes:
        if isinstance(cause, socket.gaierror):
            return DeviceSilentError(f"nobody knows the address of {where}")
        if isinstance(cause, OSError) and cause.errno:
            why = os.strerror(cause.errno).lower()  # asyncio's own text names a tuple
            return DeviceSilentError(f"nobody answers at {where}: {why}")
    if isinstance(error, httpx2.InvalidURL | ValueError):
        return DeviceRefusedError(
            f"HTTP cannot carry this request to {where}: check address and path"
        )
    return DeviceSilentError(f"nobody answers at {where} in time")
