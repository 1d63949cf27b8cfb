"""Peers on loopback that answer whatever they are told to, or nothing; each in a thread."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

WEB_PAGE = b"<!DOCTYPE html><html><body>Please log in</body></html>"
WEB_ANSWER = (
    b"HTTP/1.1 200 OK\r\nContent-Type: text/html\r\nConnection: close\r\n"
    b"Content-Length: %d\r\n\r\n%s" % (len(WEB_PAGE), WEB_PAGE)
)


@contextmanager
def udp_peer(answer: Callable[[bytes], bytes | None]) -> Iterator[int]:
    """Answer each datagram with what *answer* makes of it, None = nothing; yield the port."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as peer:
        peer.bind(("127.0.0.1", 0))
        peer.settimeout(0.1)
        ended = threading.Event()

        def serve() -> None:
            while not ended.is_set():
                with suppress(TimeoutError):
                    datagram, sender = peer.recvfrom(65535)
                    reply = answer(datagram)
                    if reply is not None:
                        peer.sendto(reply, sender)

        serving = threading.Thread(target=serve)
        serving.start()
        try:
            yield peer.getsockname()[1]
        finally:
            ended.set()
            serving.join()


@contextmanager
def tcp_peer(answer: bytes | None) -> Iterator[int]:
    """Take connections; answer whatever comes by *answer* and hang up, or never; yield the port."""
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(16)
        listener.settimeout(0.1)
        ended = threading.Event()
        held: list[socket.socket] = []

        def serve() -> None:
            while not ended.is_set():
                with suppress(TimeoutError):
                    held.append(listener.accept()[0])
                    if answer is not None:
                        held[-1].settimeout(5.0)
                        with suppress(OSError):
                            held[-1].recv(65535)
                            held[-1].sendall(answer)
                            held[-1].shutdown(socket.SHUT_WR)

        serving = threading.Thread(target=serve)
        serving.start()
        try:
            yield listener.getsockname()[1]
        finally:
            ended.set()
            serving.join()
            for connection in held:
                connection.close()
