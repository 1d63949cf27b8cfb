"""The task pages: every command in a block marked `sh` is run, in order, at the virtual yard.

A block marked `text` after it has what must be said, `…` standing for anything. Blocks marked
`person` want hands, a switch or a box of their own; they are listed here, so that none is marked so
to get by. Paths of an installed box are replaced by the yard's, and `sudo` runs what it is given.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.agent.held_yards import HeldYard

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "deploy" / "docs"
PAGES = (
    "first-site",
    "no-recipe",
    "sizing",
    "drilling",
    "in-an-outage",
    "after-an-outage",
    "battery",
    "many-sites",
    "cautions",
)
_FENCE = re.compile(r"^( *)```(\w*)\n(.*?)^ *```$", re.MULTILINE | re.DOTALL)
_WORDS = {"sh", "text", "person", "toml", "ini"}

BY_A_PERSON = {
    "first-site": (
        "tar -xf lastwatt-0.1.0-x86_64.tar",
        "sudo lastwatt new /etc/lastwatt/site.toml",
        "sudo systemctl start lastwatt",
        "sudo lastwatt commission /etc/lastwatt/site.toml --state /var/lib/lastwatt",
        "sudo lastwatt commission /etc/lastwatt/site.toml --state /var/lib/lastwatt --repin",
    ),
    "no-recipe": (
        "lastwatt recipe new",
        "lastwatt recipe test NAME",
        'lastwatt ports /etc/lastwatt/site.toml "yard switch"',
    ),
    "sizing": ("lastwatt fit runs.csv",),
    "drilling": (
        "sudo lastwatt commission /etc/lastwatt/site.toml --state /var/lib/lastwatt --again",
    ),
    "in-an-outage": ("sudo lastwatt journal --state /var/lib/lastwatt --follow",),
    "after-an-outage": (
        'sudo lastwatt start "lock recorder" --state /var/lib/lastwatt',
        "lastwatt restore owed.txt",
    ),
    "battery": ('sudo lastwatt stop "lock recorder" --state /var/lib/lastwatt',),
    "many-sites": (
        "deploy/rollout --canaries 2 --wave 20 fleet hosts",
        "deploy/rollout --back fleet hosts",
    ),
    "cautions": (),
}
"""First lines of what wants a person; each of these commands has tests of its own."""


@dataclass(frozen=True)
class Block:
    """One fenced block: its mark and its text."""

    mark: str
    text: str

    @property
    def lines(self) -> list[str]:
        return [line for line in self.text.splitlines() if line.strip()]


def blocks(page: str) -> Iterator[Block]:
    """Give the blocks of a page."""
    for indent, mark, text in _FENCE.findall((DOCS / f"{page}.md").read_text()):
        yield Block(mark, textwrap.dedent(text) if indent else text)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[HeldYard]:
    with HeldYard(tmp_path_factory.mktemp("yard")) as found:
        yield found


def run(block: Block, held: HeldYard, desk: Path) -> subprocess.CompletedProcess[str]:
    """Run a block as a person would type it."""
    text = block.text.replace("/etc/lastwatt/site.toml", str(held.file))
    text = text.replace("/var/lib/lastwatt", str(held.state))
    path = f"{desk}/bin:{Path(sys.executable).parent}:{os.environ['PATH']}"
    return subprocess.run(
        ["/bin/sh", "-e", "-c", text],
        cwd=desk,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        stdin=subprocess.DEVNULL,
        env={**os.environ, "PATH": path, "COLUMNS": "200"},
    )


def desk_of(folder: Path) -> Path:
    """Return a folder to type in: the project's deploy, and a sudo that is none."""
    (folder / "bin").mkdir()
    (folder / "bin" / "sudo").write_text('#!/bin/sh\nexec "$@"\n')
    (folder / "bin" / "sudo").chmod(0o755)
    (folder / "deploy").symlink_to(ROOT / "deploy")
    return folder


def is_said(wanted: str, said: str) -> bool:
    """Whether a line is there, with anything where … stands."""
    pattern = ".*".join(re.escape(part) for part in wanted.strip().split("…"))
    return any(re.fullmatch(pattern, line.strip()) for line in said.splitlines())


@pytest.mark.parametrize("page", PAGES)
def test_what_a_page_has_one_type_runs_and_says_what_it_says(
    page: str, yard: HeldYard, tmp_path: Path
) -> None:
    """Whoever follows it, word by word, gets there."""
    desk, last = desk_of(tmp_path), None
    for block in blocks(page):
        if block.mark == "sh":
            last = run(block, yard, desk)
            told = f"{block.text}\n{last.stdout}\n{last.stderr}"
            assert last.returncode == 0, told
            assert "Traceback" not in last.stderr, told
        elif block.mark == "text":
            assert last is not None
            for line in block.lines:
                assert is_said(line, last.stdout), f"{line}\n--\n{last.stdout}\n{last.stderr}"


@pytest.mark.parametrize("page", PAGES)
def test_what_wants_a_person_is_listed(page: str) -> None:
    """A command is not taken out of the test by another mark."""
    found = list(blocks(page))

    assert {block.mark for block in found} <= _WORDS
    people = tuple(block.lines[0] for block in found if block.mark == "person")
    assert people == BY_A_PERSON[page]


def test_the_walk_through_takes_ten_commands_at_most() -> None:
    """From an empty box to a site in service, everything counted that is typed."""
    text = (DOCS / "first-site.md").read_text()
    walk = text[text.index("## The walk-through") : text.index("## For a script")]
    typed = [
        line
        for _, mark, block in _FENCE.findall(walk)
        if mark in ("sh", "person")
        for line in block.splitlines()
        if line.strip()
    ]

    assert len(typed) == 7, typed
    assert any("install" in line for line in typed)
    assert typed[-1].strip().startswith("sudo lastwatt commission /etc/lastwatt/site.toml")


def test_every_page_is_there_and_every_link_leads_somewhere() -> None:
    """The README names the pages; a page that nobody finds helps nobody."""
    readme = (ROOT / "README.md").read_text()
    for page in (*PAGES, "install"):
        assert f"deploy/docs/{page}.md" in readme, page
    for path in DOCS.glob("*.md"):
        for link in re.findall(r"\]\(([^)#:]+)\)", path.read_text()):
            assert (path.parent / link).exists(), f"{path.name}: {link}"
