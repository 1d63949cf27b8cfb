"""Recipes in a site's file: the tables they come to, who wins, and where a fault is laid."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from agent.checks.recipe_trial import bench_of
from agent.config import Fault, LoadedSite, load
from agent.config.document import read_document
from agent.config.recipes import SHIPPED, find, listed, read_recipe
from agent.errors import ConfigError
from tests.agent.commands import unit, write_secret, write_site

RECIPE = """\
format = 1
about = "yard recorders"
start = "by itself"
[vars]
user = { about = "an account" }
password = { type = "secret" }
port = { type = "whole number", default = 8080 }
name = { optional = true }
wait = { type = "duration", default = "40s" }
[http]
scheme = "http"
port = "{vars.port}"
auth = "basic"
user = "{vars.user}"
password = "{vars.password}"
headers = { X-Site = "{vars.name}", X-Port = "at {vars.port}" }
[stop]
driver = "http"
path = "/api/stop"
json = { state = "off" }
takes = "{vars.wait}"
"""
DEVICE = """\
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
watts = 24
"""
VARS = 'recipe = "yard"\nvars = { user = "keeper", password = { file = "word" } }\n'


def site(folder: Path, device: str, **recipes: str) -> tuple[LoadedSite | None, list[Fault]]:
    (folder / "recipes").mkdir(exist_ok=True)
    for name, text in recipes.items():
        (folder / "recipes" / f"{name}.toml").write_text(text)
    write_secret(folder / "word", "hawser-7")
    file = write_site(folder, unit(161), DEVICE, device)
    loaded, faults = load(file, today=date(2026, 3, 1))
    return loaded, list(faults)


def line_of(path: Path, text: str) -> int:
    return next(n for n, line in enumerate(path.read_text().splitlines(), 1) if text in line)


def test_a_recipe_comes_to_the_tables_that_stand_written_out(tmp_path: Path) -> None:
    """A recipe is only a shorter way to write: nothing else can come of it in an outage."""
    written = """\
start = "by itself"
stop = { driver = "http", path = "/api/stop", json = { state = "off" }, takes = "40s" }
[device.http]
scheme = "http"
port = 8080
auth = "basic"
user = "keeper"
password = { file = "word" }
headers = { X-Port = "at 8080" }
"""
    plain, _ = site(tmp_path, written)
    by_recipe, faults = site(tmp_path, VARS, yard=RECIPE)

    assert faults == []
    assert plain is not None
    assert by_recipe is not None
    assert by_recipe.site == plain.site
    assert by_recipe.stage_drivers == plain.stage_drivers
    assert by_recipe.stage_takes == plain.stage_takes
    for driver, fitted in plain.fittings["gate recorder"].items():
        other = by_recipe.fittings["gate recorder"][driver]
        assert (other.access, other.stages) == (fitted.access, fitted.stages)


def test_a_device_says_the_last_word_key_by_key(tmp_path: Path) -> None:
    """One odd recorder needs one line, not a copy of the family's recipe."""
    own = """\
stop = { json = { mode = "sleep" }, takes = "90s" }
http = { password = { env = "WORD" }, headers = { X-Port = "mine" } }
"""
    (tmp_path / "recipes").mkdir()
    (tmp_path / "recipes" / "yard.toml").write_text(RECIPE)
    file = write_site(tmp_path, unit(161), DEVICE, VARS, own)
    loaded, faults = load(file, today=date(2026, 3, 1), secrets_must_exist=False)

    assert loaded is not None, faults
    tables = loaded.fittings["gate recorder"]["http"].tables
    assert tables["stop"] == {"path": "/api/stop", "json": {"mode": "sleep"}}
    assert tables["http"]["headers"] == {"X-Port": "mine"}
    assert tables["http"]["password"] == {"env": "WORD"}
    assert loaded.stage_takes["gate recorder"]["stop"] == 90.0  # type: ignore[index]


