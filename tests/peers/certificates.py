"""Certificates for servers on loopback: a CA of our own, and what devices bring from the works."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
)
from cryptography.x509.oid import NameOID


@dataclass(frozen=True, slots=True)
class Issued:
    """A certificate and its key, in PEM files."""

    certificate: Path
    key: Path

    def fingerprint(self) -> str:
        """Return its SHA-256 fingerprint with colons, as cryptography computes it."""
        return certificate_in(self.certificate).fingerprint(hashes.SHA256()).hex(":")


def certificate_in(path: Path) -> x509.Certificate:
    """Return the certificate of a PEM file."""
    return x509.load_pem_x509_certificate(path.read_bytes())


def self_signed(folder: Path, name: str, *, valid: timedelta = timedelta(days=365)) -> Issued:
    """Make a certificate that vouches for itself, as a device does; a negative *valid* is over."""
    key = ec.generate_private_key(ec.SECP256R1())
    return _write(folder, name, _builder(name, name, key, valid).sign(key, hashes.SHA256()), key)


def with_authority(
    folder: Path, name: str, *, valid: timedelta = timedelta(days=365)
) -> tuple[Path, Issued]:
    """Return the file of a new CA, and a certificate for *name* and 127.0.0.1 that it signed."""
    ca_key = ec.generate_private_key(ec.SECP256R1())
    ca = (
        _builder("yard authority", "yard authority", ca_key, timedelta(days=365))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(ca_key, hashes.SHA256())
    )
    key = ec.generate_private_key(ec.SECP256R1())
    names = [x509.DNSName(name), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
    leaf = (
        _builder(name, "yard authority", key, valid)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .sign(ca_key, hashes.SHA256())
    )
    authority = _write(folder, "authority", ca, ca_key)
    return authority.certificate, _write(folder, "leaf", leaf, key)


def _builder(
    subject: str, issuer: str, key: ec.EllipticCurvePrivateKey, valid: timedelta
) -> x509.CertificateBuilder:
    until = datetime.now(UTC) + valid
    return (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, subject)]))
        .issuer_name(x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, issuer)]))
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(until - abs(valid) - timedelta(days=30))
        .not_valid_after(until)
    )


def _write(
    folder: Path, name: str, certificate: x509.Certificate, key: ec.EllipticCurvePrivateKey
) -> Issued:
    issued = Issued(folder / f"{name}.crt", folder / f"{name}.key")
    issued.certificate.write_bytes(certificate.public_bytes(Encoding.PEM))
    issued.key.write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    return issued
