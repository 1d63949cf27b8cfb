"""What a reply means: judged by its status and its body, in words for the evidence."""

from __future__ import annotations

import email.utils
import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree import ElementTree

from drivers.base import Verdict
from drivers.errors import DeviceGarbledError
from drivers.http_settings import Expect, TokenFrom
from drivers.transports.http_messages import MOST_BYTES, HttpReply
from drivers.xml_replies import parsed

_QUOTED_CHARS = 80  # of what a device says, in evidence


@dataclass(frozen=True, slots=True)
class Finding:
    """What a reply means.

    Attributes:
        again_after_s: it is worth asking again after so many seconds; None = it is not.
        is_untouched: the device said that it did not take the request up.
    """

    verdict: Verdict
    text: str
    advice: str = ""
    again_after_s: float | None = None
    is_untouched: bool = False


def judge(
    reply: HttpReply,
    expect: Expect,
    *,
    what: str,
    if_not: Verdict,
    scrub: Callable[[str], str],
    now_utc: datetime,
) -> Finding:
    """Return what a reply means.

    Args:
        reply: the reply, live or assumed.
        expect: what it must be.
        what: what it answers, for the evidence: "POST /api/stop".
        if_not: verdict for a right status with a body that says otherwise.
        scrub: takes secrets out of what the device said.
        now_utc: for a Retry-After that is a date, where the reply bears none of its own.
    """
    if reply.is_assumed:
        return Finding(Verdict.ASSUMED, f"{what} not sent")
    said = f"{what} answered {reply.status} {scrub(_short(reply.reason))}".rstrip()
    is_expected = reply.status in expect.status if expect.status else 200 <= reply.status <= 299
    if not is_expected:
        return _by_status(reply, said, now_utc)
    try:
        wrong, seen = _compare(reply, expect, scrub)
    except DeviceGarbledError as error:
        return Finding(Verdict.GARBLED, f"{said}; {error}", _garbled_advice(reply))
    if wrong:
        return Finding(if_not, f"{said}; {'; '.join(wrong)}")
    return Finding(Verdict.DONE, "; ".join((said, *seen)))


def token_in(reply: HttpReply, source: TokenFrom, cookies: dict[str, str]) -> str | None:
    """Return the token of a login's reply, or None where it holds none.

    Raises:
        DeviceGarbledError: the body is not of the form in which the token is due.
    """
    if source.header:
        return reply.headers.get(source.header.lower()) or None
    if source.cookie:
        return cookies.get(source.cookie)
    if source.xml:
        return _xml_text(_xml_of(reply), source.xml) or None
    value = _dig(_json_of(reply), source.json_path)
    return str(value) if isinstance(value, str | int) and value != "" else None


def retry_after_s(reply: HttpReply, now_utc: datetime) -> float | None:
    """Return the seconds of Retry-After (RFC 9110, 10.2.3), >= 0, or None where it says nothing.

    A date is counted from the reply's own Date: the device's clock need not be ours.
    """
    text = reply.headers.get("retry-after", "").strip()
    if text.isascii() and text.isdigit():
        return float(text)
    due = http_date(text)
    if due is None:
        return None
    now = http_date(reply.headers.get("date", "")) or now_utc
    return max(0.0, (due - now).total_seconds())


def http_date(text: str) -> datetime | None:
    """Return the instant of an HTTP date, or None where *text* is none."""
    try:
        when = email.utils.parsedate_to_datetime(text)
    except (ValueError, TypeError):
        return None
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _by_status(reply: HttpReply, said: str, now_utc: datetime) -> Finding:
    status = reply.status
    if status in (429, 503):
        after = retry_after_s(reply, now_utc)
        wish = "" if after is None else f", and asks to wait {after:g} s"
        again = 0.0 if after is None else after
        return Finding(
            Verdict.NOT_YET, f"{said}: it is busy{wish}", again_after_s=again, is_untouched=True
        )
    if status >= 500 and status not in (501, 505):
        text = f"{said}: it failed, and may or may not have taken the request up"
        return Finding(Verdict.UNCERTAIN, text, "look into the device's own log", 0.0)
    if status == 401:
        offers = f" (it offers {', '.join(reply.offers)})" if reply.offers else ""
        return Finding(
            Verdict.REFUSED,
            f"{said}: it does not accept the login{offers}",
            "check auth, user and password in [device.http]",
        )
    if 300 <= status <= 399:
        target = reply.headers.get("location", "")
        hint = ' and set scheme = "https"' if target.startswith("https:") else ""
        return Finding(
            Verdict.REFUSED,
            f"{said}: it points elsewhere, and redirects are not followed",
            f"write the path that it points at{hint}; or, where that is success, put {status} "
            "into expect.status",
        )
    advice = {
        403: "give the user the right to do this, in the device's own settings",
        404: "check the path against the device's manual",
        405: "check the method against the device's manual",
    }.get(status, "check the request against the device's manual")
    return Finding(Verdict.REFUSED, f"{said}: it refuses", advice)


