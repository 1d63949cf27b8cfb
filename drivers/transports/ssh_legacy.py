"""Algorithms of old SSH servers that paramiko has left out, for the devices that ask by name.

SHA-1 no longer proves who signed (RFC 9142 for key exchange, RFC 8332 for RSA), and a group of
1,024 bits can be broken by those who prepare for it: whoever stands in between may be the device. A
pinned host key is what is left of certainty, and only as far as its own signature holds.
"""

from __future__ import annotations

import hashlib
import socket
from collections.abc import Collection
from typing import Any

import paramiko
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa
from paramiko.kex_group14 import KexGroup14SHA256

from drivers.transports.ssh_wire import Wire

_RSA = "ssh-rsa"


class _Group14Sha1(KexGroup14SHA256):
    """RFC 4253 section 8.2."""

    name = "diffie-hellman-group14-sha1"
    hash_algo = hashlib.sha1


class _Group1Sha1(KexGroup14SHA256):
    """RFC 4253 section 8.1; the prime is Oakley Group 2's, RFC 2409 section 6.2."""

    name = "diffie-hellman-group1-sha1"
    hash_algo = hashlib.sha1
    P = int(
        "FFFFFFFFFFFFFFFFC90FDAA22168C234C4C6628B80DC1CD129024E088A67CC74020BBEA63B139B22514A0879"
        "8E3404DDEF9519B3CD3A431B302B0A6DF25F14374FE1356D6D51C245E485B576625E7EC6F44C42E9A637ED6B"
        "0BFF5CB6F406B7EDEE386BFB5A899FA5AE9F24117C4B1FE649286651ECE65381FFFFFFFFFFFFFFFF",
        16,
    )


class _Sha1RsaKey(paramiko.RSAKey):
    """An RSA host key whose signature is of SHA-1, RFC 4253 section 6.6."""

    def verify_ssh_sig(self, data: bytes, msg: paramiko.Message) -> bool:
        """Return whether *msg* holds a signature of *data* by this key."""
        if msg.get_text() != _RSA:
            return False
        key = self.key
        public = key.public_key() if isinstance(key, rsa.RSAPrivateKey) else key
        assert public is not None, "a host key was read from bytes"
        # Some servers leave leading zeros off.
        signature = msg.get_binary().rjust((public.key_size + 7) // 8, b"\0")
        try:
            public.verify(signature, data, padding.PKCS1v15(), hashes.SHA1())
        except InvalidSignature:
            return False
        return True


_KEX: dict[str, Any] = {kex.name: kex for kex in (_Group14Sha1, _Group1Sha1)}


def legacy_transport(
    sock: socket.socket, names: Collection[str], *, without_keys: list[str]
) -> paramiko.Transport:
    """Return a transport that also speaks the algorithms *names*, after all newer ones.

    Args:
        sock: connected.
        names: of key exchanges and host keys, as RFC 4253 has them.
        without_keys: host key algorithms that are not to be offered.
    """
    more = {name: kex for name, kex in _KEX.items() if name in names}
    base: Any = Wire
    own: dict[str, Any] = {
        "_kex_info": {**base._kex_info, **more},
        "_preferred_kex": (*base._preferred_kex, *more),
    }
    if _RSA in names:
        own["_key_info"] = {**base._key_info, _RSA: _Sha1RsaKey}
        own["_preferred_keys"] = (*base._preferred_keys, _RSA)
    made: paramiko.Transport = type("LegacyTransport", (base,), own)(
        sock, without_keys=without_keys
    )
    return made
