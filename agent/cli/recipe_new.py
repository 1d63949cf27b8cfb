"""`lastwatt recipe new`: ask a few questions, and write a recipe that passes `recipe test`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from agent.cli.contract import Command, CommandError, Exit, json_option, show, show_document

_USER = {"about": "an account that may do this, and little else", "example": "keeper"}
_PASSWORD = {"type": "secret", "about": "its password", "example": {"env": "RECIPE_PASSWORD"}}
_PORT = {"type": "whole number", "optional": True}
_WAYS = ("commands", "basic", "digest", "session")


@click.command(
    cls=Command, example="lastwatt recipe new", short_help="Write one, from a few questions."
)
@json_option
def new(as_json: bool) -> int:
    """Ask how a device family is spoken with, and write recipes/NAME.toml here.

    An existing file is never overwritten. What is written is tried on paper first.
    """
    from agent.config.recipes import BESIDE, is_name
    from agent.config.toml_text import toml_lines

    try:
        name = _asked("name, like yard-recorder")
        if not is_name(name):
            text = "a name has small letters, digits and single -, like yard-recorder"
            raise CommandError(text, status=Exit.UNREADABLE)
        path = Path(BESIDE) / f"{name}.toml"
        if path.exists():
            raise CommandError(f"{path} is there already; choose another", status=Exit.REFUSED)
        tables = _tables()
    except click.Abort as error:
        raise CommandError("no answer: nothing was written", status=Exit.NO) from error
    path.parent.mkdir(exist_ok=True)
    path.write_text("\n".join(toml_lines(tables)) + "\n")
    wrong = _trouble(path)
    if wrong:
        path.unlink()
        raise CommandError(f"nothing was written: {wrong[0]}", status=Exit.NO)
    if as_json:
        show_document(True, file=str(path))
    else:
        show(f"{path} is written; see `lastwatt recipe test {name}`, and mend what differs")
    return Exit.YES


def _asked(question: str, default: str | None = None) -> str:
    answer: str = click.prompt(question, default=default, err=True)
    return answer.strip()


def _tables() -> dict[str, Any]:
    about = _asked("what it is, in a line")
    way = click.prompt("spoken with by", type=click.Choice(_WAYS), default="session", err=True)
    returns = click.prompt(
        "once its power is back it starts",
        type=click.Choice(("by itself", "by hand")),
        default="by itself",
        err=True,
    )
    head = {"format": 1, "about": about, "start": returns}
    return {**head, **(_by_commands() if way == "commands" else _by_http(way))}


def _by_commands() -> dict[str, Any]:
    stop = _asked("command that shuts it down")
    quiesce = _asked("command that ends its recording first, if any", "")
    out: dict[str, Any] = {"parent": "linux", "stop": {"driver": "ssh", "run": stop}}
    if quiesce:
        restore = _asked("command that starts recording again, if any", "")
        out["quiesce"] = {"driver": "ssh", "run": quiesce}
        if restore:
            out["quiesce"]["restore"] = restore
    out["stop"]["takes"] = _asked("longest that a stop takes", "2m")
    return out


def _by_http(way: str) -> dict[str, Any]:
    scheme = click.prompt("scheme", type=click.Choice(("https", "http")), default="https", err=True)
    http: dict[str, Any] = {
        "scheme": scheme,
        "port": "{vars.port}",
        "auth": way,
        "user": "{vars.user}",
        "password": "{vars.password}",
    }
    if way == "session":
        http["login"] = {
            "path": _asked("path of the log-in", "/api/login"),
            "json": {
                _asked("its word for the user", "user"): "{user}",
                _asked("its word for the password", "password"): "{password}",
            },
            "token": {"json": _asked("where in its answer the token stands", "token")},
        }
        logout = _asked("path of the log-out, if any", "")
        if logout:
            http["login"]["logout"] = {"path": logout}
    http["probe"] = {"path": _asked("path that answers whenever it runs", "/")}
    stop: dict[str, Any] = {
        "driver": "http",
        "method": click.prompt(
            "method of the stop",
            type=click.Choice(("POST", "PUT", "GET")),
            default="POST",
            err=True,
        ),
        "path": _asked("path of the stop"),
    }
    word = "" if stop["method"] == "GET" else _asked("JSON it sends, as word=value, if any", "")
    if word:
        key, _, value = word.partition("=")
        stop["json"] = {key.strip(): value.strip()}
    stop["takes"] = _asked("longest that a stop takes", "2m")
    variables = {"user": _USER, "password": _PASSWORD, "port": _PORT}
    return {"vars": variables, "http": http, "stop": stop}


def _trouble(path: Path) -> list[str]:
    """Return what is wrong with a recipe, or with the tables that it comes to."""
    from agent.checks.recipe_trial import bench_of
    from agent.config import Severity
    from agent.config.recipes import read_recipe

    found, faults = read_recipe(path, Path())
    if found is None:
        return [str(fault) for fault in faults]
    errors = [f for f in bench_of(found, {}).faults if f.severity is Severity.ERROR]
    return [str(fault) for fault in errors]
