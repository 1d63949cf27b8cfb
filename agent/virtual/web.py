"""A web face for a virtual machine: a real HTTP server on loopback that can be really gone."""

from __future__ import annotations

import asyncio
import datetime
import hashlib
import ipaddress
import socket
import ssl
from pathlib import Path
from tempfile import TemporaryDirectory

import uvicorn
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol
from uvicorn.server import ServerState

_BACKLOG = 16


def listening(address: str, port: int) -> socket.socket:
    """Return a TCP socket that listens at *address*, on any free port where *port* is 0."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((address, port))
        sock.listen(_BACKLOG)
        sock.setblocking(False)
    except OSError:
        sock.close()
        raise
    return sock


class Identity:
    """A certificate that a machine made for itself, as recorders do; for pinning.

    Attributes:
        fingerprint: SHA-256 of the certificate, as hex.
        context: the server's side of TLS with it.
    """

    def __init__(self, *, name: str, address: str) -> None:
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name[:64])])
        now = datetime.datetime.now(datetime.UTC)
        where = x509.IPAddress(ipaddress.ip_address(address))
        certificate = (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(subject)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - datetime.timedelta(days=1))
            .not_valid_after(now + datetime.timedelta(days=365))
            .add_extension(x509.SubjectAlternativeName([where]), critical=False)
            .sign(key, hashes.SHA256())
        )
        der = certificate.public_bytes(serialization.Encoding.DER)
        self.fingerprint = hashlib.sha256(der).hexdigest()
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        with TemporaryDirectory() as folder:  # the ssl module takes keys from files only
            path = Path(folder) / "identity.pem"
            path.touch(mode=0o600)
            path.write_bytes(
                key.private_bytes(
                    serialization.Encoding.PEM,
                    serialization.PrivateFormat.PKCS8,
                    serialization.NoEncryption(),
                )
                + certificate.public_bytes(serialization.Encoding.PEM)
            )
            self.context.load_cert_chain(path)


class _Life(ServerState):
    """What the connections of one run of a face share."""

    def __init__(self) -> None:
        super().__init__()
        self.is_over = False


class _Connection(H11Protocol):
    """A connection that ends with its face, also where TLS was still being agreed on."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to serve, unless the face was closed in the meantime."""
        super().connection_made(transport)
        assert isinstance(self.server_state, _Life)
        if self.server_state.is_over:
            transport.abort()


class WebFace:
    """Serves an application over HTTP, at one address and port for life.

    uvicorn's protocol speaks HTTP. Its server is left out: that one installs signal handlers,
    ticks ten times a second, and lets connections end in peace, which a power cut does not.
    """

    def __init__(self, app: ASGIApp, *, address: str, identity: Identity | None = None) -> None:
        """Prepare to serve *app*, over TLS where it has an identity; nothing is opened yet."""
        self.address = (address, 0)
        self._loop = asyncio.get_running_loop()
        self._identity = identity
        self._config = uvicorn.Config(
            app,
            http=_Connection,
            ws="none",
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            timeout_keep_alive=120,
        )
        self._config.load()
        self._life = _Life()
        self._socket: socket.socket | None = None
        self._server: asyncio.Server | None = None
        self._accepting: asyncio.Task[None] | None = None

    def open(self) -> None:
        """Listen; connections are taken from now on."""
        if self._socket is not None:
            return
        self._socket = listening(*self.address)
        self.address = self._socket.getsockname()
        self._life = _Life()
        self._accepting = self._loop.create_task(self._accept(self._socket, self._life))

    def close(self) -> None:
        """Stop listening and break every connection off."""
        if self._accepting is not None:
            self._accepting.cancel()
        if self._server is not None:
            self._server.close()
        elif self._socket is not None:
            self._socket.close()
        self._socket = self._server = self._accepting = None
        self._life.is_over = True
        for connection in tuple(self._life.connections):
            connection.transport.abort()

    async def _accept(self, sock: socket.socket, life: _Life) -> None:
        self._server = await self._loop.create_server(
            lambda: _Connection(self._config, life, {}),
            sock=sock,
            ssl=self._identity.context if self._identity else None,
            start_serving=False,  # so that there is no moment at which `close` finds no server
        )
        await self._server.start_serving()