def test_a_stage_by_another_driver_keeps_nothing_of_the_recipes(tmp_path: Path) -> None:
    """Half a request and half a command would be refused, and nobody would see why."""
    own = """\
stop = { driver = "ssh", run = "poweroff" }
[device.ssh]
user = "keeper"
password = { file = "word" }
host_keys = ["SHA256:Zk3vJ8mQ1nT5yR7wB2cX4dF6gH9jK0lP3sV5uA8eI1o"]
"""
    loaded, _ = site(tmp_path, VARS + own, yard=RECIPE)

    assert loaded is not None
    assert loaded.fittings["gate recorder"]["ssh"].tables["stop"] == {"run": "poweroff"}


def test_a_parents_tables_lie_beneath_and_its_variables_are_inherited(tmp_path: Path) -> None:
    """A firmware that differs in one path is a recipe of four lines."""
    leaf = 'format = 1\nparent = "yard"\nstop = { path = "/off" }\n[vars.port]\ndefault = 81\n'
    device = VARS.replace('"yard"', '"yard-2"')
    loaded, faults = site(tmp_path, device, yard=RECIPE, **{"yard-2": leaf})

    assert loaded is not None, faults
    tables = loaded.fittings["gate recorder"]["http"].tables
    assert tables["stop"] == {"path": "/off", "json": {"state": "off"}}
    assert tables["http"]["port"] == 81


def test_a_fault_of_the_recipe_is_shown_on_its_own_line(tmp_path: Path) -> None:
    """Who mends the site's file for what stands in another mends for ever."""
    _, faults = site(tmp_path, VARS, yard=RECIPE.replace('"/api/stop"', '"api/stop"'))

    recipe = tmp_path / "recipes" / "yard.toml"
    (fault,) = faults
    assert (fault.file, fault.line) == (str(recipe), line_of(recipe, '"api/stop"'))
    assert fault.key == "device.gate recorder.stop.path"


def test_a_fault_of_a_parent_is_shown_on_the_parents_line(tmp_path: Path) -> None:
    """The leaf is right; the line to mend is one file further."""
    leaf = 'format = 1\nparent = "yard"\nstop = { takes = "9s" }\n'
    device = VARS.replace('"yard"', '"yard-2"')
    bad = RECIPE.replace('"/api/stop"', '"api/stop"')
    _, faults = site(tmp_path, device, yard=bad, **{"yard-2": leaf})

    recipe = tmp_path / "recipes" / "yard.toml"
    assert [(f.file, f.line) for f in faults] == [(str(recipe), line_of(recipe, '"api/stop"'))]


def test_a_value_that_the_device_gave_is_blamed_on_the_device(tmp_path: Path) -> None:
    """The recipe is right: it is this device's port that no driver takes."""
    device = VARS.replace("vars = {", "vars = { port = 70000,")
    _, faults = site(tmp_path, device, yard=RECIPE)

    (fault,) = faults
    file = tmp_path / "site.toml"
    assert (fault.file, fault.line) == (str(file), line_of(file, "70000"))
    assert fault.code == "out-of-range"


