"""The demo's page: what a newcomer opens beside the picture in the terminal."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request

import pytest

from tests.agent.commands import lastwatt
from tests.agent.page.yard_page import free_port


def test_page_at_a_port_that_is_taken_is_refused_in_a_sentence() -> None:
    """An address that shows another program's page would be taken for this one's."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        done = lastwatt("demo", "--fast", "--page", str(port))
        as_json = lastwatt("demo", "--fast", "--json", "--page", str(port))

    assert (done.status, as_json.status) == (2, 2)
    assert f"cannot be served at port {port} (address already in use)" in done.complaint
    assert "http://" not in done.out
    assert as_json.document["ok"] is False


@pytest.mark.alone  # as tests/agent/test_demo.py
def test_demo_serves_the_page_while_it_plays() -> None:
    """Whoever tries lastwatt sees what a phone would show in an outage."""
    port, seen = free_port(), ""
    command = [sys.executable, "-m", "agent", "demo", "--fast", "--json", "--page", str(port)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as playing:
        until = time.monotonic() + 150.0
        while "Heron Lock" not in seen and time.monotonic() < until and playing.poll() is None:
            try:
                with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=5) as answer:
                    seen = answer.read().decode()
            except (urllib.error.URLError, OSError):
                time.sleep(0.2)
        out, _ = playing.communicate(timeout=300)

    assert "Heron Lock" in seen
    assert json.loads(out)["ok"] is True, "the page costs the site nothing"
