"""A small web server in threads of its own, for peers whose answers are played."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Answering(BaseHTTPRequestHandler):
    """A request handler that says nothing of its own."""

    protocol_version = "HTTP/1.1"

    def content(self) -> bytes:
        """Return the body of the request."""
        return self.rfile.read(int(self.headers.get("Content-Length") or 0))

    def answer(self, status: int, data: bytes, headers: Mapping[str, str]) -> None:
        """Send a whole response."""
        self.send_response(status)
        for name, value in {**headers, "Content-Length": str(len(data))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, format: str, *args: Any) -> None:
        """Say nothing."""


@contextmanager
def serving_http(address: str, handler: type[BaseHTTPRequestHandler]) -> Iterator[int]:
    """Serve on a free port, which is given."""
    server = ThreadingHTTPServer((address, 0), handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.05})
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        thread.join(10)
        server.server_close()
