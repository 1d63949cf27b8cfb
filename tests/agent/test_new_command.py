"""`lastwatt new`: a person at a terminal, and a script, against a real unit and sshd."""

from __future__ import annotations

import re
import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.agent.commands import lastwatt
from tests.agent.terminals import Terminal
from tests.peers.snmpd import AUTH_SECRET, CONTROL, ON_MAINS, PRIVACY_SECRET, WATCH, Snmpd
from tests.peers.snmpd import free_port as free_udp_port
from tests.peers.sshd import Sshd

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    folder = tmp_path_factory.mktemp("unit")
    with Snmpd(folder, values={**ON_MAINS, **CONTROL}) as found:
        yield found


@pytest.fixture(scope="module")
def sshd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    with Sshd(tmp_path_factory.mktemp("recorder")) as found:
        (found.folder / "client").chmod(0o600)
        yield found


def begin(person: Terminal, snmpd: Snmpd) -> None:
    """Answer up to the unit's own words."""
    person.answer("What is the site called?", "Heron Lock")
    person.answer("Its time zone?", "Europe/Amsterdam")
    person.answer("A name for it?", "lodge unit")
    person.answer("Its network address?", snmpd.address)
    person.answer("SNMP version", "")
    person.answer("The SNMP user's name?", WATCH.name)
    person.answer("Its authentication (", "")
    person.answer("Its authentication secret", AUTH_SECRET)
    person.answer("Its privacy (", "")
    person.answer("Its privacy secret", PRIVACY_SECRET)
    person.answer("Its UDP port?", str(snmpd.port))


def go_on(person: Terminal) -> None:
    """Answer from the unit's rating to the box."""
    person.answer("in VA (its plate)? [1000]", "")
    person.answer("And in watts? [700]", "")
    person.answer("volts of the whole string", "24")
    person.answer("And its amp-hours?", "9")
    person.answer("Its kind", "")
    person.answer("The day that it was fitted", "2026-03-01")
    person.answer("May lastwatt have it do that?", "y")
    person.answer("Another backup unit", "")
    person.answer("A name for it? [warden]", "")
    person.answer("What powers it (lodge unit, mains)? [lodge unit]", "")
    person.answer("Its watts? [5]", "")
    person.answer("Does it start by itself", "")
    person.answer("Shall lastwatt look what answers", "")


def test_a_person_is_asked_for_a_site_and_gets_a_file_that_check_accepts(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd
) -> None:
    """The installer's first hour: unit read, recorder told over SSH, cameras counted."""
    key = sshd.folder / "client"
    with Terminal(("new", "site.toml"), tmp_path) as person:
        begin(person, snmpd)
        person.until("It calls itself Estuary Works Locker 1000.")
        go_on(person)
        person.answer("The next device's name", "gate switch")
        person.answer("What is it (", "switch")
        person.answer("Its network address (blank", "")
        person.answer("What powers it", "")
        person.answer("Its watts, measured", "9")
        person.answer("How is it told to stop?", "")
        person.answer("The next device's name", "lock recorder")
        person.answer("What is it (", "recorder")
        person.answer("Its network address (blank", "127.0.0.1")
        person.answer("What powers it (lodge unit, gate switch, mains)?", "")
        person.answer("Through which of these", "gate switch")
        person.answer("Its watts, measured", "27")
        person.answer("Shall lastwatt look which of the ports 22, 80, 443", "")
        person.until("open: ")
        person.answer("How is it told to stop?", "linux")
        if " 22" not in person.shown.split("open: ")[1].split("\n")[0]:
            person.answer("its port?", str(sshd.port))
        person.answer("the user to log in as", sshd.user)
        person.answer("its private key (hidden; or @FILE)", f"@{key}")
        person.until("compare that at its own console")
        person.answer("host_keys", "")
        person.answer("When its power comes it starts", "")
        person.answer("The next device's name", "gate camera")
        person.answer("What is it (", "camera")
        person.answer("Its network address (blank", "")
        person.answer("What powers it (lodge unit, gate switch, mains)? [gate switch]", "")
        person.answer("Its watts, measured at its plug or from its plate? [6]", "5.5")
        person.answer("What records it (lock recorder; blank: nothing here)? [lock recorder]", "")
        person.answer("How many such cameras", "2")
        person.answer("The next device's name", "")
        person.until("site.toml is written")
        assert person.end() == 0

    assert AUTH_SECRET not in person.shown
    done = lastwatt("check", "site.toml", "--json", cwd=tmp_path)
    assert done.status == 0, done.out
    site = tomllib.loads((tmp_path / "site.toml").read_text())
    assert [device["name"] for device in site["device"]] == [
        "warden",
        "gate switch",
        "lock recorder",
        "gate camera 1",
        "gate camera 2",
    ]
    assert site["unit"][0]["rating"] == {"va": 1000.0, "watts": 700.0}
    assert not (tmp_path / "site.toml.answers").exists()
    lists = site["device"][2]["vars"]["host_keys"]
    assert re.fullmatch(r"SHA256:[A-Za-z0-9+/]{43}", lists[0])


