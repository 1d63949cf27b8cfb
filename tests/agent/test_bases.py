"""A site's file over a base: what it takes over, what wins, and where each value is said to be."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.config import Severity
from agent.config.origins import origins
from tests.agent.commands import lastwatt
from tests.agent.site_files import HEAD, RECORDER, SITE, UNIT, Read, marked, read

SMALL = """\
base = "base.toml"
[site]
name = "Heron Lock"
[[unit]]
name = "cabinet"
address = "192.0.2.77"
"""


def over(folder: Path, base: str, own: str) -> Read:
    """Write a base and a site's file that begins from it, and load that."""
    (folder / "base.toml").write_text(base)
    return read(folder, own)


def places(found: Read, folder: Path) -> dict[str, str]:
    """Return where each key's value stands, as "file:line"."""
    document = found.loaded.document
    return {key: f"{at.relative_to(folder)}:{line}" for key, (at, line) in origins(document)}


def test_a_site_is_its_base_and_what_it_says_itself(tmp_path: Path) -> None:
    """Tables merge key by key; units and devices by name, in the base's order, new ones last."""
    own = SMALL + '[[device]]\nname = "gate lamp"\nfeed = "cabinet"\nwatts = 3\n'
    found = over(tmp_path, SITE, own).loaded

    assert found.site.name == "Heron Lock"
    assert found.time_zone.key == "Europe/Lisbon"
    assert found.units["cabinet"].address == "192.0.2.77"
    assert found.site.units["cabinet"].rating_w == 700
    assert list(found.site.devices) == ["gate recorder", "gate lamp"]


def test_each_value_keeps_the_file_and_line_that_it_came_from(tmp_path: Path) -> None:
    """Who wonders about a value at one of many sites is told where to change it."""
    own = SMALL + '[[device]]\nname = "lamp"\nfeed = "cabinet"\nwatts = 3\n'
    found = places(over(tmp_path, SITE, own), tmp_path)

    assert found["site.name"] == "site.toml:3"
    assert found["site.time_zone"] == "base.toml:4"
    assert found["unit.cabinet.address"] == "site.toml:6"
    assert found["unit.cabinet.rating.watts"] == "base.toml:9"
    assert found["device.gate recorder.stop.takes"] == "base.toml:17"
    assert found["device.lamp.watts"] == "site.toml:10"


def test_a_fault_names_the_file_and_the_line_where_it_stands(tmp_path: Path) -> None:
    """A fault in the base is not sought in the site's file, nor the other way round."""
    base = SITE.replace("watts = 24", 'watts = "24"  # <- wrong-type')
    own = SMALL + '[[device]]\nname = "lamp"\nfeed = "cabinett"  # <- unknown-name\nwatts = 3\n'
    found = over(tmp_path, base, own)
    by_file = {
        name: {(f.line, f.code) for f in found.faults if Path(f.file).name == name}
        for name in ("base.toml", "site.toml")
    }

    assert by_file == {"base.toml": marked(base), "site.toml": marked(own)}


def test_a_name_that_is_given_twice_says_in_which_file_the_other_is(tmp_path: Path) -> None:
    """A unit of the site and a device of the base may clash."""
    own = SMALL + UNIT.replace('"cabinet"', '"gate recorder"')
    (fault,) = over(tmp_path, SITE, own).faults

    assert fault.code == "duplicate-name"
    assert fault.file.endswith("base.toml")
    assert "site.toml" in fault.message


def test_bases_lie_beneath_each_other(tmp_path: Path) -> None:
    """A country's base over the firm's; the nearest to the site wins."""
    (tmp_path / "firm.toml").write_text(SITE.replace("watts = 24", "watts = 24\nworth = 3"))
    base = 'base = "firm.toml"\n[[device]]\nname = "gate recorder"\nwatts = 30\nhold = "1h"\n'
    own = SMALL + '[[device]]\nname = "gate recorder"\nhold = "2h"\n'
    found = over(tmp_path, base, own)
    recorder = found.loaded.site.devices["gate recorder"]
    known = places(found, tmp_path)

    assert (recorder.watts, recorder.worth, recorder.hold_s) == (30, 3, 7200.0)
    assert known["device.gate recorder.watts"] == "base.toml:4"
    assert known["device.gate recorder.hold"] == "site.toml:9"
    assert known["device.gate recorder.worth"] == "firm.toml:17"
    assert found.loaded.document.bases == (tmp_path / "base.toml", tmp_path / "firm.toml")


def test_what_a_site_has_not_is_left_out(tmp_path: Path) -> None:
    """A site without the recorder of the others says so in a word."""
    own = 'without = ["gate recorder"]\n' + SMALL
    wrong = 'without = ["gate recordr"]  # <- unknown-name\n' + SMALL

    assert not over(tmp_path, SITE, own).loaded.site.devices
    assert over(tmp_path, SITE, wrong).codes() == marked(wrong)


