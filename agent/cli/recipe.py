"""`lastwatt recipe`: device families described in a few lines, listed, shown, tried and begun."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import (
    FILE,
    Command,
    CommandError,
    Exit,
    complain,
    json_option,
    show,
    show_document,
)
from agent.cli.recipe_new import new
from agent.cli.site import as_fields

if TYPE_CHECKING:
    from agent.checks.recipe_trial import Bench, Tried
    from agent.config.recipes import Recipe, VarTable

_HERE = Path()
_WORDS = {"true": True, "false": False}


@click.group(short_help="Device families, described in a few lines.")
def recipe() -> None:
    """Device families, each described in a file of a few lines.

    A device of a site's file takes one by recipe = "NAME", and fills in vars = { … }. A NAME is
    looked for in the folder recipes/ beside the file (here: in this directory), then among those
    that came with the program; it may be an absolute path too.
    """


@recipe.command(
    "list", cls=Command, example="lastwatt recipe list", short_help="The recipes there are."
)
@json_option
def list_command(as_json: bool) -> int:
    """List the recipes that came with the program, and those in recipes/ here."""
    from agent.config.recipes import SHIPPED, listed

    paths = listed(_HERE)
    found: dict[str, Recipe] = {}
    wrong: dict[str, str] = {}
    for name, path in paths.items():
        try:
            found[name] = _read(str(path.absolute()))
        except CommandError as error:
            wrong[name] = str(error)
    if as_json:
        recipes = [
            {
                "name": name,
                "about": each.about,
                "drivers": list(each.languages),
                "file": str(each.files[0]),
                "shipped": each.files[0].parent == SHIPPED,
            }
            for name, each in found.items()
        ]
        show_document(not wrong, recipes=recipes, faulty=wrong)
        return Exit.NO if wrong else Exit.YES
    width = max(map(len, paths))
    for name, each in found.items():
        own = "" if each.files[0].parent == SHIPPED else f" ({each.files[0]})"
        show(f"{name:{width}}  {each.about}{own}")
    for name, why in wrong.items():
        show(f"{name:{width}}  NO: {why}")
    return Exit.NO if wrong else Exit.YES


@recipe.command(
    "show", cls=Command, example="lastwatt recipe show session-json", short_help="What one says."
)
@click.argument("name")
@json_option
def show_command(name: str, as_json: bool) -> int:
    """Show the variables of the recipe NAME, and the tables that a device gets of it."""
    from agent.config.toml_text import toml_lines

    found = _read(name)
    if as_json:
        show_document(
            True,
            name=found.name,
            about=found.about,
            files=[str(path) for path in found.files],
            vars={each: _var_fields(variable) for each, variable in found.vars.items()},
            tables=found.tables,
        )
        return Exit.YES
    show(f"{found.name}: {found.about}")
    for path in found.files:
        show(f"  from {path}")
    show("")
    show("variables:")
    for each, variable in found.vars.items():
        show(f"  {each}: {_var_line(variable)}")
    show("")
    for line in toml_lines(found.tables):
        show(line)
    return Exit.YES


def _var_line(variable: VarTable) -> str:
    from agent.config.toml_text import toml_value

    need = "required"
    if variable.default is not None:
        need = f"default {toml_value(variable.default)}"
    elif variable.optional:
        need = "may be left out"
    choice = f", one of {', '.join(map(str, variable.one_of))}" if variable.one_of else ""
    about = f"; {variable.about}" if variable.about else ""
    return f"{variable.type}{choice}, {need}{about}"


def _var_fields(variable: VarTable) -> dict[str, Any]:
    is_required = variable.default is None and not variable.optional
    return {**variable.model_dump(mode="json"), "required": is_required}


@recipe.command(
    "test",
    cls=Command,
    example="lastwatt recipe test linux-recorder --var service=recorder",
    short_help="Try one: on paper, recorded, live.",
)
@click.argument("name")
@click.option("--var", "given", multiple=True, metavar="K=V", help="A variable; may be repeated.")
@click.option("--recorded", type=FILE, help="Act on a device replayed from a file of exchanges.")
@click.option("--live", metavar="ADDRESS", help="Probe the device at that address, and no more.")
@click.option("--act", metavar="ACT", help="With --live: do this, once the address was typed.")
@click.option("--was", metavar="TEXT", default="", help="For --act restore: what quiesce told.")
@json_option
def test_command(
    name: str, given: tuple[str, ...], recorded: Path | None, live: str | None, act: str | None,
    was: str, as_json: bool,
) -> int:  # fmt: skip
    """Try the recipe NAME, and show the exact exchanges.

    Without an option nothing is sent: every act is shown as it would go over the wire. Variables
    that are not given have the recipe's example. A secret is given by its place: env:NAME,
    file:PATH or credential:NAME. Lists are separated by commas.

    --recorded replays a device on loopback and performs every act of HTTP and SSH; what the file
    has no answer for fails. --live probes, which changes nothing. --act tells a real device to do
    something: it shows first what will be sent, and reads how things were, so that it can say how
    --act restore puts them back.
    """
    import asyncio

    found = _read(name)
    values = _values(found, given)
    if live is not None and recorded is not None:
        raise click.UsageError("give --live or --recorded, not both")
    if act is not None and live is None:
        raise click.UsageError("--act goes with --live")
    if recorded is not None:
        return asyncio.run(_on_recording(found, values, recorded, as_json=as_json))
    if live is not None:
        return _live(found, values, live, act, was, as_json=as_json)
    bench = _bench(found, values)
    from agent.checks.recipe_trial import on_paper

    tried = asyncio.run(on_paper(bench))
    return _told(found, "paper", bench, tried, as_json=as_json)


async def _on_recording(
    found: Recipe, values: Mapping[str, Any], file: Path, *, as_json: bool
) -> int:
    from agent.checks.recipe_trial import bench_of, for_real
    from agent.checks.replay import ADDRESS, Replay, read_recording
    from agent.errors import ConfigError
    from drivers.base import Act

    try:
        replay = Replay(read_recording(file))
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    written = _bench(found, values)
    try:
        instead = await replay.instead(written.document.at(("device", 0)))
        bench = bench_of(found, values, address=ADDRESS, instead=instead)
        # Whoever is not replayed is not told either: at this address it would be this very box.
        left_out = frozenset(bench.drivers.fitted) - frozenset(instead)
        # The replay never goes away, so that nothing could be seen to be gone by its silence.
        acts = tuple(each for each in Act if each not in (Act.PREPARE, Act.CONFIRM_GONE))
        tried = await for_real(bench, acts, but=left_out)
    finally:
        replay.close()
    return _told(
        found, "recorded", bench, tried, as_json=as_json, strays=replay.strays,
        unasked=replay.unasked,
    )  # fmt: skip


def _live(
    found: Recipe, values: Mapping[str, Any], address: str, act: str | None, was: str, *,
    as_json: bool,
) -> int:  # fmt: skip
    import asyncio

    from agent.checks.recipe_trial import for_real, needs_was, on_paper
    from drivers.base import Act

    known = [each.value for each in Act if each not in (Act.PREPARE, Act.REMEMBER)]
    if act is not None and act not in known:
        raise click.UsageError(f'no act is called "{act}": write one of {", ".join(known)}')
    bench = _bench(found, values, address=address, examples=False)
    wanted = Act(act) if act is not None else Act.PROBE
    if wanted is not Act.PROBE:
        planned = [t for t in asyncio.run(on_paper(bench)) if t.act is wanted]
        if not planned:
            raise CommandError(f"recipe {found.name} cannot {act}", status=Exit.REFUSED)
        if wanted is Act.RESTORE and not was and needs_was(bench):
            raise click.UsageError("restore puts back what was: add --was as quiesce told it")
        if not _is_typed(address, wanted.value, planned):
            why = "not confirmed: nothing was told to the device"
            raise CommandError(why, status=Exit.NO)
    changing = (Act.REMEMBER,) if wanted in (Act.QUIESCE, Act.STOP) else ()
    tried = asyncio.run(for_real(bench, (*changing, wanted), was=was))
    return _told(found, "live", bench, tried, as_json=as_json)


def _is_typed(address: str, act: str, planned: Iterable[Tried]) -> bool:
    """Have the person type the address, having read what will be sent there."""
    from agent.cli.contract import printable

    lines = [f"{act} {address} for real:", *(f"    {s}" for t in planned for s in t.outcome.sent)]
    for line in lines:
        click.echo(printable(line), err=True)
    try:
        typed: str = click.prompt(
            "type the address to do it", default="", show_default=False, err=True
        )
    except click.Abort:
        return False
    return typed.strip() == address


def _told(
    found: Recipe,
    mode: str,
    bench: Bench,
    tried: tuple[Tried, ...],
    *,
    as_json: bool,
    strays: Iterable[str] = (),
    unasked: Iterable[str] = (),
) -> int:
    """Show what came of a trial, and return the status that it ends with."""
    from drivers.base import Verdict

    strays, unasked = list(strays), list(unasked)
    ok = bool(tried) and all(each.ok for each in tried) and not strays
    if as_json:
        show_document(
            ok,
            recipe=found.name,
            mode=mode,
            examples=sorted(bench.examples),
            acts=[each.as_json() for each in tried],
            strays=strays,
            unasked=unasked,
        )
    else:
        _show_trial(found, mode, bench, tried)
        for line in strays:
            show(f"NO   the recording has no answer to: {line}")
        for line in unasked:
            show(f"--   of the recording nobody asked: {line}")
    verdicts = {each.outcome.verdict for each in tried}
    if mode == "live" and Verdict.REFUSED in verdicts:
        return Exit.REFUSED
    if mode == "live" and verdicts & {Verdict.NO_ANSWER, Verdict.UNCERTAIN}:
        return Exit.UNREACHABLE
    return Exit.YES if ok else Exit.NO


def _show_trial(found: Recipe, mode: str, bench: Bench, tried: Iterable[Tried]) -> None:
    from agent.config.toml_text import toml_value

    show(f"{found.name}: {found.about}")
    for name, value in bench.examples.items():
        show(f"  for want of --var {name}=… its example stands: {toml_value(value)}")
    for each in tried:
        said = "" if mode == "paper" else f": {each.outcome.evidence}"
        mark = "" if mode == "paper" else f"{'yes' if each.ok else 'NO':3}  "
        show(f"{mark}{each.act.value.replace('_', ' ')} ({each.driver}){said}")
        for line in each.outcome.sent:
            show(f"     {line}")
        if each.outcome.advice and mode != "paper":
            show(f"     {each.outcome.advice}")
        if each.outcome.was and mode == "live":
            show(f"     how it was, for --act restore: --was {shlex.quote(each.outcome.was)}")
    if mode == "paper":
        show("nothing was sent")


# What reads recipes


def _read(name: str) -> Recipe:
    """Return the recipe of a name or path.

    Raises:
        CommandError: there is none, or it has faults.
    """
    from agent.config.recipes import find, read_recipe
    from agent.errors import ConfigError

    try:
        named = str(Path(name).absolute()) if name.endswith(".toml") else name
        found, faults = read_recipe(find(named, _HERE), _HERE)
    except ConfigError as error:
        raise CommandError(str(error), status=Exit.UNREADABLE) from error
    if found is None:
        raise _refused(name, faults)
    return found


def _refused(name: str, faults: Iterable[Any]) -> CommandError:
    faults = tuple(faults)
    for fault in faults:
        complain(str(fault))
    count = f"{len(faults)} fault{'' if len(faults) == 1 else 's'}"
    text = f"{name}: {count} in it; mend that first"
    return CommandError(text, status=Exit.NO, faults=as_fields(faults))


def _bench(
    found: Recipe, values: Mapping[str, Any], *, address: str = "", examples: bool = True
) -> Bench:
    from agent.checks.recipe_trial import ADDRESS, bench_of
    from agent.config import Severity

    bench = bench_of(found, values, address=address or ADDRESS, examples=examples)
    if not bench.is_sound:
        errors = [fault for fault in bench.faults if fault.severity is Severity.ERROR]
        raise _refused(found.name, errors)
    return bench


def _values(found: Recipe, given: Iterable[str]) -> dict[str, Any]:
    """Return the variables of the command line, each of its type; `expand` judges them."""
    out: dict[str, Any] = {}
    for each in given:
        name, equals, text = each.partition("=")
        if not equals:
            raise click.UsageError(f'--var "{each}" has no =: write --var name=value')
        out[name] = _value(found.vars.get(name), name, text)
    return out


def _value(variable: VarTable | None, name: str, text: str) -> Any:
    from agent.config.recipes import VarType

    match None if variable is None else variable.type:
        case VarType.SECRET:
            source, colon, place = text.partition(":")
            if not colon or source not in ("env", "file", "credential"):
                # Not shown: it may be the secret itself.
                raise click.UsageError(
                    f"--var {name}: a secret never stands on a command line; write env:NAME, "
                    "file:PATH or credential:NAME"
                )
            return {source: place}
        case VarType.TEXTS:
            return [part.strip() for part in text.split(",")]
        case VarType.YES_NO:
            return _WORDS.get(text, text)
        case VarType.NUMBER | VarType.WHOLE:
            try:
                return float(text) if "." in text else int(text)
            except ValueError:
                return text
    return text


recipe.add_command(new)