def _compare(
    reply: HttpReply, expect: Expect, scrub: Callable[[str], str]
) -> tuple[list[str], list[str]]:
    """Return what is wrong with the body, and what was seen in it, a phrase each."""
    wrong: list[str] = []
    seen: list[str] = []
    if expect.json_values:
        document = _json_of(reply)
        for path, due in expect.json_values.items():
            value = _dig(document, path)
            shown = f"{path} is {_shown(value, scrub)}" if value is not _ABSENT else f"no {path}"
            is_due = any(_is_same(value, one) for one in (due if isinstance(due, list) else [due]))
            (seen if is_due else wrong).append(
                shown if is_due else f"{shown}, and {_shown(due, scrub)} is due"
            )
    if expect.xml:
        root = _xml_of(reply)
        for path, texts in expect.xml.items():
            text = _xml_text(root, path)
            shown = f"no {path}" if text is None else f"{path} is {_shown(text, scrub)}"
            is_due = text in (texts if isinstance(texts, list) else [texts])
            (seen if is_due else wrong).append(
                shown if is_due else f"{shown}, and {_shown(texts, scrub)} is due"
            )
    if expect.contains:
        text = _text_of(reply)
        shown = _shown(expect.contains, scrub)
        if expect.contains in text:
            seen.append(f"it contains {shown}")
        else:
            wrong.append(f"it does not contain {shown}, but begins {_shown(text, scrub)}")
    return wrong, seen


class _Absent:
    pass


_ABSENT = _Absent()


def _dig(document: object, path: str) -> object:
    """Return what stands at *path* ("a.0.b"), or _ABSENT."""
    for step in path.split("."):
        if isinstance(document, dict) and step in document:
            document = document[step]
        elif isinstance(document, list) and step.isdecimal() and int(step) < len(document):
            document = document[int(step)]
        else:
            return _ABSENT
    return document


def _is_same(value: object, due: object) -> bool:
    return isinstance(value, bool) == isinstance(due, bool) and value == due


def _json_of(reply: HttpReply) -> object:
    _refuse_html(reply, "JSON")
    try:
        return json.loads(reply.body)
    except (ValueError, RecursionError):  # ValueError: also bytes that are no text
        raise DeviceGarbledError("what it answers is not JSON") from None


def _xml_of(reply: HttpReply) -> ElementTree.Element:
    _refuse_html(reply, "XML")
    return parsed(reply.body)


def _xml_text(root: ElementTree.Element, path: str) -> str | None:
    """Return the text of the first element at *path* ("a/b"), whatever its namespace."""
    above = ElementTree.Element("above")
    above.append(root)
    steps = "/".join(step if step in ("", ".", "*") else f"{{*}}{step}" for step in path.split("/"))
    try:
        found = above.find(f".//{steps}")
    except SyntaxError:
        return None
    return None if found is None else (found.text or "").strip()


def _text_of(reply: HttpReply) -> str:
    _refuse_cut(reply)
    charset = re.search(r"charset=\"?([\w-]+)", reply.headers.get("content-type", ""))
    try:
        return reply.body.decode(charset[1] if charset else "utf-8", errors="replace")
    except (LookupError, UnicodeError):  # some codecs know no replacing
        return reply.body.decode("utf-8", errors="replace")


def _refuse_html(reply: HttpReply, due: str) -> None:
    _refuse_cut(reply)
    start = reply.body.lstrip()[:200].lower()
    if start.startswith((b"<!doctype html", b"<html")):
        raise DeviceGarbledError(f"it answers with a web page (HTML) where {due} is due")
    if not start:
        raise DeviceGarbledError(f"it answers with nothing where {due} is due")


def _refuse_cut(reply: HttpReply) -> None:
    if reply.is_cut:
        raise DeviceGarbledError(f"it answers more than {MOST_BYTES // 1024} KiB")
    coding = reply.headers.get("content-encoding", "identity").lower()
    if coding != "identity":
        raise DeviceGarbledError("it compresses its answer, though asked not to")


def _garbled_advice(reply: HttpReply) -> str:
    if b"<html" in reply.body[:1024].lower():
        return "check the path; many devices answer with their login page where it is wrong"
    return "check the path and expect against the device's manual"


def _shown(value: object, scrub: Callable[[str], str]) -> str:
    return _short(scrub(json.dumps(value, ensure_ascii=False, default=str)))


def _short(text: str) -> str:
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line if len(line) <= _QUOTED_CHARS else line[: _QUOTED_CHARS - 1] + "…"
