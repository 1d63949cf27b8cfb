"""What every TCP conversation with a device needs from its socket, whoever speaks over it."""

from __future__ import annotations

import socket
from contextlib import suppress

DEAD_AFTER_S = 5.0
"""Without an acknowledgement for so long, a device has lost its power or its path."""


def watch_for_death(sock: socket.socket) -> None:
    """Let the kernel notice within seconds that the peer is gone, also while nothing is said.

    TCP_USER_TIMEOUT is the user timeout of RFC 9293 section 3.9.1; keep-alives (RFC 9293 section
    3.8.4) see to it that something is always waiting to be acknowledged.
    """
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, 2)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, 1)
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, int(DEAD_AFTER_S * 1000))


def shut(sock: socket.socket) -> None:
    """Wake whatever thread is inside a call on *sock*; closing alone does not."""
    with suppress(OSError):
        sock.shutdown(socket.SHUT_RDWR)
