"""`lastwatt people`: who may sign in to the page, and which programs may read it."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from agent.cli.contract import Command, Exit, json_option, show, show_document, state_option

_RIGHTS = {"see": "look", "act": "look, and act: pause, stop, start, drill"}


@click.group(short_help="Who may sign in to the page.")
def people() -> None:
    """Say who may sign in to the page, and which programs may read it.

    Whoever may "see" may look; whoever may "act" may also pause, stop, start and drill, each time
    after giving the password again. The agent sees a change at once, and signs out whoever was
    removed or has another password.
    """


def _password(*, from_hash: bool, as_hash: str) -> str:
    """Return the hash of what is typed, or read from standard input where nobody types."""
    from agent.page.passwords import checked_hash, hash_of

    if from_hash:
        return checked_hash(sys.stdin.readline().strip())
    if sys.stdin.isatty():
        typed = click.prompt(as_hash, hide_input=True, confirmation_prompt=True, err=True)
    else:
        typed = sys.stdin.readline().rstrip("\r\n")
    return hash_of(typed)


_hash_option = click.option(
    "--hash", "from_hash", is_flag=True,
    help="Standard input has an argon2id hash, made elsewhere, instead of the password.",
)  # fmt: skip


@people.command(
    cls=Command,
    example="lastwatt people add Ana --rights act --state /var/lib/lastwatt\n"
    "lastwatt people add guard --hash --state /var/lib/lastwatt",
    short_help="Add somebody, or change what somebody may do.",
)
@click.argument("name")
@click.option(
    "--rights", type=click.Choice(list(_RIGHTS)), default="see", show_default=True,
    help="see: look; act: also change.",
)  # fmt: skip
@_hash_option
@state_option
@json_option
def add(name: str, rights: str, from_hash: bool, folder: Path, as_json: bool) -> int:
    """Add NAME, whose password is asked for, or read from standard input; of 10 characters or more.

    Somebody of that name is replaced: what they may do, and their password.
    """
    from agent.page.people import Person, Rights, changing

    _see_name(name)
    hashed = _password(from_hash=from_hash, as_hash=f"Password of {name}")
    person = Person(name=name, rights=Rights(rights), password=hashed)
    with changing(folder) as held:
        held[0] = held[0].with_person(person)
    return _told(as_json, f"{name} may {_RIGHTS[rights]}", name=name, rights=rights)


@people.command(
    cls=Command,
    example="lastwatt people password Ana --state /var/lib/lastwatt",
    short_help="Give somebody another password.",
)
@click.argument("name")
@_hash_option
@state_option
@json_option
def password(name: str, from_hash: bool, folder: Path, as_json: bool) -> int:
    """Give NAME another password, asked for or read from standard input; ends their sessions."""
    from agent.page.people import PeopleError, Person, changing, read_people

    unknown = PeopleError(f'nobody is called "{name}" here; `lastwatt people add` adds somebody')
    if read_people(folder).person(name) is None:
        raise unknown
    hashed = _password(from_hash=from_hash, as_hash=f"New password of {name}")
    with changing(folder) as held:
        known = held[0].person(name)
        if known is None:
            raise unknown
        held[0] = held[0].with_person(Person(name=name, rights=known.rights, password=hashed))
    return _told(as_json, f"{name} has another password", name=name)


@people.command(
    cls=Command,
    example="lastwatt people remove Ana --state /var/lib/lastwatt\n"
    "lastwatt people remove --token prometheus --state /var/lib/lastwatt",
    short_help="Remove somebody, or a token.",
)
@click.argument("name")
@click.option("--token", "is_token", is_flag=True, help="NAME is a token's.")
@state_option
@json_option
def remove(name: str, is_token: bool, folder: Path, as_json: bool) -> int:
    """Remove NAME, who is signed out at once."""
    from agent.page.people import changing

    with changing(folder) as held:
        left = held[0]
        held[0] = left.without_token(name) if is_token else left.without_person(name)
    return _told(as_json, f"{name} is removed", name=name)


@people.command(
    cls=Command,
    example="lastwatt people token prometheus --state /var/lib/lastwatt > prometheus-token",
    short_help="Make a token that lets a program read.",
)
@click.argument("name")
@state_option
@json_option
def token(name: str, folder: Path, as_json: bool) -> int:
    """Make a token by which a program reads page, numbers and HTTP interface, and changes nothing.

    It is shown this once, and goes with a request as "Authorization: Bearer TOKEN". An old token of
    that name ends.
    """
    from agent.clock import LoopClock
    from agent.page.people import changing

    _see_name(name)
    with changing(folder) as held:
        held[0], secret = held[0].with_token(name, made=LoopClock().utc().date())
    return _told(as_json, secret, name=name, token=secret)


@people.command(
    name="list",
    cls=Command,
    example="lastwatt people list --state /var/lib/lastwatt",
    short_help="Show everybody.",
)
@state_option
@json_option
def list_(folder: Path, as_json: bool) -> int:
    """Show who may sign in, and which tokens there are; of neither the secret."""
    from agent.page.people import read_people

    found = read_people(folder)
    if as_json:
        show_document(
            True,
            people=[{"name": one.name, "rights": one.rights.value} for one in found.people],
            tokens=[{"name": one.name, "made": one.made.isoformat()} for one in found.tokens],
        )
        return Exit.YES
    for one in found.people:
        show(f"{one.name}: may {_RIGHTS[one.rights.value]}")
    for made in found.tokens:
        show(f"token {made.name}: may read, made {made.made.isoformat()}")
    if not found.people and not found.tokens:
        show("nobody yet: lastwatt people add NAME --rights act")
    return Exit.YES


def _see_name(name: str) -> None:
    if not name.strip() or name != name.strip() or len(name) > 64 or not name.isprintable():
        raise click.UsageError("a name has 1 to 64 printable characters, and no blank at its ends")


def _told(as_json: bool, text: str, **fields: str) -> int:
    if as_json:
        show_document(True, **fields)
    else:
        show(text)
    return Exit.YES