def test_secrets_lie_in_files_that_their_owner_alone_can_read(tmp_path: Path, snmpd: Snmpd) -> None:
    """Never in the site's file, nor among the answers that are kept."""
    with Terminal(("new", "site.toml"), tmp_path) as person:
        begin(person, snmpd)
        person.until("in VA (its plate)? [1000]")
        person.type(b"\x04")
        assert person.end() == 1

    secrets = tmp_path / "secrets"
    assert stat.S_IMODE(secrets.stat().st_mode) == 0o700
    found = {path.name: path for path in secrets.iterdir()}
    assert set(found) == {"lodge-unit-auth", "lodge-unit-privacy"}
    assert found["lodge-unit-auth"].read_text() == AUTH_SECRET
    assert {stat.S_IMODE(path.stat().st_mode) for path in found.values()} == {0o600}
    assert AUTH_SECRET not in (tmp_path / "site.toml.answers").read_text()


def test_where_the_service_hands_out_secrets_they_are_credentials(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """The installer has systemd give the agent what lies there; it cannot read the files itself."""
    (tmp_path / "secrets").mkdir(mode=0o700)
    env = {"CREDENTIALS_DIRECTORY": str(tmp_path / "secrets")}
    with Terminal(("new", "site.toml"), tmp_path, env) as person:
        begin(person, snmpd)
        person.until("It calls itself Estuary Works Locker 1000.")
        go_on(person)
        person.answer("The next device's name", "")
        assert person.end() == 0

    site = tomllib.loads((tmp_path / "site.toml").read_text())
    assert site["unit"][0]["snmp"]["auth_secret"] == {"credential": "lodge-unit-auth"}
    assert lastwatt("check", "site.toml", cwd=tmp_path, env=env).status == 0


def test_what_is_broken_off_goes_on_where_it_was(tmp_path: Path, snmpd: Snmpd) -> None:
    """A call in between must not cost the answers; the secrets are asked once."""
    with Terminal(("new", "site.toml"), tmp_path) as person:
        begin(person, snmpd)
        person.until("in VA (its plate)? [1000]")
        person.type(b"\x04")
        person.until("goes on from here")
        assert person.end() == 1
    assert not (tmp_path / "site.toml").exists()

    with Terminal(("new", "site.toml"), tmp_path) as person:
        person.until("going on with the answers")
        go_on(person)
        person.answer("The next device's name", "")
        assert person.end() == 0
    assert "What is the site called?" not in person.shown
    assert lastwatt("check", "site.toml", cwd=tmp_path).status == 0


def answers(folder: Path, snmpd: Snmpd, sshd: Sshd) -> Path:
    """Write answers for a script, and the secrets that they name."""
    for name, secret in (("auth", AUTH_SECRET), ("privacy", PRIVACY_SECRET)):
        (folder / name).write_text(secret)
        (folder / name).chmod(0o600)
    path = folder / "answers.toml"
    path.write_text(f"""\
[site]
name = "Heron Lock"
time_zone = "Europe/Amsterdam"
[[unit]]
address = "{snmpd.address}"
volts = 24
amp_hours = 9
[unit.snmp]
user = "{WATCH.name}"
auth_secret = {{ file = "auth" }}
privacy_secret = {{ file = "privacy" }}
port = {snmpd.port}
[[device]]
name = "lock recorder"
role = "recorder"
address = "127.0.0.1"
watts = 27
look = true
recipe = "linux"
[device.vars]
user = "{sshd.user}"
port = {sshd.port}
key = {{ file = "{sshd.folder / "client"}" }}
host_keys = ["{sshd.fingerprint()}"]
""")
    return path


def test_a_script_answers_from_a_file(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Three hundred sites are not typed; what has a default need not be said."""
    path = answers(tmp_path, snmpd, sshd)
    done = lastwatt("new", "site.toml", "--answers", path, "--json", cwd=tmp_path)

    assert done.status == 0, done.err
    assert done.document["site"] == "Heron Lock"
    site = tomllib.loads((tmp_path / "site.toml").read_text())
    assert site["unit"][0]["rating"]["va"] == 1000.0
    assert lastwatt("check", "site.toml", cwd=tmp_path).status == 0
    probed = lastwatt("probe", "site.toml", "--json", cwd=tmp_path).document["probes"]
    assert {(found["name"], found["ok"]) for found in probed} == {
        ("cabinet", True),
        ("lock recorder", True),
    }


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('name = "Heron Lock"', "", "the answers lack site.name"),
        ("watts = 27", 'watts = "many"', "device[1].watts: a number above 0 is due here"),
        ('{ file = "auth" }', '"open-secret"', "unit[1].snmp.auth_secret: a secret's place"),
        ('recipe = "linux"', 'recipe = "linx"', "device[1].recipe: one of these is due here"),
        ("[site]", "[yard]", "nothing asks for yard"),
        ("[site]", "[site", "is not TOML"),
    ],
)
def test_what_a_script_answers_wrongly_is_named(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd, old: str, new: str, said: str
) -> None:
    """By its key, with status 2, and nothing written."""
    path = answers(tmp_path, snmpd, sshd)
    path.write_text(path.read_text().replace(old, new, 1))
    done = lastwatt("new", "site.toml", "--answers", path, cwd=tmp_path)

    assert done.status == 2
    assert said in done.err
    assert "open-secret" not in done.err
    assert not (tmp_path / "site.toml").exists()


def test_a_file_is_never_overwritten(tmp_path: Path) -> None:
    """Whatever it holds, it was somebody's work."""
    (tmp_path / "site.toml").write_text("mine")
    done = lastwatt("new", "site.toml", cwd=tmp_path)

    assert done.status == 4
    assert "site.toml is there already" in done.complaint
    assert (tmp_path / "site.toml").read_text() == "mine"


def test_a_unit_that_does_not_answer_can_be_gone_on_without(tmp_path: Path) -> None:
    """It may not be installed yet; the file says that it did not answer."""
    with Terminal(("new", "site.toml"), tmp_path) as person:
        person.answer("What is the site called?", "Heron Lock")
        person.answer("Its time zone?", "Europe/Amsterdam")
        person.answer("A name for it?", "")
        person.answer("Its network address?", "127.0.0.1")
        person.answer("SNMP version", "2c")
        person.answer("Its community", "quayside")
        person.answer("Its UDP port?", str(free_udp_port()))
        person.answer("Try again, change, go on without it?", "go on")
        person.answer("in VA (its plate)?", "650")
        person.answer("And in watts?", "400")
        person.answer("volts of the whole string", "")
        person.answer("A load in W", "40")
        person.answer("it lasts how long at?", "soon")
        person.until("write a duration with its unit")
        person.answer("it lasts how long at?", "45m")
        person.answer("Its kind", "")
        person.answer("The day that it was fitted", "")
        person.answer("Another backup unit", "")
        person.answer("A name for it? [warden]", "")
        person.answer("What powers it", "mains")
        person.answer("Its watts? [5]", "")
        person.answer("Does it start by itself", "")
        person.answer("Shall lastwatt look", "")
        person.answer("The next device's name", "")
        assert person.end() == 0

    text = (tmp_path / "site.toml").read_text()
    assert "# It did not answer while this was written" in text
    assert lastwatt("check", "site.toml", cwd=tmp_path).status == 0


@pytest.mark.parametrize("typed", ["10.0.0.0/8", "192.0.2.0/25", "::/0", "everything"])
def test_nothing_but_a_few_named_addresses_is_looked_at(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd, typed: str
) -> None:
    """A look is of a site's few devices, never of a network."""
    path = answers(tmp_path, snmpd, sshd)
    path.write_text(f'scan = "{typed}"\n' + path.read_text())
    done = lastwatt("new", "site.toml", "--answers", path, cwd=tmp_path)

    assert done.status == 2
    assert "the answers: scan: " in done.err


def test_what_answers_at_a_named_prefix_is_shown(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """And nothing is sent to it."""
    path = answers(tmp_path, snmpd, sshd)
    path.write_text('scan = "127.77.0.0/30"\n' + path.read_text())
    done = lastwatt("new", "site.toml", "--answers", path, cwd=tmp_path)

    assert done.status == 0, done.err
    assert "127.77.0" in done.err


def test_a_no_touch_device_is_asked_for_nothing_that_stops_it(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd
) -> None:
    """A door release gets no recipe."""
    path = answers(tmp_path, snmpd, sshd)
    door = '[[device]]\nname = "door release"\nwatts = 4\nno_touch = true\n'
    path.write_text(path.read_text() + door)
    done = lastwatt("new", "site.toml", "--answers", path, cwd=tmp_path)

    assert done.status == 0, done.err
    site = tomllib.loads((tmp_path / "site.toml").read_text())
    assert site["device"][-1] == {
        "name": "door release",
        "role": "other",
        "feed": "cabinet",
        "watts": 4.0,
        "no_touch": True,
    }
