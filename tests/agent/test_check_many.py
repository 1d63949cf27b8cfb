"""Many sites checked in one go: all of them, each by itself, and far from their boxes."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.checks.many import check_many, site_files
from agent.config import Severity
from agent.errors import ConfigError
from tests.agent.commands import lastwatt
from tests.agent.many_sites import write_sites
from tests.agent.site_files import TODAY


def test_three_hundred_sites_are_checked_in_one_go(tmp_path: Path) -> None:
    """An integrator sees before a roll-out that every site's file stands."""
    files = write_sites(tmp_path, 300)
    done = lastwatt("check", "--all", tmp_path, "--json")

    assert done.status == 0
    sites = done.document["sites"]
    assert [site["file"] for site in sites] == [str(path) for path in files]
    assert [site["site"] for site in sites] == [f"Boatyard {n}" for n in range(1, 301)]


def test_one_bad_site_hides_no_other(tmp_path: Path) -> None:
    """A fault, a text that is no TOML and a missing base are each told, and the rest is checked."""
    files = write_sites(tmp_path, 24)
    files[2].write_text(files[2].read_text().replace("watts = 5.5", "wats = 5.5", 1))
    files[11].write_text("base = [")
    files[20].write_text('base = "../elsewhere.toml"\n')
    done = lastwatt("check", "--all", tmp_path, "--json")

    assert done.status == 1
    bad = {site["file"]: site for site in done.document["sites"] if not site["ok"]}
    assert list(bad) == [str(files[2]), str(files[11]), str(files[20])]
    assert "unknown-key" in {fault["code"] for fault in bad[str(files[2])]["faults"]}
    assert "is not TOML" in bad[str(files[11])]["unreadable"]
    assert [fault["code"] for fault in bad[str(files[20])]["faults"]] == ["bad-base"]


def test_a_person_is_told_the_faults_and_the_sum(tmp_path: Path) -> None:
    """Warnings of three hundred sites would bury the one that has to be mended."""
    files = write_sites(tmp_path, 3)
    files[1].write_text(files[1].read_text().replace("watts = 5.5", "wats = 5.5", 1))
    done = lastwatt("check", "--all", tmp_path)

    assert done.status == 1
    first, last = done.out.splitlines()
    assert first.startswith(f"{files[1]}:18: error: device.camera 1.wats: ")
    assert last.startswith(f"{tmp_path}: 3 sites, 1 to mend; ")


def test_warnings_count_when_strict(tmp_path: Path) -> None:
    """Who wants no warning in the fleet gets status 1 for each."""
    write_sites(tmp_path, 1)

    assert lastwatt("check", "--all", tmp_path).status == 0
    assert lastwatt("check", "--all", tmp_path, "--strict").status == 1


def test_secrets_that_lie_on_the_box_are_only_warned_of(tmp_path: Path) -> None:
    """The repository holds no secret; one that is open to others there is a fault all the same."""
    (path,) = write_sites(tmp_path, 1)
    (checked,) = check_many([path], today=TODAY)
    absent = [fault for fault in checked.faults if fault.code == "secret-absent"]
    secret = path.parent / "unit-auth"
    secret.write_text("oars-and-ropes")
    secret.chmod(0o644)
    (opened,) = check_many([path], today=TODAY)

    assert not checked.has_errors
    assert {fault.key.split(".")[-1] for fault in absent} >= {"file"}
    assert any(str(secret) in fault.message for fault in absent)
    errors = [fault for fault in opened.faults if fault.severity is Severity.ERROR]
    assert [fault.code for fault in errors] == ["secret-open"]


def test_bases_recipes_and_hidden_folders_are_no_sites(tmp_path: Path) -> None:
    """What sites begin from is checked through them, not by itself."""
    files = write_sites(tmp_path, 2)
    for name in ("recipes", ".git"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "x.toml").write_text("format = 1\n")

    assert site_files(tmp_path) == tuple(files)


def test_a_folder_without_sites_is_said_to_be_one(tmp_path: Path) -> None:
    """A mistyped folder is not a fleet without a fault."""
    with pytest.raises(ConfigError, match="holds no site's file"):
        site_files(tmp_path)
    assert lastwatt("check", "--all", tmp_path).status == 2
    assert lastwatt("check", "--all", tmp_path / "nowhere").status == 2


def test_worker_processes_find_what_one_finds(tmp_path: Path) -> None:
    """However many work, the result and its order are the same."""
    files = write_sites(tmp_path, 25)
    files[7].write_text("= 1")
    told: list[tuple[int, int]] = []
    alone = check_many(files, today=TODAY, workers=1)
    shared = check_many(
        files, today=TODAY, workers=2, tell=lambda done, whole: told.append((done, whole))
    )

    assert shared == alone
    assert told[-1] == (25, 25)


@pytest.mark.parametrize("arguments", [[], ["site.toml", "--all", "sites"]])
def test_a_file_or_a_folder_is_to_be_named(arguments: list[str]) -> None:
    """Not both, and not neither."""
    done = lastwatt("check", *arguments)

    assert done.status == 2
    assert "name one FILE, or a folder with --all DIR" in done.complaint


def test_a_folder_that_is_a_file_is_unreadable(tmp_path: Path) -> None:
    """It is said in a line."""
    (tmp_path / "x.toml").write_text("")
    done = lastwatt("check", "--all", tmp_path / "x.toml")

    assert done.status == 2
    assert "cannot be read" in done.complaint
