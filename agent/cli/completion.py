"""`lastwatt completion`: what lets a shell complete the others."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from agent.cli.contract import COMPLETE_VARIABLE, PROGRAM, Command, CommandError, Exit


@click.command(
    cls=Command,
    example="lastwatt completion bash > /etc/bash_completion.d/lastwatt",
    short_help="Print what lets a shell complete all this.",
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
@click.pass_context
def completion(context: click.Context, shell: str) -> int:
    """Print the script that lets SHELL complete lastwatt's commands and options."""
    found = get_completion_class(shell)
    assert found is not None, "click knows the shells that are offered"
    try:
        script = found(context.find_root().command, {}, PROGRAM, COMPLETE_VARIABLE).source()
    except RuntimeError as error:  # its word for a bash that is too old
        raise CommandError(str(error), status=Exit.NO) from error
    click.echo(script)
    return Exit.YES
