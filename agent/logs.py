"""Logs on standard error: for people on a terminal, else one plain line an event.

Where standard error is the system's journal, a line begins with its priority, `<3>`, as
sd-daemon(3) has it, and without the time, which the journal knows.

Events are named by a past-tense verb and a noun, `sent_order`, the rest is keys with units.
Whatever the libraries log comes out in the same form, and only what somebody must act on.
"""

from __future__ import annotations

import logging
import os
import re
import sys
from collections.abc import Mapping, MutableMapping
from enum import StrEnum
from typing import Any, TextIO

import structlog
from pydantic import SecretBytes, SecretStr
from structlog.typing import EventDict, Processor, WrappedLogger

QUIETENED: Mapping[str, int] = {
    "paramiko": logging.CRITICAL,  # its threads log whole tracebacks of what drivers report anyway
    "pysnmp": logging.ERROR,
    "httpx2": logging.WARNING,
    "httpcore2": logging.WARNING,
    "apscheduler": logging.WARNING,
    "uvicorn": logging.WARNING,
    "asyncio": logging.WARNING,
}
"""The least level at which each library is heard."""


class LogForm(StrEnum):
    """What a line of the log looks like."""

    CONSOLE = "console"  # aligned, for people
    PLAIN = "plain"  # key=value
    JSON = "json"
    JOURNAL = "journal"  # PLAIN, for the system's journal


PRIORITIES: Mapping[str, int] = {"critical": 2, "error": 3, "warning": 4, "info": 6, "debug": 7}
"""Level -> priority of syslog(3)."""


class _Handler(logging.StreamHandler[TextIO]):
    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802  # their name
        """Go on: where the log itself cannot be written there is nobody left to tell."""


def set_up_logs(
    *,
    stream: TextIO | None = None,
    form: LogForm | None = None,
    level: int = logging.INFO,
    env: Mapping[str, str] = os.environ,
) -> None:
    """Send structlog and the standard library's logging to *stream*; again replaces the set-up.

    Args:
        stream: None = standard error.
        form: None = CONSOLE on a terminal, JOURNAL where *stream* is what JOURNAL_STREAM names,
            else PLAIN.
        level: least level of our own events.
        env: the environment; NO_COLOR in it, set to anything but "", forbids colour.
    """
    stream = sys.stderr if stream is None else stream
    is_terminal = stream.isatty()
    form = form or _form_for(stream, env)
    shared: list[Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
        drop_secrets,
    ]
    handler = _Handler(stream)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=[*shared, _name_library],
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                *_renderers(form, colors=is_terminal and not env.get("NO_COLOR")),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(level)
    for name, least in QUIETENED.items():
        logging.getLogger(name).setLevel(least)
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )


def _form_for(stream: TextIO, env: Mapping[str, str]) -> LogForm:
    if stream.isatty():
        return LogForm.CONSOLE
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):  # no file at all
        return LogForm.PLAIN
    is_journal = env.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"
    return LogForm.JOURNAL if is_journal else LogForm.PLAIN


def _renderers(form: LogForm, *, colors: bool) -> list[Processor]:
    if form is LogForm.CONSOLE:
        # Not the default formatter: it prints local variables, secrets among them.
        plain = structlog.dev.plain_traceback
        return [structlog.dev.ConsoleRenderer(colors=colors, exception_formatter=plain)]
    if form is LogForm.JSON:
        return [
            structlog.processors.format_exc_info,
            structlog.processors.JSONRenderer(ensure_ascii=False, default=str),
        ]
    if form is LogForm.JOURNAL:
        return [structlog.processors.format_exc_info, _escape_controls, _render_for_journal]
    return [structlog.processors.format_exc_info, _escape_controls, _LOGFMT]


_LOGFMT = structlog.processors.LogfmtRenderer(key_order=["timestamp", "level", "event"])
_LOGFMT_UNTIMED = structlog.processors.LogfmtRenderer(key_order=["event"])


def _render_for_journal(logger: WrappedLogger, method: str, event: EventDict) -> str:
    priority = PRIORITIES.get(str(event.pop("level", "")), PRIORITIES["info"])
    event.pop("timestamp", None)
    return f"<{priority}>{_LOGFMT_UNTIMED(logger, method, event)}"


def _escape_controls(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """Show what would steer a terminal, since devices wrote part of the text; line ends follow."""
    return {key: _CONTROLS.sub(_escaped, str(value)) for key, value in event.items()}


_CONTROLS = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f]")


def _escaped(match: re.Match[str]) -> str:
    return f"\\x{ord(match[0]):02x}"


def drop_secrets(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """Drop each value that is a secret, however deep it lies; a processor of structlog."""
    kept = _without_secrets(event)
    assert isinstance(kept, MutableMapping)
    return kept


def _without_secrets(value: Any) -> Any:
    match value:
        case Mapping():
            return {k: _without_secrets(v) for k, v in value.items() if not _is_secret(v)}
        case list() | tuple() | set() | frozenset():
            return [_without_secrets(held) for held in value if not _is_secret(held)]
    return value


def _is_secret(value: object) -> bool:
    return isinstance(value, SecretStr | SecretBytes)


def _name_library(logger: WrappedLogger, method: str, event: EventDict) -> EventDict:
    """Put a library's own sentence under `text`: an event's name is ours to give."""
    record: logging.LogRecord = event["_record"]
    return {**event, "event": "heard_library", "library": record.name, "text": event["event"]}
