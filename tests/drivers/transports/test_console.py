"""How a console's output becomes evidence: readable, short, and without secrets."""

from __future__ import annotations

import re

from pydantic import SecretStr

from drivers.transports.console import (
    Command,
    Dialogue,
    Login,
    PaperConsole,
    Prompt,
    last_words,
    masked,
    readable,
)


def test_escape_sequences_are_taken_out() -> None:
    """Evidence stands on a page and in mails, not on a terminal. Sequences: ECMA-48, ECMA-35."""
    heard = b"\x1b[2J\x1b[1;31mgoing\x1b[0m down\x1b]0;title\x07\r\n\x1b(Bdone\x07\x00\x85"

    assert readable(heard) == "going down\ndone�"


def test_last_words_are_one_line_and_the_end() -> None:
    """What a command wrote last says most about how it went."""
    assert last_words("one\n\n  two   words \r\n") == "one / two words"
    assert last_words("x" * 300 + "\nthe end") == "…" + "x" * 189 + " / the end"
    assert len(last_words("y" * 500)) == 200
    assert last_words(" \n") == ""


def test_longer_secret_is_masked_before_the_one_inside_it() -> None:
    """Else the rest of it would be left standing."""
    secrets = (SecretStr("rope"), SecretStr("rope-and-tar"), SecretStr(""))

    assert masked("login rope-and-tar rope", secrets) == "login *** ***"


async def test_paper_writes_down_what_would_be_sent() -> None:
    """A rehearsal shows the owner each line, and no secret."""
    secret = SecretStr("rope-and-tar")
    login = Login("192.0.2.7", 2222, "watch", key=secret, password=secret)
    script = (
        Command("sudo -S poweroff", stdin=secret),
        Dialogue(
            (Prompt(re.compile("word:"), secret), Prompt(None, "halt"), Prompt(re.compile("k")))
        ),
    )
    sent: list[str] = []
    await PaperConsole(login).converse(script, within_s=1.0, sent=sent)

    assert sent == [
        "log in to 192.0.2.7 port 2222 as watch by key or password",
        "run sudo -S poweroff < ***",
        "open a terminal",
        "on /word:/ send ***",
        "send halt",
        "on /k/ send nothing more",
    ]
    assert "rope" not in repr((login, script))
