"""`lastwatt page`: where a site's page is, and by what its certificate is recognised."""

from __future__ import annotations

from pathlib import Path

import click

from agent.cli.contract import (
    FILE,
    FOLDER,
    Command,
    CommandError,
    Exit,
    json_option,
    show,
    show_document,
)
from agent.cli.site import load_whole


@click.command(
    cls=Command,
    example="lastwatt page site.toml --state /var/lib/lastwatt",
    short_help="Where the page is; its certificate's fingerprint.",
)
@click.argument("file", type=FILE)
@click.option(
    "--state", "folder", type=FOLDER, help="Its state directory; default `state` of the file."
)
@json_option
def page(file: Path, folder: Path | None, as_json: bool) -> int:
    """Say where the page of FILE's site is, who may look, and its certificate's fingerprint.

    Compare that with what the browser shows at the first visit: nobody vouches for a certificate
    that the agent made for itself. The one that is missing is made now.
    """
    from agent.clock import LoopClock
    from agent.page.people import own_as_folder
    from agent.page.tls import Certificate

    loaded = load_whole(file)
    folder = folder or loaded.agent.state
    settings = loaded.page
    if settings is None:
        raise CommandError("the file has no [page], so there is none", status=Exit.NO)
    if folder is None:
        raise click.UsageError(
            "Missing option '--state', and the file names no state under [agent]"
        )
    fields: dict[str, object] = {
        "address": settings.address or "any free port, which its log names",
        "open_reading": settings.open_reading,
        "certificate": None,
    }
    if settings.has_tls:
        certificate = Certificate(settings, folder, utc=LoopClock().utc)
        if certificate.keep_up() and certificate.is_made:
            own_as_folder(folder, certificate.path, certificate.key)
        found = certificate.fingerprint()
        fields["certificate"] = {
            "sha256": found.sha256,
            "key_sha256": found.key_sha256,
            "ends": found.ends.isoformat(),
            "names": list(found.names),
        }
    if as_json:
        show_document(True, **fields)
        return Exit.YES
    show(str(fields["address"]))
    show("whoever is on this box may look" if settings.open_reading else "people sign in to look")
    if settings.has_tls:
        show(f"certificate, SHA-256: {found.sha256}")
        show(f"its public key, SHA-256: {found.key_sha256}")
        show(f"it is for {', '.join(found.names)}, and ends {found.ends:%Y-%m-%d}")
    return Exit.YES
