"""A web address that something is sent to, in one bounded exchange."""

from __future__ import annotations

from urllib.parse import urlsplit

import structlog
from pydantic import SecretStr

from agent.notices.signing import HEADER, signature
from drivers.base import Clock
from drivers.errors import DriverError
from drivers.transports.http import LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpRequest, Trust

log = structlog.get_logger()

TRY_S = 5.0
_PORTS = {"http": 80, "https": 443}


class WebAddress:
    """Where something is sent to.

    Attributes:
        host: all of it that may be shown; many services hide a key in the rest.
    """

    def __init__(
        self, url: str, secret: SecretStr | None, *, clock: Clock, trust: Trust | None = None
    ) -> None:
        """Take it apart; *trust* None = the box's own store.

        Raises:
            ValueError: it is no web address; the text may hold it, and must not be shown.
        """
        parts = urlsplit(url)
        self.host = parts.hostname or ""
        self._path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        self._secret = secret
        self._clock = clock
        endpoint = Endpoint(parts.scheme, self.host, parts.port or _PORTS[parts.scheme])
        self._transport = LiveHttp(endpoint, trust or Trust(), Credentials())

    async def send(self, method: str, body: bytes = b"") -> tuple[int, str]:
        """Return the status of the answer, 0 for none, and what was said or went wrong."""
        headers = {"Content-Type": "application/json"} if body else {}
        if self._secret is not None:
            unix_s = int(self._clock.utc().timestamp())
            headers[HEADER] = signature(self._secret, unix_s=unix_s, body=body)
        talk = self._transport.talk()
        try:
            request = HttpRequest(method, self._path, "/***", headers, body=body)
            reply = await talk.exchange(request, timeout_s=TRY_S)
        except DriverError as error:
            return 0, str(error)
        except Exception as error:  # telling must never end the agent
            # Its text may hold the address, and that a key.
            log.error("failed_delivery", host=self.host, kind=type(error).__name__)
            return 0, "by a fault of the agent's own it could not be posted"
        finally:
            await talk.close()
        return reply.status, f"it answered {reply.status} {reply.reason}".rstrip()