def test_secrets_and_recipes_of_a_base(tmp_path: Path) -> None:
    """A secret that the base names is each site's own; a recipe may lie beside the base."""
    (tmp_path / "yard").mkdir()
    (tmp_path / "recipes").mkdir()
    (tmp_path / "recipes" / "yard-knock.toml").write_text(
        'format = 1\n[vars.user]\n[stop]\ndriver = "http"\npath = "/stop"\n'
        '[http]\nauth = "basic"\nuser = "{vars.user}"\npassword = { file = "gate" }\n'
    )
    device = RECORDER.split("stop =")[0] + 'recipe = "yard-knock"\nvars = { user = "keeper" }\n'
    (tmp_path / "base.toml").write_text(HEAD + UNIT + device)
    secret = tmp_path / "yard" / "gate"
    secret.write_text("oars-and-ropes")
    secret.chmod(0o600)
    (tmp_path / "yard" / "site.toml").write_text(SMALL.replace("base.toml", "../base.toml"))
    env = {"CABINET_COMMUNITY": "slipway-and-ropes"}
    done = lastwatt("check", tmp_path / "yard" / "site.toml", "--json", env=env)

    assert done.document["site"] == "Heron Lock", done.out
    secret.unlink()
    done = lastwatt("check", tmp_path / "yard" / "site.toml", "--json", env=env)
    assert str(secret) in done.document["faults"][0]["message"]


def test_another_recipe_takes_nothing_of_the_first_ones_variables(tmp_path: Path) -> None:
    """They would be unknown to it."""
    base = HEAD + UNIT + RECORDER.split("stop =")[0]
    base += 'recipe = "linux"\nvars = { user = "keeper", port = 23 }\n'
    own = SMALL + '[[device]]\nname = "gate recorder"\nrecipe = "poe-port"\n'
    found = over(tmp_path, base, own)

    assert not [fault for fault in found.faults if "has no such variable" in fault.message]
    assert [fault for fault in found.faults if "recipe poe-port needs" in fault.message]


@pytest.mark.parametrize(
    ("own", "files", "said"),
    [
        ('base = "base.toml"', {}, "cannot be read: no such file"),
        ('base = "base.toml"', {"base.toml": "site = }\n"}, "base.toml:1:8: is not TOML"),
        ('base = "site.toml"', {}, "go round in a circle"),
        ('base = "base.toml"', {"base.toml": 'base = "site.toml"'}, "go round in a circle"),
        (
            'base = "0.toml"',
            {f"{n}.toml": f'base = "{n + 1}.toml"' for n in range(7)},
            "more than 5 bases",
        ),
    ],
    ids=["missing", "no TOML", "itself", "circle", "too many"],
)
def test_a_base_that_cannot_be_one_is_named(
    tmp_path: Path, own: str, files: dict[str, str], said: str
) -> None:
    """With the line that names it, and nothing else: what it would have said is not missed."""
    for name, text in files.items():
        (tmp_path / name).write_text(text)
    (fault,) = read(tmp_path, own).faults

    assert (fault.line, fault.key, fault.code) == (1, "base", "bad-base")
    assert fault.severity is Severity.ERROR
    assert said in fault.message


def test_a_base_that_is_no_text_is_a_fault(tmp_path: Path) -> None:
    """Its type is looked at like that of any key."""
    text = "base = 7  # <- wrong-type\n" + SITE

    assert read(tmp_path, text).codes() == marked(text)


def test_without_needs_a_base(tmp_path: Path) -> None:
    """It would leave out what the file itself says."""
    text = 'without = ["gate recorder"]  # <- bad-base\n' + SITE

    assert read(tmp_path, text).codes() == marked(text)


def test_a_list_that_a_site_writes_wrongly_is_told_of(tmp_path: Path) -> None:
    """[device] in place of [[device]]: merged with nothing, and named."""
    own = SMALL + '[device]  # <- wrong-type\nname = "lamp"\n'

    assert over(tmp_path, SITE, own).codes() == marked(own)


def test_origins_are_shown_by_the_command(tmp_path: Path) -> None:
    """`check --origins` says file, line and key, and no value: one may be a key of somebody."""
    (tmp_path / "base.toml").write_text(SITE.split("stop =")[0])
    (tmp_path / "site.toml").write_text(SMALL)
    done = lastwatt("check", "site.toml", "--origins", cwd=tmp_path)

    assert done.status == 0
    assert "site.toml:3: site.name" in done.out.splitlines()
    assert "base.toml:9: unit.cabinet.rating.watts" in done.out.splitlines()
