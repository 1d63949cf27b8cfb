"""The command line as a contract: statuses, what goes where, and no traceback whatever comes."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from agent.cli import main
from agent.cli.contract import Command, printable
from agent.journal.file import NAME as JOURNAL
from tests.agent.commands import (
    COMMAND,
    HEAD,
    V2C,
    Done,
    answering,
    lastwatt,
    unit,
    write_secret,
    write_site,
)
from tests.peers.snmpd import free_port

COMMANDS = sorted(main.commands)
LEAVES: dict[str, click.Command] = {}
for _name, _command in main.commands.items():
    if isinstance(_command, click.Group):
        LEAVES |= {f"{_name} {inner}": leaf for inner, leaf in _command.commands.items()}
    else:
        LEAVES[_name] = _command
"""Each command by its words, those of groups too."""

NOBODY = 65534
PIN = "SHA256:Zk3vJ8mQ1nT5yR7wB2cX4dF6gH9jK0lP3sV5uA8eI1o"


# Help and completion


@pytest.mark.parametrize("name", LEAVES)
def test_help_of_every_command_has_an_example_that_parses(name: str) -> None:
    """Whoever types the example as it stands must not be told that it is wrong."""
    command, words = LEAVES[name], name.split()
    done = CliRunner().invoke(main, [*words, "--help"])

    assert done.exit_code == 0
    assert isinstance(command, Command)
    for line in command.example.splitlines():
        assert f"  {line}\n" in done.output
        typed = shlex.split(line.partition(" > ")[0])
        assert typed[: len(words) + 1] == ["lastwatt", *words]
        command.make_context(name, typed[len(words) + 1 :])


def test_help_shows_every_command_by_a_whole_sentence() -> None:
    """The first thing a newcomer reads is not cut off in mid-sentence."""
    done = CliRunner().invoke(main, ["--help"])

    assert done.exit_code == 0
    assert "..." not in done.output.partition("Commands:")[2]
    for name in COMMANDS:
        assert f"\n  {name} " in done.output
    for line in done.output.partition("First steps:\n")[2].splitlines():
        step = line.strip().partition("   ")[0]  # a remark follows
        _, called, *arguments = step.split()
        main.commands[called].make_context(called, arguments)


def test_help_is_quick() -> None:
    """Tab and --help are typed a hundred times a day: no library is loaded for them."""
    code = (
        "import sys\nfrom agent.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'asyncio', 'pydantic', 'pysnmp', 'paramiko', 'structlog', 'rich', 'sqlite3'}\n"
        "sys.exit(repr(heavy & set(sys.modules)) if heavy & set(sys.modules) else 0)"
    )
    done = subprocess.run([COMMAND[0], "-c", code], capture_output=True, text=True, check=False)

    assert (done.returncode, done.stderr) == (0, "")


def test_version_is_told() -> None:
    """The first question of whoever is asked for help."""
    done = lastwatt("--version")

    assert (done.status, done.err) == (0, "")
    assert done.out.startswith("lastwatt, version ")


def completions(*words: str) -> list[str]:
    asked = {
        "_LASTWATT_COMPLETE": "bash_complete",
        "COMP_WORDS": " ".join(words),
        "COMP_CWORD": str(len(words) - 1),
    }
    return lastwatt(env=asked).out.splitlines()


def test_shell_is_told_commands_options_and_kinds_of_paths() -> None:
    """Names that are hard to spell on site are completed, files as files, folders as folders."""
    assert completions("lastwatt", "pr") == ["plain,probe"]
    assert "plain,--strict" in completions("lastwatt", "check", "--")
    assert completions("lastwatt", "check", "si") == ["file,si"]
    assert completions("lastwatt", "status", "--state", "/va") == ["dir,/va"]


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_script_is_one_that_its_shell_can_read(shell: str) -> None:
    """Its own shell is asked (bash -n), where it is here."""
    done = lastwatt("completion", shell)

    assert done.status == 0
    assert "_LASTWATT_COMPLETE" in done.out
    if program := shutil.which(shell):
        read = subprocess.run([program, "-n"], input=done.out, text=True, check=False)
        assert read.returncode == 0


# Usage


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["bogus"], "No such command 'bogus'; see `lastwatt --help`"),
        (["check"], "name one FILE, or a folder with --all DIR; see `lastwatt check --help`"),
        (["check", "a", "b"], "Got unexpected extra argument (b); see `lastwatt check --help`"),
        (["check", "a", "--strictly"], "No such option '--strictly'"),
        (["status"], "Missing option '--state'; see `lastwatt status --help`"),
        (["journal", "--state", "a", "--last", "0"], "0 is not in the range"),
        (["journal", "--state", "a", "--export", "b", "--follow"], "--export writes the whole"),
        (["completion", "csh"], "'csh' is not one of 'bash', 'zsh', 'fish'"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(arguments: list[str], said: str) -> None:
    """It says what is wrong, and where to read what is right."""
    done = lastwatt(*arguments)

    assert (done.status, done.out) == (2, "")
    assert said in done.complaint
    assert done.complaint.startswith("lastwatt: ")


def test_wrong_usage_is_a_document_where_one_was_asked_for() -> None:
    """A program that reads JSON gets JSON, also when it was called wrongly."""
    done = lastwatt("check", "site.toml", "--json", "--strictly")

    assert done.status == 2
    assert done.document["ok"] is False
    assert "No such option" in done.document["error"]


def test_no_command_shows_the_help_as_trouble() -> None:
    """Nothing was asked, so nothing was answered."""
    done = lastwatt()

    assert (done.status, done.out) == (2, "")
    assert done.err.startswith("Usage: lastwatt ")


# Bad input: the site's file


def small_site(folder: Path) -> str:
    return write_site(folder, unit(free_port())).read_text()


def bad_file(folder: Path, kind: str) -> Path:
    """Make one file that is no site's, and return its path."""
    path = folder / "site.toml"
    text = small_site(folder)
    match kind:
        case "missing":
            path.unlink()
        case "a folder":
            path.unlink()
            path.mkdir()
        case "binary":
            path.write_bytes(bytes(range(256)) * 64)
        case "endless":
            path.unlink()
            path.symlink_to("/dev/zero")
        case "another encoding":
            path.write_bytes(text.replace("Quayside", "Cais à beira").encode("latin-1"))
        case "no TOML":
            path.write_text(text + "watts 12\n")
        case "a nest":
            path.write_text(text + "x = " + "[" * 5000)
        case "a loop of links":
            path.unlink()
            path.symlink_to(path)
        case "below a file":
            path = path / "site.toml"
    return path


