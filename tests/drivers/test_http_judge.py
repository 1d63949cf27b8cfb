"""What replies mean: status, body, Retry-After."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from drivers.base import Verdict
from drivers.http_judge import Finding, judge, retry_after_s
from drivers.http_settings import Expect
from drivers.transports.http_messages import HttpReply

NOW = datetime(2026, 11, 25, 12, 0, 0, tzinfo=UTC)
BOMB = (
    b'<?xml version="1.0"?><!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]>'
    b"<a>&c;&c;</a>"
)


def judged(expect: dict[str, Any], body: bytes = b"", *, status: int = 200, **h: str) -> Finding:
    """Return what a reply means to *expect*; header names with _ for -."""
    headers = {name.replace("_", "-"): value for name, value in h.items()}
    return judge(
        HttpReply(status=status, reason="As Printed", body=body, headers=headers),
        Expect.model_validate(expect),
        what="GET /",
        if_not=Verdict.NOT_YET,
        scrub=lambda text: text,
        now_utc=NOW,
    )


@pytest.mark.parametrize(
    ("expect", "body"),
    [
        ({}, b""),
        ({"status": [200]}, b"anything"),
        ({"json": {"a.b.1": "x"}}, b'{"a":{"b":["w","x"]}}'),
        ({"json": {"a": ["on", "off"]}}, b'{"a":"off"}'),
        ({"json": {"n": 2}}, b'{"n":2.0}'),
        ({"json": {"ok": True}}, b'\xef\xbb\xbf{"ok":true}'),
        ({"xml": {"state": "off"}}, b"<state>off</state>"),
        (
            {"xml": {"power/state": ["off", "on"]}},
            b'<r xmlns="urn:x"><power><state> off </state></power></r>',
        ),
        ({"contains": "überholt"}, "ist überholt".encode("latin-1")),
    ],
)
def test_a_reply_that_is_as_expected_is_done(expect: dict[str, Any], body: bytes) -> None:
    """Every form of the file's expect, met."""
    found = judged(expect, body, content_type="text/plain; charset=iso-8859-1")

    assert found.verdict is Verdict.DONE, found.text


@pytest.mark.parametrize(
    ("expect", "body", "words"),
    [
        ({"json": {"a.c": 1}}, b'{"a":{"b":1}}', "no a.c, and 1 is due"),
        ({"json": {"a.9": 1}}, b'{"a":[1]}', "no a.9"),
        ({"json": {"n": 1}}, b'{"n":true}', "n is true, and 1 is due"),
        ({"json": {"ok": True}}, b'{"ok":"true"}', 'ok is "true", and true is due'),
        ({"xml": {"power/state": "off"}}, b"<r><state>off</state></r>", "no power/state"),
        ({"contains": "ready"}, b"not   yet\n\x07", 'but begins "not yet'),
    ],
)
def test_a_reply_that_says_otherwise_is_told_with_what_it_says(
    expect: dict[str, Any], body: bytes, words: str
) -> None:
    """The evidence shows both what came and what was due."""
    found = judged(expect, body)

    assert found.verdict is Verdict.NOT_YET
    assert words in found.text


@pytest.mark.parametrize(
    ("status", "verdict", "advice"),
    [
        (301, Verdict.REFUSED, "expect.status"),
        (400, Verdict.REFUSED, "manual"),
        (401, Verdict.REFUSED, "user and password"),
        (403, Verdict.REFUSED, "the right to do this"),
        (404, Verdict.REFUSED, "path"),
        (405, Verdict.REFUSED, "method"),
        (429, Verdict.NOT_YET, ""),
        (500, Verdict.UNCERTAIN, "log"),
        (501, Verdict.REFUSED, "manual"),
        (503, Verdict.NOT_YET, ""),
        (504, Verdict.UNCERTAIN, "log"),
    ],
)
def test_every_other_status_has_a_meaning(status: int, verdict: Verdict, advice: str) -> None:
    """By RFC 9110 section 15; each with what to do."""
    found = judged({}, status=status)

    assert found.verdict is verdict
    assert f"answered {status} As Printed" in found.text
    assert advice in found.advice


def test_a_status_that_the_file_names_is_success() -> None:
    """Form logins often answer 302 to the right password."""
    assert judged({"status": [302]}, status=302).verdict is Verdict.DONE
    assert judged({"status": [302]}, status=200).verdict is not Verdict.DONE


@pytest.mark.parametrize("body", [BOMB, b"<a", b"<a>" * 80_000, b"\x00", b"<html><a/></html>"])
def test_xml_that_is_none_or_means_harm_is_garbled(body: bytes) -> None:
    """Entities that grow are not expanded; depth does not crash."""
    assert judged({"xml": {"a": "b"}}, body).verdict is Verdict.GARBLED


@pytest.mark.parametrize(
    ("headers", "seconds"),
    [
        ({"retry-after": "120"}, 120.0),
        ({"retry-after": "Wed, 25 Nov 2026 12:00:30 GMT"}, 30.0),
        (
            {
                "retry-after": "Fri, 31 Dec 1999 23:59:59 GMT",  # RFC 9110 section 10.2.3
                "date": "Fri, 31 Dec 1999 23:59:49 GMT",
            },
            10.0,
        ),
        ({"retry-after": "Wed, 25 Nov 2026 11:00:00 GMT"}, 0.0),
        ({"retry-after": "soon"}, None),
        ({"retry-after": "-5"}, None),
        ({"retry-after": "²"}, None),
        ({}, None),
    ],
)
def test_retry_after_is_read_in_both_its_forms(
    headers: dict[str, str], seconds: float | None
) -> None:
    """A date counts from the device's own clock, which may be decades off."""
    assert retry_after_s(HttpReply(status=503, headers=headers), NOW) == seconds
