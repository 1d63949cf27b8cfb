"""Logs are of one form, name no secret, and steer no terminal."""

import ast
import io
import json
import logging
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import structlog
from pydantic import BaseModel, SecretBytes, SecretStr

from agent.logs import QUIETENED, LogForm, drop_secrets, set_up_logs

ROOT = Path(__file__).parents[2]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def as_before() -> Iterator[None]:
    """Give the process its own logging back after each test."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    levels = {name: logging.getLogger(name).level for name in QUIETENED}
    yield
    root.handlers[:] = handlers
    root.setLevel(level)
    for name, before in levels.items():
        logging.getLogger(name).setLevel(before)
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()


def logged(form: LogForm | None, stream: io.StringIO | None = None, **env: str) -> str:
    """Log one event of each sort, and return what was written."""
    stream = stream or io.StringIO()
    set_up_logs(stream=stream, form=form, env=env)
    structlog.contextvars.bind_contextvars(site="boatyard")
    log = structlog.get_logger("agent.some")
    log.info("sent_order", device="gate recorder", deadline_s=90.0, password=SecretStr("hunter2"))
    log.debug("read_bytes", count=3)
    return stream.getvalue()


def test_off_a_terminal_each_event_is_one_plain_line() -> None:
    """Journald and grep read lines."""
    (line,) = logged(None).splitlines()

    assert re.fullmatch(
        r"timestamp=\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d+Z level=info event=sent_order "
        r'device="gate recorder" deadline_s=90\.0 site=boatyard',
        line,
    )


def test_json_lines_are_json() -> None:
    """A log collector reads them."""
    (line,) = logged(LogForm.JSON).splitlines()
    event = json.loads(line)
    timestamp = event.pop("timestamp")

    assert event == {
        "level": "info",
        "event": "sent_order",
        "site": "boatyard",
        "device": "gate recorder",
        "deadline_s": 90.0,
    }
    assert timestamp.endswith("Z")


@pytest.mark.parametrize(
    ("stream", "env", "is_coloured"),
    [
        (Terminal(), {}, True),
        (Terminal(), {"NO_COLOR": "1"}, False),
        (Terminal(), {"NO_COLOR": ""}, True),
        (io.StringIO(), {}, False),
    ],
    ids=["terminal", "NO_COLOR", "NO_COLOR empty", "pipe"],
)
def test_colour_is_for_terminals_that_want_it(
    stream: io.StringIO, env: dict[str, str], is_coloured: bool
) -> None:
    """As no-color.org puts it (from memory): present and not empty means no colour."""
    assert ("\x1b[" in logged(None, stream, **env)) is is_coloured


@pytest.mark.parametrize("form", LogForm)
def test_no_secret_is_logged_in_any_form(form: LogForm) -> None:
    """Logs are copied into mails and tickets."""
    stream = io.StringIO()
    set_up_logs(stream=stream, form=form, env={})
    log = structlog.get_logger()
    secret = SecretStr("hunter2")
    log.info(
        "sent_order",
        key=secret,
        deep={"a": [1, secret], "b": (secret,)},
        raw=SecretBytes(b"hunter2"),
    )
    logging.getLogger("uvicorn").warning("password %s", secret)
    try:
        _fail_with(secret.get_secret_value())
    except ZeroDivisionError:
        log.exception("failed_fold")

    assert "hunter2" not in stream.getvalue()
    assert "key" not in stream.getvalue()
    assert "ZeroDivisionError" in stream.getvalue()


def _fail_with(password: str) -> None:
    """Raise with a secret among the local variables, which a traceback must not print."""
    assert len(password) / 0


def test_what_holds_no_secret_is_left_alone() -> None:
    """The processor must not empty the events of what matters."""

    class Plain(BaseModel):
        a: int = 1

    event = {"event": "sent_order", "n": 1, "t": "x", "none": None, "model": Plain(), "l": [1, [2]]}

    assert drop_secrets(None, "info", dict(event)) == event


def test_libraries_are_heard_when_it_matters_in_our_form() -> None:
    """Paramiko's threads would otherwise print tracebacks over the owner's terminal."""
    stream = io.StringIO()
    set_up_logs(stream=stream, form=LogForm.JSON, env={})
    logging.getLogger("paramiko.transport").error("Exception (client): %s", "banner")
    logging.getLogger("apscheduler.scheduler").info("Added job")
    logging.getLogger("httpx2").info("HTTP Request")
    logging.getLogger("uvicorn.access").info("GET /")
    logging.getLogger("pysnmp").warning("odd")
    logging.getLogger("apscheduler.scheduler").warning("missed by %s", "3 s")
    events = [json.loads(line) for line in stream.getvalue().splitlines()]

    assert [(e["event"], e["library"], e["text"], e["level"]) for e in events] == [
        ("heard_library", "apscheduler.scheduler", "missed by 3 s", "warning")
    ]


def test_setting_up_again_replaces_and_does_not_double() -> None:
    """A line twice looks like an order sent twice."""
    first, second = io.StringIO(), io.StringIO()
    set_up_logs(stream=first, form=LogForm.JSON, env={})
    set_up_logs(stream=second, form=LogForm.JSON, env={}, level=logging.DEBUG)
    structlog.get_logger().debug("read_bytes", count=1)

    assert first.getvalue() == ""
    assert second.getvalue().count("read_bytes") == 1


def test_a_device_cannot_steer_the_terminal_through_the_log() -> None:
    """Evidence quotes devices, and somebody will run `journalctl` or `cat` on it."""
    for form in LogForm:
        stream = io.StringIO()
        set_up_logs(stream=stream, form=form, env={})
        structlog.get_logger().info("sent_order", evidence="\x1b[2Jgone\nlevel=error")

        assert "\x1b" not in stream.getvalue()
        assert len(stream.getvalue().splitlines()) == 1


def test_a_log_that_cannot_be_written_stops_nothing() -> None:
    """Stderr may be a closed pipe; the agent goes on."""
    stream = io.StringIO()
    set_up_logs(stream=stream, form=LogForm.PLAIN, env={})
    stream.close()

    structlog.get_logger().error("lost_unit", unit="cabinet")


# The form of events, over the whole code

LEVELS = {"debug", "info", "warning", "error", "critical", "exception", "msg"}
FORM = re.compile(r"[a-z]+(_[a-z0-9]+)+")
IRREGULAR = re.compile(
    "began|broke|brought|came|chose|drew|fell|felt|found|gave|got|had|heard|held|hid|kept|knew|laid"
    "|led|left|let|lost|made|met|put|ran|read|said|sat|saw|sent|set|shook|shut|slept|sold|spoke"
    "|stood|swept|threw|took|told|went|withdrew|woke|won|wrote"
)


def is_event_name(name: str) -> bool:
    """Whether *name* is verb_noun, the verb in the past tense as far as spelling tells."""
    verb = name.partition("_")[0]
    return bool(FORM.fullmatch(name)) and (
        verb.endswith("ed") or IRREGULAR.fullmatch(verb) is not None
    )


def faults_of(source: str, file: str) -> list[str]:
    """Return each log call in *source* whose event is not a literal of the right form."""
    faults = []
    for node in ast.walk(ast.parse(source)):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)):
            continue
        receiver = node.func.value
        name = getattr(receiver, "attr", getattr(receiver, "id", ""))
        if node.func.attr not in LEVELS or not re.fullmatch(r"_?log(ger)?", name):
            continue
        event = node.args[0] if node.args else None
        match event:
            case ast.Constant(value=str(text)) if is_event_name(text) and len(node.args) == 1:
                continue
        faults.append(f"{file}:{node.lineno}: {ast.unparse(node)[:80]}")
    return faults


def test_every_log_event_in_the_code_has_the_form() -> None:
    """One grep finds every time something happened, in logs and journal alike."""
    files = [file for folder in ("agent", "drivers") for file in (ROOT / folder).rglob("*.py")]
    faults = [
        fault
        for file in files
        for fault in faults_of(file.read_text(), str(file.relative_to(ROOT)))
    ]

    assert len(files) > 20
    assert faults == [], "log events are literals like sent_order, and the rest is keys"


@pytest.mark.parametrize(
    "source",
    [
        'log.info(f"sent_{what}")',
        'log.info("Stopping recorder!!")',
        'log.info("send_order")',
        'log.warning("sent")',
        'log.error("SentOrder")',
        'self._log.debug("order_sent")',
        "log.info(event)",
        "log.info()",
        'log.info("sent_order %s", name)',
        'log.exception("sent_order-now")',
    ],
)
def test_the_check_of_the_form_finds_what_is_wrong(source: str) -> None:
    """A check that finds nothing proves nothing."""
    assert len(faults_of(source, "x.py")) == 1


@pytest.mark.parametrize(
    "source",
    ['log.info("sent_order", device="a")', 'self.log.error("lost_unit")', "parser.error(1)"],
)
def test_the_check_of_the_form_lets_pass_what_is_right(source: str) -> None:
    """And a check that finds fault with everything is switched off soon."""
    assert faults_of(source, "x.py") == []


def test_for_the_systems_journal_a_line_begins_with_its_priority(tmp_path: Path) -> None:
    """sd-daemon(3): a person who asks for errors alone must find them; the time is known there."""
    path = tmp_path / "journal"
    with path.open("w") as stream:
        found = os.fstat(stream.fileno())
        set_up_logs(stream=stream, env={"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"})
        log = structlog.get_logger("agent.some")
        log.info("sent_order", device="gate recorder")
        log.error("lost_journal", text="disk full\nlook after it")
        logging.getLogger("asyncio").critical("odd")

    assert path.read_text().splitlines() == [
        '<6>event=sent_order device="gate recorder"',
        '<3>event=lost_journal text="disk full\\nlook after it"',
        "<2>event=heard_library library=asyncio text=odd",
    ]


def test_another_journals_stream_is_none_of_ours(tmp_path: Path) -> None:
    """The variable is inherited by whatever a service starts, its redirections are not."""
    path = tmp_path / "file"
    with path.open("w") as stream:
        set_up_logs(stream=stream, env={"JOURNAL_STREAM": "1:1"})
        structlog.get_logger("agent.some").info("sent_order")

    assert path.read_text().startswith("timestamp=")
