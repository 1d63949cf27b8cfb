"""What a roll-out does on a box, where it is broken off in the middle and whatever modes came.

The part for the box is run as it is, by sh. In place of an agent stands a script that says whether
it is well; `tests/deploy/test_rollout.py` has real ones.
"""

from __future__ import annotations

import subprocess
import textwrap
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "deploy" / "rollout-box"

COMMAND = """\
#!/bin/sh
# Well is whose site's file says so; `check` finds no fault in any.
[ "$1" = status ] || exit 0
grep -q well "$LASTWATT_FOLDER/site.toml" || exit 1
echo '{"outage_s": null, "supply": "mains", "heard_s": 0.0}'
"""


class Box:
    """A box as a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.bin, self.stage = folder / "etc", folder / "bin", folder / "stage"
        self.folder.mkdir()
        self.bin.mkdir()
        self.script("lastwatt", COMMAND)

    def script(self, name: str, text: str) -> Path:
        path = self.bin / name
        path.write_text(text)
        path.chmod(0o755)
        return path

    def get(self, restart: str = "true", *, act: str = "forward", **files: str) -> tuple[int, str]:
        """Have files brought, of the modes that a strict login leaves; return status and word."""
        self.stage.mkdir(mode=0o700)
        for name, text in files.items():
            path = self.stage / name.replace("__", "/").replace("_toml", ".toml")
            path.parent.mkdir(mode=0o700, exist_ok=True)
            path.write_text(text)
            path.chmod(0o600)
        given = textwrap.dedent(f"""\
            act='{act}' stage='{self.stage}' folder='{self.folder}' settle_s='1'
            restart='{restart}' PATH='{self.bin}':$PATH
            """)
        done = subprocess.run(
            ["sh", "-s"],
            input=given + SCRIPT.read_text(),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        if self.stage.exists():
            subprocess.run(["rm", "-rf", self.stage], check=True)
        said = done.stdout.splitlines()
        return done.returncode, said[-1] if said else done.stderr

    def has(self) -> dict[str, str]:
        return {path.name: path.read_text() for path in self.folder.glob("*.toml")}


@pytest.fixture
def box(tmp_path: Path) -> Box:
    return Box(tmp_path)


def test_the_agents_group_reads_all_that_was_brought(box: Box) -> None:
    """A login whose umask is 077 must not leave recipes that only root can read."""
    status, said = box.get(site_toml="well", base_toml="base", recipes__own_toml="recipe")

    assert (status, said) == (0, "done: its agent is well")
    modes = {path.name: path.stat().st_mode & 0o777 for path in box.folder.rglob("*.toml")}
    assert modes == {"site.toml": 0o640, "base.toml": 0o640, "own.toml": 0o640}
    assert (box.folder / "recipes").stat().st_mode & 0o777 == 0o750


def test_a_roll_out_that_is_killed_before_it_judged_is_judged_the_next_time(box: Box) -> None:
    """The same call goes on: what lies there already was never seen to be well."""
    box.get(site_toml="well, the first")
    killer = box.script("killer", "#!/bin/sh\nkill -KILL $PPID\n")
    status, _ = box.get(str(killer), site_toml="a bad one")
    left = box.has()
    again, said = box.get(site_toml="a bad one")

    assert status == -9
    assert left == {"site.toml": "a bad one"}
    assert again == 1
    assert said == "FAILED: its agent was not well with that; it has gone back, and is well"
    assert box.has() == {"site.toml": "well, the first"}


def test_what_to_go_back_to_outlives_a_kill_and_another_roll_out(box: Box) -> None:
    """Half of what came is no place to go back to."""
    box.get(site_toml="well, the first")
    killer = box.script("killer", "#!/bin/sh\nkill -KILL $PPID\n")
    box.get(str(killer), site_toml="half of it", base_toml="new")
    status, said = box.get(site_toml="bad again")

    assert status == 1 and "gone back, and is well" in said
    assert box.has() == {"site.toml": "well, the first"}
    assert box.get(site_toml="well, the second")[1] == "done: its agent is well"
    assert box.get(act="back")[1] == "back: it has what it had before"
    assert box.has() == {"site.toml": "well, the first"}


def test_the_installers_own_example_stays(box: Box, tmp_path: Path) -> None:
    """It is a link into the release in use; what a roll-out does not bring it does not take."""
    example = tmp_path / "example.toml"
    example.write_text("example")
    example.chmod(0o644)
    (box.folder / "config.example.toml").symlink_to(example)
    box.get(site_toml="well, the first", base_toml="base")
    box.get(site_toml="well, the second")

    assert box.has() == {"site.toml": "well, the second", "config.example.toml": "example"}
    assert example.stat().st_mode & 0o777 == 0o644


def test_a_first_file_that_is_not_well_leaves_none(box: Box) -> None:
    """There is nothing to go back to, and that is said, not stumbled over."""
    status, said = box.get(site_toml="a bad one")

    assert status == 1
    assert said == (
        "FAILED: its agent was not well with that; it has gone back, and is not well: look there"
    )
    assert box.has() == {}