@pytest.mark.parametrize(
    ("device", "message", "fix"),
    [
        (VARS.replace("yard", "yrad"), 'no recipe is called "yrad"', 'write "yard"'),
        (VARS.replace("yard", "../yard"), "a recipe is named like", "session-json"),
        ('recipe = "yard"\nvars = { user = "a" }\n', "recipe yard needs password", "add password"),
        (VARS.replace("user =", "usr ="), "has no such variable", 'write "user"'),
        (VARS.replace('"keeper"', "5"), "text on one line is due", "an account"),
        ('recipe = "yard"\nvars = 4\n', "a table of variables is due", "write vars"),
        ("recipe = 4\n", "a recipe's name is due", "write recipe"),
        ("vars = { a = 1 }\n", "this device names none", "add recipe"),
        (VARS.replace('{ file = "word" }', '"hawser-7"'), "a secret's place is due", ""),
    ],
)
def test_a_device_that_names_it_wrongly_is_told_what_to_write(
    tmp_path: Path, device: str, message: str, fix: str
) -> None:
    """At the cabinet, with the file open, the sentence is all the help there is."""
    loaded, faults = site(tmp_path, device, yard=RECIPE)

    assert loaded is None
    found = [f for f in faults if message in f.message + f.fix]
    assert found, faults
    assert fix in found[0].message + found[0].fix
    assert found[0].line is not None
    assert "hawser-7" not in "".join(map(str, faults))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('path = "/api/stop"', 'path = "/{vars.nowhere}"', 'no variable is called "nowhere"'),
        ('path = "/api/stop"', 'path = "/{vars.password}"', "cannot stand within a text"),
        ('password = "{vars.password}"', 'password = "hawser-7"', "a secret never stands"),
        ("default = 8080", 'default = "8080"', "a whole number is due"),
        ("optional = true", 'optional = true, default = "a"', "is never left out"),
        ("optional = true", "optoinal = true", "this key is not known"),
        ("optional = true", 'pattern = "("', "no regular expression"),
        ("[stop]", "[stpo]", "a recipe has no such table"),
        ("format = 1", "format = 2", "this format of recipes"),
        ("format = 1", 'format = 1\nparent = "yard"', 'no recipe is called "yard"'),
    ],
)
def test_a_recipe_that_is_wrong_is_refused_with_its_place(
    tmp_path: Path, old: str, new: str, message: str
) -> None:
    """A recipe is written by hand, once, and used on every site after that."""
    loaded, faults = site(tmp_path, VARS, yard=RECIPE.replace(old, new, 1))

    assert loaded is None
    assert any(message in fault.message for fault in faults), faults
    assert "hawser-7" not in "".join(map(str, faults))


def test_parents_that_go_round_in_a_circle_are_refused(tmp_path: Path) -> None:
    """Two files that each name the other must not hang the check."""
    one = 'format = 1\nparent = "two"\nstop = { driver = "http" }\n'
    loaded, faults = site(
        tmp_path, VARS.replace("yard", "one"), one=one, two=one.replace("two", "one")
    )

    assert loaded is None
    assert any("no recipe is called" in f.message or "circle" in f.message for f in faults)


def test_a_recipe_beside_the_file_wins_over_a_shipped_one_and_may_build_on_it(
    tmp_path: Path,
) -> None:
    """A family's own recipe may bear the plain name, and still start from what is shipped."""
    folder = tmp_path / "recipes"
    folder.mkdir()
    (folder / "linux.toml").write_text('format = 1\nparent = "linux"\nstop = { takes = "9s" }\n')

    recipe, faults = read_recipe(find("linux", tmp_path), tmp_path)

    assert recipe is not None, faults
    assert recipe.files == (folder / "linux.toml", SHIPPED / "linux.toml")
    assert recipe.tables["stop"] == {
        "driver": "ssh", "run": "sudo -n systemctl poweroff", "takes": "9s",
    }  # fmt: skip


def test_an_absolute_path_names_a_recipe_anywhere(tmp_path: Path) -> None:
    """Several sites on one box share a folder that belongs to none of them."""
    elsewhere = tmp_path / "elsewhere.toml"
    elsewhere.write_text(RECIPE)
    loaded, faults = site(tmp_path, VARS.replace('"yard"', f'"{elsewhere}"'))

    assert loaded is not None, faults
    with pytest.raises(ConfigError, match="cannot be read"):
        read_recipe(find(str(tmp_path / "none.toml"), tmp_path), tmp_path)


@pytest.mark.parametrize("name", sorted(listed(SHIPPED)))
def test_every_shipped_recipe_comes_to_a_device_without_faults(name: str, tmp_path: Path) -> None:
    """What is shipped works once its variables are filled in."""
    recipe, faults = read_recipe(find(name, tmp_path), tmp_path)

    assert faults == []
    assert recipe is not None
    assert recipe.about
    bench = bench_of(recipe, {})
    assert bench.is_sound, bench.faults
    assert bench.drivers.starts is not None, "it says how such a device comes back"
    assert read_document(recipe.files[0]).value["about"] == recipe.about
