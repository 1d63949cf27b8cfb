"""What a TLS conversation trusts: a pinned certificate, the CAs of a file, or the box's store."""

from __future__ import annotations

import ssl
import warnings

from drivers.transports.http_messages import OldestTls, Trust
from drivers.transports.pinning import PinnedContext

_OLD_TLS = {"1.0": ssl.TLSVersion.TLSv1, "1.1": ssl.TLSVersion.TLSv1_1}


def client_context(trust: Trust) -> ssl.SSLContext:
    """Return a context for a client that trusts what *trust* says, and nobody else."""
    if trust.fingerprint:
        return speaking(PinnedContext(trust.fingerprint), trust.oldest)
    if trust.ca_pem is None:
        return speaking(ssl.create_default_context(), trust.oldest)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    if trust.ca_pem:
        context.load_verify_locations(cadata=trust.ca_pem)
    return speaking(context, trust.oldest)


def speaking(context: ssl.SSLContext, oldest: OldestTls) -> ssl.SSLContext:
    """Have a context speak a version of TLS that is deprecated, where the file asks for it."""
    if oldest != "1.2":
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # it is, and `check` says so
            context.minimum_version = _OLD_TLS[oldest]
        # Their signatures are SHA-1 and MD5, which OpenSSL offers at this level alone.
        context.set_ciphers("DEFAULT:@SECLEVEL=0")
    return context
