"""The page's certificate: the site's own, or one that the agent makes for itself and keeps.

One that is made has its own key for life, so that a browser or a program may pin it (RFC 7469's sum
of the public key); it is renewed, with the same key, before it ends. Nobody vouches for it: whoever
first opens the page compares its fingerprint with what `lastwatt page` says on the box.
"""

from __future__ import annotations

import base64
import hashlib
import ipaddress
import os
import socket
import ssl
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID

from agent.config import PageSettings
from drivers.base import Clock
from drivers.errors import LastwattError

CERTIFICATE = "page-certificate.pem"
KEY = "page-key.pem"
LASTS = timedelta(days=800)
"""Some browsers take none that is valid for longer than 825 days."""

RENEWED_BEFORE = timedelta(days=60)

EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""A clock before this was never set, as at the first boot of a box without a battery for it: what
is made then is valid from here on, so that the fingerprint holds once the clock is right."""

LOOK_S = 60.0
"""So often it is looked whether the clock has jumped."""

JUMP_S = 3600.0
EVERY_S = 6 * 3600.0
"""How often it is looked whether the certificate was replaced, or is to be renewed."""


class CertificateError(LastwattError):
    """The page's certificate cannot be read, made or used; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Fingerprint:
    """By what people and programs recognise a certificate.

    Attributes:
        sha256: of the certificate, as browsers show it: hex, in pairs.
        key_sha256: of its public key, base64, as programs pin it.
        ends: when it ends.
        names: what it is for.
    """

    sha256: str
    key_sha256: str
    ends: datetime
    names: tuple[str, ...]


class Certificate:
    """Where the page's certificate lies, and how it is kept up.

    Attributes:
        is_made: by the agent for itself.
        path, key: the files.
        context: the server's side of TLS with it.
    """

    def __init__(
        self, settings: PageSettings, folder: Path, *, utc: Callable[[], datetime]
    ) -> None:
        """Take what the file says, the state directory and wall time; reads nothing yet."""
        self._settings = settings
        self._utc = utc
        self.is_made = settings.certificate is None
        self.path = folder / CERTIFICATE if settings.certificate is None else settings.certificate
        self.key = folder / KEY if settings.key is None else settings.key
        self._loaded: object = None
        self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self.context.set_alpn_protocols(["http/1.1"])

    def keep_up(self) -> bool:
        """Make or renew it where that is due, and use it from now on; whether anything changed.

        Raises:
            CertificateError: it cannot be made, or not be used.
        """
        if self.is_made:
            self._make_if_due()
        stamp = self._stamp()
        if stamp is not None and stamp == self._loaded:
            return False
        try:
            self.context.load_cert_chain(self.path, self.key)
        except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
            raise CertificateError(
                f"cannot use the page's certificate {self.path} with {self.key}: "
                f"{error.strerror if isinstance(error, OSError) else error}; see that both are "
                "there in PEM, belong together, and may be read by the agent"
            ) from error
        self._loaded = stamp
        return True

    def fingerprint(self) -> Fingerprint:
        """Return by what it is recognised.

        Raises:
            CertificateError: it cannot be read.
        """
        try:
            found = x509.load_pem_x509_certificate(self.path.read_bytes())
        except (OSError, ValueError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is no certificate in PEM"
            raise CertificateError(
                f"cannot read the page's certificate {self.path}: {why}"
            ) from error
        public = found.public_key().public_bytes(
            serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
        )
        return Fingerprint(
            sha256=found.fingerprint(hashes.SHA256()).hex(":").upper(),
            key_sha256=base64.b64encode(hashlib.sha256(public).digest()).decode(),
            ends=found.not_valid_after_utc,
            names=tuple(_names_of(found)),
        )

    def _make_if_due(self) -> None:
        try:
            known = x509.load_pem_x509_certificate(self.path.read_bytes())
            wanted = {str(name.value) for name in self._subjects()}
            now = self._utc()
            is_begun = now < EARLIEST or known.not_valid_before_utc <= now  # such a clock tells not
            is_valid = is_begun and now < known.not_valid_after_utc - RENEWED_BEFORE
            if is_valid and wanted <= set(_names_of(known)):
                return
        except (OSError, ValueError):
            pass  # there is none, or it is damaged: the key decides who we are
        try:
            key = self._kept_key()
            self._write(self.path, self._signed(key), 0o644)
        except OSError as error:
            raise CertificateError(
                f"cannot keep a certificate for the page in {self.path.parent}: {error.strerror}"
            ) from error

    def _kept_key(self) -> ec.EllipticCurvePrivateKey:
        try:
            found = serialization.load_pem_private_key(self.key.read_bytes(), None)
            if isinstance(found, ec.EllipticCurvePrivateKey):
                return found
        except (FileNotFoundError, ValueError, TypeError):
            pass
        key = ec.generate_private_key(ec.SECP256R1())
        pem = key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
        self._write(self.key, pem, 0o600)
        return key

    def _signed(self, key: ec.EllipticCurvePrivateKey) -> bytes:
        name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "lastwatt page")])
        now = self._plausible_utc()
        certificate = (
            x509.CertificateBuilder()
            .subject_name(name)
            .issuer_name(name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            # The clock of a small box may be behind when it starts.
            .not_valid_before(now - timedelta(days=2))
            .not_valid_after(now + LASTS)
            .add_extension(x509.SubjectAlternativeName(self._subjects()), critical=False)
            .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
            .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
            .sign(key, hashes.SHA256())
        )
        return certificate.public_bytes(serialization.Encoding.PEM)

    def _plausible_utc(self) -> datetime:
        return max(self._utc(), EARLIEST)

    def _subjects(self) -> list[x509.GeneralName]:
        host = socket.gethostname().lower().rstrip(".")
        listen = ipaddress.ip_address(self._settings.listen[0])
        named = ["localhost", host, f"{host}.local", *self._settings.names]
        found: list[x509.GeneralName] = []
        addresses = [ipaddress.ip_address("127.0.0.1")]
        if not listen.is_unspecified:
            addresses.append(listen)
        for name in dict.fromkeys(named):
            try:
                addresses.append(ipaddress.ip_address(name))
            except ValueError:
                if name.isascii():
                    found.append(x509.DNSName(name))
        return [*found, *(x509.IPAddress(address) for address in dict.fromkeys(addresses))]

    @staticmethod
    def _write(path: Path, content: bytes, mode: int) -> None:
        part = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            opened = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
            with os.fdopen(opened, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            part.replace(path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise

    def _stamp(self) -> object:
        try:
            return [(p.stat().st_ino, p.stat().st_mtime_ns) for p in (self.path, self.key)]
        except OSError:
            return None


async def keep_for_ever(
    certificate: Certificate, clock: Clock, *, on_trouble: Callable[[str], None]
) -> None:
    """Keep a certificate up by the calendar, and at once where the wall clock jumps."""
    ahead_s, looked_at = _ahead_s(clock), clock.monotonic()
    while True:
        await clock.sleep(LOOK_S)
        has_jumped = abs(_ahead_s(clock) - ahead_s) > JUMP_S
        if not has_jumped and clock.monotonic() - looked_at < EVERY_S:
            continue
        ahead_s, looked_at = _ahead_s(clock), clock.monotonic()
        try:
            certificate.keep_up()
        except CertificateError as error:
            on_trouble(str(error))


def _ahead_s(clock: Clock) -> float:
    return clock.utc().timestamp() - clock.monotonic()


def _names_of(certificate: x509.Certificate) -> Iterable[str]:
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return
    for name in found.value:
        if isinstance(name, x509.DNSName | x509.IPAddress):
            yield str(name.value)
