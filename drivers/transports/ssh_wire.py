"""What carries one SSH connection: paramiko's transport, less what costs much and gives little.

Hundreds of devices are told within seconds, by a small box, in one process: what each connection
costs the processor is what the last of them waits for.
"""

from __future__ import annotations

import socket

import paramiko
from paramiko.packet import Packetizer

_PIECE = 65536  # bytes: more than any packet has (RFC 4253 section 6.1)


class _InPieces:
    """A socket read in pieces as large as it gives: paramiko takes each packet in three.

    Each of those reads would be a system call, and a turn of the interpreter given away.
    """

    def __init__(self, sock: socket.socket) -> None:
        """Read *sock* from now on."""
        self._sock = sock
        self._piece = b""

    def recv(self, most: int) -> bytes:
        """Return at most so many bytes; b"" = the other end has closed."""
        piece = self._piece
        if not piece:
            piece = self._sock.recv(_PIECE)
            # Servers that send small packets one by one (Nagle, RFC 9293 section 3.7.4) wait with
            # the next for our acknowledgement, which the kernel would hold back for 40 ms.
            self._sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
        self._piece = piece[most:]
        return piece[:most]

    def send(self, data: bytes) -> int:
        """Send what fits, and return how much that was."""
        return self._sock.send(data)

    def close(self) -> None:
        """Close the socket."""
        self._sock.close()


class _Packets(Packetizer):
    """Packets of one connection."""

    def __init__(self, sock: socket.socket) -> None:
        """Read and write *sock*."""
        # All that it asks of a socket is there.
        super().__init__(_InPieces(sock))  # type: ignore[arg-type]

    def start_handshake(self, timeout: float) -> None:
        """Start no timer, which is a thread each: whoever set a deadline shuts the socket."""


class Wire(paramiko.Transport):
    """One connection, from its socket on.

    Of the ciphers those come first that prove what they carry (AES-GCM, RFC 5647): they are one
    pass in the crypto library, where a MAC beside the cipher is compared byte by byte in Python.
    """

    def __init__(self, sock: socket.socket, *, without_keys: list[str]) -> None:
        """Take over a connected socket; host keys *without_keys* are not asked for."""
        super().__init__(
            sock, disabled_algorithms={"keys": without_keys}, packetizer_class=_Packets
        )
        options = self.get_security_options()
        options.ciphers = sorted(options.ciphers, key=lambda name: "-gcm" not in name)
