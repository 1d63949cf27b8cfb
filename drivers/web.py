"""What drivers that speak over HTTP have in common: where they go, and the way there."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from drivers.http_settings import Tls
from drivers.settings import Settings
from drivers.transports.http import DryHttp, LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpTransport


class WebAccess(Settings):
    """The part of an access table that says where a service listens.

    Attributes:
        port: None = 443 for https, 80 for http.
        tls: whom to trust.
    """

    scheme: Literal["https", "http"] = "https"
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    tls: Tls = Tls()

    @model_validator(mode="after")
    def _tls_has_a_meaning(self) -> Self:
        if self.scheme == "http" and self.tls != Tls():
            raise ValueError('tls has no meaning over http; drop it, or set scheme = "https"')
        return self

    def tcp_port(self) -> int:
        """Return the TCP port that the service listens on."""
        return self.port or (443 if self.scheme == "https" else 80)


def way_to(
    access: WebAccess, address: str, credentials: Credentials, *, dry_run: bool
) -> HttpTransport:
    """Return the way to a service; TLS is made ready at once: 30 ms that no order waits for."""
    endpoint = Endpoint(access.scheme, address, access.tcp_port())
    if dry_run:
        return DryHttp(endpoint, credentials)
    return LiveHttp(endpoint, access.tls.trust(), credentials)
