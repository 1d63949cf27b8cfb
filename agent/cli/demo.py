"""`lastwatt demo`: a whole outage on the virtual site, in a minute."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from agent.cli.contract import Command, CommandError, Exit, json_option, show_document

if TYPE_CHECKING:
    from rich.console import Console


@click.command(
    cls=Command,
    example="lastwatt demo --fast",
    short_help="A whole outage on a virtual site, in a minute.",
)
@click.option("--fast", is_flag=True, help="In at most 20 seconds.")
@click.option("--seed", type=int, default=1, help="Of the virtual site's addresses and passwords.")
@click.option(
    "--page",
    type=click.IntRange(1, 65535),
    metavar="PORT",
    help="Serve the agent's page too, at http://127.0.0.1:PORT/; it goes with the box's power.",
)
@json_option
def demo(fast: bool, seed: int, page: int | None, as_json: bool) -> int:
    """Ride through an outage on a virtual site: nothing outside this machine is touched.

    A backup unit answers real SNMP from a battery that really empties, a recorder real HTTPS, a PC,
    a store and a switch real SSH, all on loopback. Mains fails, the battery ends, mains returns;
    the agent is the code of `lastwatt run`. The status is 0 if all that holds data was at rest
    before the battery ended, and everything runs again.
    """
    import logging
    import tempfile
    from pathlib import Path

    from rich.console import Console

    from agent.logs import set_up_logs
    from agent.virtual.demo import FACTOR, FAST_FACTOR, run_demo

    # The picture tells it all; what the agent logs on the way would only tear it.
    set_up_logs(level=logging.CRITICAL)
    console = Console(highlight=False, markup=False)
    factor = FAST_FACTOR if fast else FACTOR
    if page is not None:
        _see_free(page)
    if page is not None and not as_json:
        console.print(f"the agent's page: http://127.0.0.1:{page}/", soft_wrap=True)
    with tempfile.TemporaryDirectory(prefix="lastwatt-") as name:
        if as_json:
            document = run_demo(Path(name), factor=factor, seed=seed, page_port=page)
        elif console.is_terminal:
            document = _live(console, Path(name), factor, seed, page)
        else:
            document = _told(console, Path(name), factor, seed, page)
    ok = document.pop("ok")
    if as_json:
        show_document(ok, **document)
    else:
        from agent.virtual.demo_view import print_account

        print_account(console, document)
    return Exit.YES if ok else Exit.NO


def _see_free(port: int) -> None:
    """See that the page can be served there: the agent itself would only log that it cannot.

    Raises:
        CommandError: not so.
    """
    import socket

    try:
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(("127.0.0.1", port))
            probe.listen(1)
    except OSError as error:
        why = (error.strerror or "no address").lower()
        raise CommandError(
            f"the page cannot be served at port {port} ({why}): give another one with --page",
            status=Exit.UNREADABLE,
        ) from error


def _live(
    console: Console, folder: Any, factor: float, seed: int, page: int | None
) -> dict[str, Any]:
    """Show the picture as it goes."""
    from rich.live import Live

    from agent.virtual.demo import Shown, run_demo
    from agent.virtual.demo_view import Picture

    picture = Picture(span_s=2100.0)
    with Live(console=console, auto_refresh=False, transient=True) as live:

        def view(shown: Shown) -> None:
            live.update(picture.render(shown), refresh=True)

        return run_demo(folder, factor=factor, seed=seed, view=view, page_port=page)


def _told(
    console: Console, folder: Any, factor: float, seed: int, page: int | None
) -> dict[str, Any]:
    """Tell it line by line, where there is no terminal."""
    from agent.virtual.demo import Shown, run_demo
    from agent.virtual.demo_view import clock_text, sentence

    told = 0

    def view(shown: Shown) -> None:
        nonlocal told
        for at_s, event in shown.story.events[told:]:
            if (text := sentence(event)) is not None:
                console.print(f"{clock_text(at_s):>5}  {text}", soft_wrap=True)
        told = len(shown.story.events)

    console.print("minutes since mains failed, and what the agent says", soft_wrap=True)
    document = run_demo(folder, factor=factor, seed=seed, view=view, page_port=page)
    console.print()
    return document