UNREADABLE = [
    "missing", "a folder", "binary", "endless", "another encoding", "no TOML", "a nest",
    "a loop of links", "below a file",
]  # fmt: skip


@pytest.mark.parametrize("kind", UNREADABLE)
def test_unreadable_file_is_one_line_and_status_2(tmp_path: Path, kind: str) -> None:
    """Whatever is put in a file's place, it is named, with what to do."""
    path = bad_file(tmp_path, kind)
    done = lastwatt("check", path)

    assert (done.status, done.out) == (2, "")
    assert str(path) in done.complaint
    assert "; " in done.complaint


@pytest.mark.parametrize("command", ["probe", "run"])
@pytest.mark.parametrize("kind", ["missing", "binary"])
def test_every_command_that_reads_a_file_says_the_same(
    tmp_path: Path, command: str, kind: str
) -> None:
    """One mistake, one sentence."""
    path = bad_file(tmp_path, kind)
    more = ["--state", str(tmp_path / "state")] if command == "run" else []
    done = lastwatt(command, path, *more)

    assert (done.status, done.out, done.err) == (2, "", lastwatt("check", path).err)
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize("command", ["check", "probe"])
def test_unreadable_file_is_a_document_where_one_was_asked_for(
    tmp_path: Path, command: str
) -> None:
    """The program that asked can show the reason; `faults` is there, if empty."""
    done = lastwatt(command, bad_file(tmp_path, "no TOML"), "--json")

    assert done.status == 2
    assert (done.document["ok"], done.document["faults"]) == (False, [])
    assert done.document["error"] in done.complaint


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_file_of_somebody_else_is_one_line_and_status_2(open_folder: Path) -> None:
    """The usual mistake: the file is root's, the agent is not."""
    path = bad_file(open_folder, "as it is")
    path.chmod(0o600)
    done = as_nobody("check", path)

    assert (done.status, done.out) == (2, "")
    assert "permission denied; check its name and mode" in done.complaint


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that other users may look into; pytest's own are closed."""
    folder = Path(tempfile.mkdtemp(prefix="lastwatt-"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def as_nobody(*arguments: str | Path) -> Done:
    """Run a command as a user without rights, who may not even read this interpreter's files."""
    code = (
        "import os, sys, encodings.idna, agent.cli, agent.checks.check, agent.control, "
        "agent.status, agent.wiring\n"
        f"os.setgroups([]), os.setgid({NOBODY}), os.setuid({NOBODY})\n"
        "agent.cli.main()"
    )
    done = subprocess.run(
        [COMMAND[0], "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert "Traceback" not in done.stdout + done.stderr, done.stderr
    return Done(done.returncode, done.stdout, done.stderr)


def spoil_secret(path: Path, kind: str) -> None:
    path.unlink()
    match kind:
        case "readable by others":
            path.write_text("slipway-and-ropes")
            path.chmod(0o644)
        case "a folder":
            path.mkdir(mode=0o700)
        case "binary":
            path.write_bytes(b"\xff\xfe\0")
            path.chmod(0o600)
        case "empty":
            write_secret(path, "\n")


@pytest.mark.parametrize("kind", ["missing", "readable by others", "a folder", "binary", "empty"])
@pytest.mark.parametrize("command", ["check", "probe", "run"])
def test_bad_secret_is_a_fault_of_its_line(tmp_path: Path, command: str, kind: str) -> None:
    """Status 1: the file can be read, and is wrong; the secret itself is never shown."""
    path = write_site(tmp_path, unit(free_port()))
    spoil_secret(tmp_path / "auth", kind)
    more = ["--state", str(tmp_path / "state")] if command == "run" else []
    done = lastwatt(command, path, *more)

    shown = done.out if command == "check" else done.err
    (fault,) = (line for line in shown.splitlines() if "error: " in line)
    line = [n for n, t in enumerate(path.read_text().splitlines(), 1) if "auth_secret" in t]
    assert done.status == 1
    assert f"site.toml:{line[0]}: error: unit.cabinet.snmp.auth_secret" in fault
    assert str(tmp_path / "auth") in fault
    assert "slipway-and-ropes" not in done.out + done.err
    assert not (tmp_path / "state").exists()


def test_every_fault_of_a_file_is_listed_in_one_go(tmp_path: Path) -> None:
    """An installer mends a file once, not once a fault."""
    path = write_site(tmp_path, unit(free_port(), more='color = "grey"\nflicker = 3'))
    done = lastwatt("check", path)
    in_json = lastwatt("check", path, "--json")

    assert done.status == in_json.status == 1
    assert done.out.splitlines()[-1] == f"{path}: 2 errors, 0 warnings"
    assert [set(fault) for fault in in_json.document["faults"]] == [
        {"file", "line", "key", "code", "message", "fix", "severity"}
    ] * 2
    assert {fault["key"] for fault in in_json.document["faults"]} == {
        "unit.cabinet.color", "unit.cabinet.flicker",
    }  # fmt: skip


def test_warnings_are_status_0_and_with_strict_1(tmp_path: Path) -> None:
    """A file with warnings runs; whoever hands over a site may want none."""
    path = write_site(tmp_path, unit(free_port(), snmp=V2C))

    done = lastwatt("check", path, "--json")
    strict = lastwatt("check", path, "--json", "--strict")
    assert (done.status, done.document["ok"]) == (0, True)
    assert {fault["severity"] for fault in done.document["faults"]} == {"warning"}
    assert (strict.status, strict.document["ok"]) == (1, False)
    assert done.document["faults"] == strict.document["faults"]


def test_odd_file_name_cannot_steer_the_terminal(tmp_path: Path) -> None:
    """Names come from elsewhere too: a line break or an escape in one stays text."""
    done = lastwatt("check", os.fsdecode(bytes(tmp_path) + b"/a\n\x1b[2J\xff.toml"))

    assert done.status == 2
    assert "\x1b" not in done.complaint


def test_ascii_terminal_is_given_what_it_can_show(tmp_path: Path) -> None:
    """A console of 1990 shows an escape rather than nothing."""
    path = write_site(tmp_path, unit(free_port()))
    path.write_text(path.read_text().replace("Quayside", "Cais do Açúcar"))
    ascii_only = {"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}

    done = lastwatt("check", path, "--json", env=ascii_only)
    assert done.status == 0
    assert done.out.isascii()
    assert done.document["site"] == "Cais do Açúcar boatyard"
    assert lastwatt("check", path.with_name("Açúcar.toml"), env=ascii_only).status == 2


def test_printable_keeps_words_and_indents_and_drops_the_rest() -> None:
    """Devices write part of what is shown."""
    assert printable("  já\tvai\r\n\x1b[31m\u202e\x9b2J\ud800 ") == (
        "  já vai  \ufffd[31m\ufffd\ufffd2J\ufffd"
    )


# Status and journal without an agent


def test_status_without_an_agent_is_unreachable(tmp_path: Path) -> None:
    """Status 3, and how to start one."""
    for place in (tmp_path, tmp_path / "missing"):
        done = lastwatt("status", "--state", place)
        assert (done.status, done.out) == (3, "")
        assert "no agent runs on" in done.complaint
        assert "lastwatt run FILE" in done.complaint


def test_status_on_a_file_is_wrong_usage(tmp_path: Path) -> None:
    """Status 2: what was named is no state directory."""
    (tmp_path / "site.toml").write_text(HEAD)
    done = lastwatt("status", "--state", tmp_path / "site.toml", "--json")

    assert done.status == 2
    assert "is no directory" in done.document["error"]


@pytest.mark.parametrize(
    ("answer", "status", "said"),
    [
        (b"<html>\n", 3, "answered no JSON"),
        (b"", 3, "broke off its answer"),
        (b'{"format":1,"ok":false,"error":"busy"}\n', 1, "busy"),
        (b'{"format":1,"ok":true,"mood":"fine"}\n', 1, "is of another release"),
        (b'{"format":1,"ok":true,"dry_run":0,"units":7}\n', 1, "is of another release"),
    ],
)
def test_answer_that_status_cannot_read_is_one_line(
    tmp_path: Path, answer: bytes, status: int, said: str
) -> None:
    """An agent of another release, or whatever else listens there, is no traceback."""
    with answering(tmp_path, answer):
        done = lastwatt("status", "--state", tmp_path)

    assert (done.status, done.out) == (status, "")
    assert said in done.complaint


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_status_of_somebody_elses_agent_is_refused(open_folder: Path) -> None:
    """Status 4: an agent is there, and this user may not ask it."""
    with answering(open_folder, None):
        (open_folder / "agent.sock").chmod(0o600)
        done = as_nobody("status", "--state", open_folder)

    assert done.status == 4
    assert "ask as the user that it runs as" in done.complaint


@pytest.mark.parametrize("more", [[], ["--json"], ["--follow"], ["--follow", "--json"]])
@pytest.mark.parametrize("kind", ["empty folder", "missing", "a file", "damaged"])
def test_journal_that_is_none_is_one_line_and_status_2(
    tmp_path: Path, kind: str, more: list[str]
) -> None:
    """Whatever is put in a journal's place, it is named, and nothing else is printed."""
    place = tmp_path / "state"
    match kind:
        case "empty folder":
            place.mkdir()
        case "a file":
            place.write_text(HEAD)
        case "damaged":
            place.mkdir()
            (place / JOURNAL).write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 40)
    done = lastwatt("journal", "--state", place, *more)

    assert done.status == 2
    assert str(place) in done.complaint
    if more == ["--json"]:
        assert done.document["error"] in done.complaint
    else:
        assert done.out == ""
