"""The http tables of the site's file: what is taken, and what is refused before an outage."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, SecretStr, ValidationError

from drivers.http import KIND
from drivers.http_settings import HttpAccess, Order, Verify
from drivers.settings import SecretSources

TABLES = """
[http]
auth = "session"
user = "watch"
password = { env = "RECORDER" }
tls.fingerprint = "AB:CD:00:11:22:33:44:55:66:77:88:99:aa:bb:cc:ddeeff00112233445566778899AABBCCDD"
headers = { X-Site = "quayside" }
probe = { path = "/api/state" }

[http.login]
path = "/login"
json = { user = "{user}", password = "{password}", keep = { hours = [1, 2.5, true] } }
token = { json = "data.token" }
logout = { method = "DELETE", path = "/sessions/{token}" }

[stop]
calls = [
    { path = "/api/record", form = { on = "0" } },
    { method = "PUT", path = "/api/power", xml = "<off/>", expect = { status = [202] } },
    { path = "/a", body = "off", expect = { xml = { "power/state" = ["off", "stopping"] } } },
]
repeat = "never"
confirm = { path = "/api/state", expect = { json = { state = "stopped", "disks.0.busy" = false } } }
every = "2s"

[verify]
running = { path = "/", expect = { contains = "ready" } }
"""


def test_tables_are_read_as_they_stand_in_a_file() -> None:
    """The forms that the documentation shows do load."""
    tables = tomllib.loads(TABLES)
    sources = SecretSources(base=Path(), env={"RECORDER": "hawser"})

    access = HttpAccess.model_validate(tables["http"], context={"secrets": sources})
    stop = Order.model_validate(tables["stop"])
    verify = Verify.model_validate(tables["verify"])

    assert access.tcp_port() == 443
    assert access.password == SecretStr("hawser")
    assert (
        access.tls.fingerprint == "abcd00112233445566778899aabbccddeeff00112233445566778899aabbccdd"
    )
    assert [call.method for call in stop.requests()] == ["POST", "PUT", "POST"]
    assert stop.every == 2.0
    assert verify.running is not None
    assert "hawser" not in repr(access)


def test_the_smallest_stop_is_one_line() -> None:
    """`stop = { driver = "http", path = "/stop" }`, once driver and takes are taken off."""
    (call,) = Order.model_validate({"path": "/stop"}).requests()

    assert (call.method, call.path, call.expect.status) == ("POST", "/stop", [])


def test_the_port_follows_the_scheme() -> None:
    """It is what the default verification watches."""
    assert KIND.port(HttpAccess()) == 443
    assert KIND.port(HttpAccess(scheme="http")) == 80
    assert KIND.port(HttpAccess(port=8443)) == 8443


@pytest.mark.parametrize(
    ("model", "table", "words"),
    [
        (Order, {}, "give one request"),
        (Order, {"path": "/a", "calls": [{"path": "/b"}]}, "not both"),
        (Order, {"calls": [{"path": "/b"}], "json": {"a": 1}}, "move json into"),
        (Order, {"path": "stop"}, "a path from the root"),
        (Order, {"path": "/a b"}, "a space as %20"),
        (Order, {"path": "/a#b"}, "a path from the root"),
        (Order, {"path": "/a?k={key}"}, "unknown {key}"),
        (Order, {"path": "/a", "json": {"k": ["{passwort}"]}}, "unknown {passwort}"),
        (Order, {"path": "/a", "json": {"k": float("nan")}}, "neither nan nor inf"),
        (Order, {"path": "/a", "json": {"k": tomllib.loads("d = 2026-03-01")["d"]}}, "valid"),
        (Order, {"path": "/a", "json": {}, "body": "x"}, "a request has one body"),
        (Order, {"path": "/a", "method": "GET", "form": {"a": "b"}}, "a GET carries no body"),
        (Order, {"path": "/a", "method": "get"}, "GET"),
        (Order, {"path": "/a", "headers": {"X Y": "1"}}, "not a header"),
        (Order, {"path": "/a", "headers": {"Host": "other"}}, "not a header"),
        (Order, {"path": "/a", "headers": {"X": "1\r\nY: 2"}}, "one line"),
        (Order, {"path": "/a", "expect": {"status": [99]}}, "200"),
        (Order, {"path": "/a", "every": 5}, "with its unit"),
        (Order, {"path": "/a", "repeat": "sometimes"}, "look first"),
        (Order, {"path": "/a", "expct": {}}, "Extra"),
        (Verify, {}, "say what shows it"),
        (HttpAccess, {"auth": "basic", "user": "watch"}, "needs user and password"),
        (HttpAccess, {"auth": "session"}, "go together"),
        (HttpAccess, {"login": {"path": "/login"}}, "go together"),
        (HttpAccess, {"auth": "basic", "user": "a:b", "password": SecretStr("x")}, "a colon"),
        (HttpAccess, {"scheme": "http", "tls": {"name": "x"}}, "no meaning over http"),
        (HttpAccess, {"tls": {"fingerprint": "AB:CD"}}, "64 hex digits"),
        (HttpAccess, {"tls": {"fingerprint": "0" * 64, "name": "x"}}, "says it all"),
        (HttpAccess, {"password": "hawser"}, "never stands in the file"),
        (HttpAccess, {"port": 0}, "greater"),
        (
            HttpAccess,
            {"auth": "session", "login": {"path": "/l", "token": {"json": "a", "xml": "b"}}},
            "one of json, header, xml and cookie",
        ),
    ],
)
def test_a_table_that_makes_no_sense_is_refused(
    model: type[BaseModel], table: dict[str, Any], words: str
) -> None:
    """Said while the file is written, with what to write instead; no secret in the message."""
    with pytest.raises(ValidationError) as caught:
        model.model_validate(table)

    assert words in str(caught.value)
    assert "hawser" not in str(caught.value)


def test_a_ca_file_is_looked_for_beside_the_site_file(tmp_path: Path) -> None:
    """Far from the box it may be absent, and then nothing at all is trusted."""
    sources = SecretSources(base=tmp_path, env=os.environ, must_exist=False)
    table = {"tls": {"ca_file": "yard.pem"}}

    access = HttpAccess.model_validate(table, context={"secrets": sources})

    assert access.tls.ca_file is not None
    assert access.tls.ca_file.pem == ""
    assert sources.absent == [f"CA file {tmp_path / 'yard.pem'}"]
