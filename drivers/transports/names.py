"""Host names to numeric addresses, without ever making the loop, or the program's end, wait."""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import socket
import threading

from drivers.errors import DeviceSilentError


def is_name(host: str) -> bool:
    """Return whether *host* is a name that somebody must resolve."""
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return True
    return False


async def resolved(host: str, *, within_s: float) -> str:
    """Return the numeric address of *host*; a numeric one as it is.

    The question is asked in a thread of its own that nobody joins: the system's resolver can block
    for half a minute, and cannot be told to stop.

    Raises:
        DeviceSilentError: there is no address, or none within *within_s*.
    """
    if not is_name(host):
        return host
    loop = asyncio.get_running_loop()
    found: asyncio.Future[str] = loop.create_future()

    def hand_over(address: str) -> None:
        if not found.done():
            found.set_result(address)

    def look_up() -> None:
        address = ""
        with contextlib.suppress(OSError, UnicodeError):
            address = str(socket.getaddrinfo(host, None, type=socket.SOCK_DGRAM)[0][4][0])
        with contextlib.suppress(RuntimeError):  # the loop may be closed by now
            loop.call_soon_threadsafe(hand_over, address)

    threading.Thread(target=look_up, name=f"resolve {host}", daemon=True).start()
    await asyncio.wait({found}, timeout=max(0.0, within_s))
    if not found.done() or not found.result():
        found.cancel()
        raise DeviceSilentError(
            f"{host}: no address found for this name; write the numeric address into the file, "
            "since the name server may be down when it matters"
        )
    return found.result()
