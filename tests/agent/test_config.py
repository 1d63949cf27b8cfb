"""The site's file: what is refused, on which line, and what a good one comes to."""

from __future__ import annotations

import dataclasses
import math
import random
import tempfile
import tomllib
from datetime import date, time
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from agent.config import PageSettings, Place, Severity, build_drivers, load
from agent.config.document import parse, read_document
from agent.errors import ConfigError
from drivers.base import Stage
from policies.model import (
    Chemistry,
    OutputSource,
    Role,
    RunPoint,
    Starts,
    StopWhen,
    WhenLost,
)
from tests.agent.bad_sites import BAD
from tests.agent.site_files import (
    ENV,
    HEAD,
    RECORDER,
    SITE,
    TODAY,
    UNIT,
    KnockDriver,
    KnockStop,
    kinds,
    marked,
    read,
)
from tests.fakes import FakeClock


@pytest.mark.parametrize("text", BAD.values(), ids=BAD.keys())
def test_bad_file_is_refused_on_its_line(tmp_path: Path, text: str) -> None:
    """An installer would search the whole file for a fault that names another line, or none."""
    found = read(tmp_path, text)

    assert found.site is None
    assert found.codes() == marked(text) != set()


@pytest.mark.parametrize("text", BAD.values(), ids=BAD.keys())
def test_fault_says_what_to_write_and_no_secret(tmp_path: Path, text: str) -> None:
    """A fault without a remedy helps nobody, and one with a password in it hurts."""
    for fault in read(tmp_path, text).faults:
        shown = str(fault)
        assert fault.message and fault.fix and fault.key
        assert shown.startswith(f"{tmp_path / 'site.toml'}:{fault.line}: ")
        assert not any(s in shown for s in ("hunter2", *ENV.values(), "SecretStr", "Traceback"))


def test_all_faults_come_in_one_go(tmp_path: Path) -> None:
    """Mending one fault only to be shown the next costs an installer an hour."""
    text = HEAD + UNIT.replace("watts = 700 }", 'watts = "700" }  # <- wrong-type') + """\
pathh = 3  # <- unknown-key
[[device]]
name = "yard switch"
role = "swich"  # <- unknown-word
feed = "cabinat"  # <- unknown-name
[[device]]
name = "gate recorder"
feed = "cabinet"
address = "192.0.2.20"
needs = "gate recorder"  # <- circle
watts = nan  # <- not-finite
stop = { driver = "knok", takes = 90 }  # <- unknown-driver bad-duration
quiesce = { driver = "knock", pause = "1" }  # <- bad-duration
[device.knock]  # <- missing-key
port = 70000  # <- out-of-range
[return]
charge = 101  # <- out-of-range
"""  # fmt: skip

    assert read(tmp_path, text).codes() == marked(text)


def test_fault_carries_the_dotted_key_by_name(tmp_path: Path) -> None:
    """In a file of 300 devices a place in a list says nothing."""
    text = SITE.replace("watts = 24", 'watts = "24"').replace('"keeper"', "3")
    text = text.replace("{ va = 1000,", "{ vaa = 1000, va = 1000,")

    keys = {fault.key for fault in read(tmp_path, text).faults}

    assert keys == {
        "unit.cabinet.rating.vaa",
        "device.gate recorder.watts",
        "device.gate recorder.knock.user",
    }


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("wats", '"watts"'),
        ("feeds", '"feed"'),
        ("nigth_watts", '"night_watts"'),
        ("stopp", '"stop"'),
        ("Role", '"role"'),
    ],
)
def test_unknown_key_suggests_the_nearest(tmp_path: Path, written: str, meant: str) -> None:
    """A misspelt key that is merely refused sends people to the manual."""
    (fault,) = read(tmp_path, SITE.replace("watts = 24", f"{written} = 24")).faults

    assert fault.fix == f"write {meant}"


def test_unknown_stage_key_suggests_the_files_own_keys_too(tmp_path: Path) -> None:
    """`takes` belongs to the file and not to the driver; its misspelling must find it too."""
    (fault,) = read(tmp_path, SITE.replace("takes =", "takse =")).faults

    assert fault.fix == 'write "takes"'


def test_circle_is_shown(tmp_path: Path) -> None:
    """In a large site, that there is a circle somewhere is a riddle."""
    (fault,) = read(tmp_path, BAD["a circle through feed, path and needs"]).faults

    assert fault.message == (
        'this goes round in a circle: "a" is fed by "b", which is reached through "c", '
        'which needs "a"'
    )


def test_every_separate_circle_is_told(tmp_path: Path) -> None:
    """One circle must not hide another."""
    pairs = [(f"a{n}", f"b{n}") for n in range(5)]
    text = SITE + "".join(
        f'[[device]]\nname = "{own}"\nfeed = "cabinet"\nneeds = "{other}"\n'
        for a, b in pairs
        for own, other in ((a, b), (b, a))
    )

    assert len(read(tmp_path, text).faults) == len(pairs)


def test_duplicate_name_points_at_the_first(tmp_path: Path) -> None:
    """Which of two is the stranger only a person can tell; both lines must be there."""
    text = SITE + RECORDER

    (fault,) = read(tmp_path, text).faults

    first, second = [n for n, line in enumerate(text.splitlines(), 1) if "gate recorder" in line]
    assert fault.line == second
    assert fault.message == f'"gate recorder" is the name of another device on line {first}'


@pytest.mark.parametrize("written", ["", "format = 2\n", 'format = "1"\n', "format = true\n"])
def test_format_that_is_not_ours_is_the_only_fault(tmp_path: Path, written: str) -> None:
    """A later format may mean another thing by the same key: nothing else is judged."""
    text = SITE.replace("format = 1\n", written) + "nonsense = 1\n"

    (fault,) = read(tmp_path, text).faults

    assert (fault.code, fault.line) == ("unknown-format", 1 if written else None)


def test_missing_site_and_units_are_told(tmp_path: Path) -> None:
    """An empty file is a file with two tables missing."""
    faults = read(tmp_path, "format = 1\n").faults

    assert [(f.key, f.fix) for f in faults] == [
        ("site", "add a table [site]"),
        ("unit", "add a table [[unit]] for each backup unit"),
    ]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('a = 1\npassword = "hunter2\nb = 2\n', 2),
        ("a = 1\nb = hunter2\n", 2),
        ('a = 1\n\nb = "hun\\qter2"\n', 3),
        ("a = 1\na = 2\n", 2),
        ("[x]\n[[x]]\n", 2),
        ("a = { b = 1,\nc = 2 }\n", 1),
    ],
)
def test_what_is_not_toml_is_unreadable_and_stays_out_of_the_error(
    tmp_path: Path, text: str, line: int
) -> None:
    """The line that is broken may be the one with a password typed into it."""
    path = tmp_path / "site.toml"
    path.write_text(text)

    with pytest.raises(ConfigError) as caught:
        load(path, today=TODAY)

    assert str(caught.value).startswith(f"{path}:{line}:")
    assert "hunter" not in str(caught.value)
    assert caught.value.__cause__ is None and caught.value.__suppress_context__


def test_unreadable_file_is_told_as_one(tmp_path: Path) -> None:
    """The command ends with another status then: the file was never judged."""
    (tmp_path / "latin.toml").write_bytes(b'a = 1\nname = "caf\xe9"\n')
    (tmp_path / "huge.toml").write_bytes(b"# padding\n" * 500_000)

    for name, said in (
        ("none.toml", "none.toml: cannot be read: no such file"),
        ("", "cannot be read: is a directory"),
        ("latin.toml", "latin.toml:2: is not UTF-8"),
        ("huge.toml", "larger than 4 MB"),
    ):
        with pytest.raises(ConfigError, match=said):
            load(tmp_path / name, today=TODAY)


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 9000,
        "a = " + "{b = " * 500 + "1" + "}" * 500,
        "a = " + "[" * 90 + "]" * 90,
        f"[{'.'.join('a' * 3000)}]",
    ],
)
def test_deep_nesting_is_refused(tmp_path: Path, text: str) -> None:
    """The parser that gives the lines has no guard: it would take the process with it."""
    with pytest.raises(ConfigError):
        parse(text, path=tmp_path)


def test_file_with_byte_order_mark_and_dos_line_ends_is_read(tmp_path: Path) -> None:
    """Some editors write both, and lines must still be right."""
    text = SITE.replace("watts = 24", "watts = nan  # <- not-finite")
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())

    _, faults = load(path, today=TODAY, env=ENV, kinds=kinds)

    assert {(f.line, f.code) for f in faults} == marked(text)


LINES = """\
top = 1
[site]
name = "a"
place = { latitude = 1.0, longitude = 2.0 }
[[unit]]
[[unit]]
name = "second"
list = [
  "x",
  { y = 1 },
]
[unit.empty]
[unit.deep."quoted name"]
z = '''
[unit.empty]
'''
dotted.key = 1
value_line = 7
[key_line]
value = 3
"""


def test_lines_of_every_kind_of_value() -> None:
    """Headers, dotted keys, lists over several lines, tables without keys: each has its line."""
    value, lines = parse(LINES, path=Path("x"))

    assert value == tomllib.loads(LINES)
    assert lines == {
        ("top",): 1,
        ("site",): 2,
        ("site", "name"): 3,
        ("site", "place"): 4,
        ("site", "place", "latitude"): 4,
        ("site", "place", "longitude"): 4,
        ("unit",): 5,
        ("unit", 0): 5,
        ("unit", 1): 6,
        ("unit", 1, "name"): 7,
        ("unit", 1, "list"): 8,
        ("unit", 1, "list", 0): 9,
        ("unit", 1, "list", 1): 10,
        ("unit", 1, "list", 1, "y"): 10,
        ("unit", 1, "empty"): 12,
        ("unit", 1, "deep"): 13,
        ("unit", 1, "deep", "quoted name"): 13,
        ("unit", 1, "deep", "quoted name", "z"): 14,
        ("unit", 1, "deep", "quoted name", "dotted"): 17,
        ("unit", 1, "deep", "quoted name", "dotted", "key"): 17,
        ("unit", 1, "deep", "quoted name", "value_line"): 18,
        ("key_line",): 19,
        ("key_line", "value"): 20,
    }


def test_fault_without_lines_still_names_file_and_key(tmp_path: Path) -> None:
    """So it reads on such a box."""
    path = tmp_path / "site.toml"
    path.write_text(SITE)

    fault = dataclasses.replace(read_document(path), lines={}).fault(
        ("device", 0, "watts"), "wrong-type", "a number is due here", "write 24"
    )

    assert str(fault) == (
        f"{path}: error: device.gate recorder.watts: a number is due here; write 24"
    )


def _leaf_lines() -> list[int]:
    """Places in SITE of lines that assign something."""
    return [n for n, line in enumerate(SITE.splitlines()) if " = " in line]


JUNK = [
    "nan",
    "-inf",
    "-1",
    '"hunter2"',
    "[]",
    "{}",
    '[["hunter2"]]',
    "true",
    "1979-05-27",
    '{ x = "hunter2" }',
    "99999999999999999999999999",
    '["hunter2", "hunter2"]',
]
NAMING = ("name", "feed")


@pytest.mark.parametrize("place", _leaf_lines())
def test_no_junk_in_any_place_ends_in_more_than_a_fault(tmp_path: Path, place: int) -> None:
    """Whatever is typed where, there is a fault on that line, and what was typed is not in it."""
    lines = SITE.splitlines()
    key = lines[place].split(" = ")[0]
    for junk in JUNK:
        changed = [*lines[:place], f"{key} = {junk}", *lines[place + 1 :]]
        found = read(tmp_path, "\n".join(changed))
        if found.site is None and key not in NAMING and key != "format":
            assert place + 1 in {fault.line for fault in found.faults}, junk
        if key not in NAMING:
            assert "hunter2" not in "".join(map(str, found.faults)), junk


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(SITE)), st.integers(0, 40), st.text(max_size=6))
def test_no_edit_ends_in_more_than_a_fault(at: int, cut: int, put: str) -> None:
    """A slip of the hand while editing is told, and never ends in a traceback."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.toml"
        path.write_bytes((SITE[:at] + put + SITE[at + cut :]).encode("utf-8", "surrogatepass"))
        try:
            site, faults = load(path, today=TODAY, env=ENV, kinds=kinds)
        except ConfigError as error:
            assert str(error).startswith(str(path))
            return

    assert (site is None) == any(fault.severity is Severity.ERROR for fault in faults)


# What a good file comes to


def test_camera_is_worth_what_its_recorder_is(tmp_path: Path) -> None:
    """A recorder without its cameras records nothing: they do not give way to it first."""
    text = (
        HEAD
        + UNIT
        + """
[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
watts = 24
worth = 10
[[device]]
name = "gate camera"
role = "camera"
feed = "cabinet"
watts = 6
needs = "gate recorder"
[[device]]
name = "garden camera"
role = "camera"
feed = "cabinet"
watts = 6
needs = "gate recorder"
worth = 2
[[device]]
name = "lamp"
feed = "cabinet"
watts = 6
needs = "gate recorder"
"""
    )
    devices = read(tmp_path, text).loaded.site.devices

    worth = {name: device.worth for name, device in devices.items()}
    assert worth == {"gate recorder": 10, "gate camera": 10, "garden camera": 2, "lamp": 1}


def test_five_lines_a_device_suffice(tmp_path: Path) -> None:
    """Defaults make a small site a small file."""
    text = HEAD + UNIT + '[[device]]\nname = "lamp"\nfeed = "cabinet"\nwatts = 5.5\n'

    lamp = read(tmp_path, text).loaded.site.devices["lamp"]

    assert (lamp.role, lamp.watts, lamp.night_watts, lamp.worth) == (Role.OTHER, 5.5, 5.5, 1.0)
    assert (lamp.hold_s, lamp.stop_when, lamp.starts) == (0.0, None, Starts.BY_ITSELF)
    assert lamp.is_passive


def test_everything_that_is_said_arrives(tmp_path: Path) -> None:
    """A value that is read and dropped on the way is worse than one refused."""
    text = """\
format = 1
[site]
name = "Quayside boatyard"
time_zone = "Europe/Lisbon"
place = { latitude = 38.70, longitude = -9.14 }
reserve = 0.25
[agent]
drilled_lasts = "180d"
login_checked_lasts = "30d"
check_logins_at = "02:15"
box = "warden"
state = "state"
poll_on_mains = "15s"
poll_on_battery = "3s"
floor_after = "4m"
traps = { listen = "[::1]:1162" }
[[unit]]
name = "cabinet"
address = "192.0.2.10"
path = "yard switch"
flicker = "6s"
lost = { on_mains = "carry on", on_battery = "stop", after = "45s", stop_after = "3m" }
output = { drops_after = "60s", off_for = "45s", unmetered = true, clear_text = true }
output_source_map = { 3 = "battery", 2 = "normal" }
rating = { va = 1000, watts = 700 }
[unit.snmp]
version = "1"
community = { env = "CABINET_COMMUNITY" }
[unit.battery]
volts = 36
amp_hours = 7
watt_hours = 180
runtimes = [{ watts = 90, lasts = "1h10m" }, { watts = 40, lasts = "3h" }]
chemistry = "lithium"
fitted = 2025-11-25
temperature_c = 31
runs = "runs.csv"
[[device]]
name = "warden"
role = "agent box"
feed = ["cabinet", "mains"]
[[device]]
name = "yard switch"
role = "switch"
feed = "cabinet"
watts = 7
[[device]]
name = "gate recorder"
role = "recorder"
address = "recorder.quayside.example"
feed = "yard switch"
path = ["yard switch"]
needs = "yard switch"
watts = 24
night_watts = 31
hold = "1h"
worth = 10
stop_when = { runtime_below = "12m", charge_below = 20, on_battery_for = "90m" }
dry_run = true
quiesce = { driver = "knock", takes = "10s", command = "close files" }
stop = { driver = "knock", takes = "50s" }
verify = { driver = "tcp", port = 80, takes = "20s", settle = "30s" }
start = { driver = "knock", takes = "2m" }
knock = { user = "keeper", password = { env = "KNOCK_PASSWORD" } }
[[device]]
name = "office pc"
role = "computer"
feed = "mains"
no_touch = true
start = "by itself"
[return]
mains_steady = "3m"
charge = 45
[notices]
webhooks = [{ url = "https://192.0.2.30/hook", secret = { env = "KNOCK_PASSWORD" } }]
[page]
listen = "127.0.0.1:9000"
"""
    loaded = read(tmp_path, text).loaded
    site, unit, recorder = loaded.site, loaded.site.units["cabinet"], loaded.site.devices
    access = loaded.units["cabinet"]

    assert (site.name, site.reserve, site.mains_steady_s) == ("Quayside boatyard", 0.25, 180.0)
    assert (site.return_charge, site.floor_after_s) == (0.45, 240.0)
    assert (loaded.time_zone, loaded.place) == (ZoneInfo("Europe/Lisbon"), Place(38.7, -9.14))
    assert dataclasses.astuple(loaded.agent) == (
        "warden",
        tmp_path / "state",
        15.0,
        3.0,
        ("::1", 1162),
        (180 * 86400.0, 30 * 86400.0),
        time(2, 15),
    )
    assert (unit.rating_va, unit.rating_w, unit.flicker_s) == (1000.0, 700.0, 6.0)
    assert (unit.when_lost_on_mains, unit.when_lost_on_battery) == (
        WhenLost.CARRY_ON,
        WhenLost.STOP,
    )
    assert (unit.lost_after_s, unit.lost_stop_after_s) == (45.0, 180.0)
    battery = unit.battery
    assert (battery.volts, battery.amp_hours, battery.watt_hours) == (36.0, 7.0, 180.0)
    assert battery.table == (RunPoint(40.0, 10800.0), RunPoint(90.0, 4200.0))
    assert (battery.chemistry, battery.temperature_c) == (Chemistry.LITHIUM, 31.0)
    assert battery.age_years is not None and math.isclose(battery.age_years, 365 / 365.25)
    assert (access.address, access.path, access.runs) == (
        "192.0.2.10",
        ("yard switch",),
        tmp_path / "runs.csv",
    )
    assert access.snmp.version == "1" and access.snmp.community is not None
    assert access.snmp.community.get_secret_value() == ENV["CABINET_COMMUNITY"]
    assert access.output_sources == {3: OutputSource.BATTERY, 2: OutputSource.NORMAL}
    assert access.control is access.snmp
    gate = recorder["gate recorder"]
    assert (gate.role, gate.feeds, gate.path, gate.needs) == (
        Role.RECORDER,
        ("yard switch",),
        ("yard switch",),
        ("yard switch",),
    )
    assert (gate.watts, gate.night_watts, gate.hold_s, gate.worth) == (24.0, 31.0, 3600.0, 10.0)
    assert gate.stop_when == StopWhen(720.0, 0.2, 5400.0)
    assert (gate.quiesce_s, gate.stop_s, gate.settle_s, gate.start_s) == (10.0, 50.0, 30.0, 120.0)
    assert (gate.starts, gate.dry_run, gate.no_touch) == (Starts.BY_ORDER, True, False)
    assert recorder["office pc"].no_touch and recorder["office pc"].starts is Starts.BY_ITSELF
    assert recorder["warden"].feeds == ("cabinet", "mains")
    assert loaded.addresses["gate recorder"] == "recorder.quayside.example"
    assert loaded.stage_drivers["gate recorder"] == {
        Stage.QUIESCE: "knock",
        Stage.STOP: "knock",
        Stage.VERIFY: "tcp",
        Stage.START: "knock",
    }
    assert loaded.stage_takes["gate recorder"] == {
        Stage.QUIESCE: 10.0,
        Stage.STOP: 50.0,
        Stage.VERIFY: 20.0,
        Stage.START: 120.0,
    }
    stages = loaded.fittings["gate recorder"]["knock"].stages
    assert stages[Stage.QUIESCE] == KnockStop(command="close files")
    assert loaded.page == PageSettings(("127.0.0.1", 9000), open_reading=True)
    (hook,) = loaded.notices.webhooks
    assert hook.url == "https://192.0.2.30/hook" and hook.secret is not None
    assert hook.secret.get_secret_value() == ENV["KNOCK_PASSWORD"]
    shown = repr(loaded)
    assert not any(secret in shown for secret in ENV.values())


@pytest.mark.parametrize("role", Role)
def test_every_role_can_be_written(tmp_path: Path, role: Role) -> None:
    """A role of the policies that the file cannot say would never occur."""
    text = HEAD + UNIT + f'[[device]]\nname = "a"\nfeed = "cabinet"\nrole = "{role}"\n'

    assert read(tmp_path, text).loaded.site.devices["a"].role is role


@pytest.mark.parametrize("source", OutputSource)
def test_every_output_source_can_be_mapped(tmp_path: Path, source: OutputSource) -> None:
    """Words are the enumeration labels of upsOutputSource, RFC 1628 section 4.4."""
    text = HEAD + UNIT + f'output_source_map = {{ 9 = "{source.name.lower()}" }}\n'

    assert read(tmp_path, text).loaded.units["cabinet"].output_sources == {9: source}


@pytest.mark.parametrize("chemistry", Chemistry)
@pytest.mark.parametrize("policy", WhenLost)
def test_every_word_of_a_unit_can_be_written(
    tmp_path: Path, chemistry: Chemistry, policy: WhenLost
) -> None:
    """As with roles."""
    text = HEAD + UNIT.replace("fitted = 2025-03-01", f'chemistry = "{chemistry}"')
    text += f'lost = {{ on_mains = "{policy}", on_battery = "{policy}" }}\n'

    unit = read(tmp_path, text).loaded.site.units["cabinet"]

    assert unit.battery.chemistry is chemistry
    assert unit.when_lost_on_mains is unit.when_lost_on_battery is policy


@pytest.mark.parametrize(
    ("written", "starts"),
    [
        ('start = "by itself"', Starts.BY_ITSELF),
        ('start = "by hand"', Starts.BY_HAND),
        ('start = { driver = "knock" }', Starts.BY_ORDER),
        ("", Starts.BY_HAND),
    ],
)
def test_start_says_who_brings_it_back(tmp_path: Path, written: str, starts: Starts) -> None:
    """A device that nothing starts must not be waited for."""
    text = SITE.replace("watts = 24", written)

    assert read(tmp_path, text).loaded.site.devices["gate recorder"].starts is starts


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("90s", 90.0), ("12m", 720.0), ("2h", 7200.0), ("1h30m", 5400.0), ("1d", 86400.0)],
)
def test_duration_is_read_as_people_write_it(tmp_path: Path, text: str, seconds: float) -> None:
    """Seconds inside, words outside."""
    found = read(tmp_path, SITE.replace("watts = 24", f'hold = "{text}"')).loaded

    assert found.site.devices["gate recorder"].hold_s == seconds


def test_stop_is_verified_at_its_drivers_port_by_default(tmp_path: Path) -> None:
    """Nobody writes a verify table for a plain device; it is verified all the same."""
    loaded = read(tmp_path, SITE + "port = 8022\n").loaded

    settings = loaded.fittings["gate recorder"]["tcp"].stages[Stage.VERIFY]
    assert loaded.stage_drivers["gate recorder"][Stage.VERIFY] == "tcp"
    assert settings.model_dump(include={"port", "settle"}) == {"port": 8022, "settle": 60.0}
    assert loaded.site.devices["gate recorder"].settle_s == 60.0


def test_verify_without_a_port_takes_the_stops(tmp_path: Path) -> None:
    """Only how long to wait for silence is said; the port is known from the stop."""
    text = SITE.replace("watts = 24", 'verify = { driver = "tcp", settle = "5s" }')

    loaded = read(tmp_path, text).loaded

    settings = loaded.fittings["gate recorder"]["tcp"].stages[Stage.VERIFY]
    assert settings.model_dump(include={"port"}) == {"port": 7022}
    assert loaded.site.devices["gate recorder"].settle_s == 5.0


def test_secret_file_counts_from_the_sites_folder(tmp_path: Path) -> None:
    """The agent's working folder is anywhere."""
    secret = tmp_path / "community"
    secret.write_text("slipway-and-ropes\n")
    secret.chmod(0o600)
    text = SITE.replace('env = "CABINET_COMMUNITY"', 'file = "community"')

    community = read(tmp_path, text).loaded.units["cabinet"].snmp.community

    assert community is not None and community.get_secret_value() == "slipway-and-ropes"


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o666])
def test_secret_file_open_to_others_is_refused(tmp_path: Path, mode: int) -> None:
    """What others can read is no secret; the remedy is one command."""
    secret = tmp_path / "community"
    secret.write_text("slipway-and-ropes\n")
    secret.chmod(mode)
    text = SITE.replace('env = "CABINET_COMMUNITY"', 'file = "community"')

    (fault,) = read(tmp_path, text).faults

    assert (fault.code, fault.line) == ("secret-open", 8)
    assert fault.key == "unit.cabinet.snmp.community"
    assert fault.fix == f"run: chmod 600 {secret}"


def test_absent_secret_is_a_warning_away_from_the_box(tmp_path: Path) -> None:
    """A file is checked at the office, where the site's credentials are not."""
    text = SITE.replace('env = "CABINET_COMMUNITY"', 'credential = "cabinet"') + (
        'password = { env = "NOBODY" }\n'
    )

    found = read(tmp_path, text, secrets_must_exist=False)

    assert found.site is not None
    warned = {(f.line, f.key) for f in found.faults if f.code == "secret-absent"}
    last = len(text.splitlines())
    assert warned == {
        (8, "unit.cabinet.snmp.community.credential"),
        (last, "device.gate recorder.knock.password.env"),
    }


@pytest.mark.parametrize("name", ["cabinet", "secret_cabinet"])
def test_systemd_credential_is_read(tmp_path: Path, name: str) -> None:
    """Source: systemd.exec(5), LoadCredential=: one file, or as secret:FOLDER each file of one."""
    (tmp_path / "creds").mkdir()
    (tmp_path / "creds" / name).write_text("slipway-and-ropes")
    text = SITE.replace('env = "CABINET_COMMUNITY"', 'credential = "cabinet"')

    loaded = read(tmp_path, text, env={"CREDENTIALS_DIRECTORY": str(tmp_path / "creds")}).loaded

    community = loaded.units["cabinet"].snmp.community
    assert community is not None and community.get_secret_value() == "slipway-and-ropes"


def test_table_of_a_driver_that_no_stage_names_is_warned_of(tmp_path: Path) -> None:
    """A login that nothing uses is a stop that was forgotten."""
    text = SITE.replace('stop = { driver = "knock", takes = "50s" }\n', "")

    found = read(tmp_path, text)

    assert found.site is not None
    assert found.codes(Severity.WARNING) == {(17, "unused-table")}


def test_battery_gets_its_age_from_today(tmp_path: Path) -> None:
    """The date is an argument, so that a test, or a rehearsal of next year, can set it."""
    loaded = read(tmp_path, SITE, today=date(2030, 3, 1)).loaded

    age_years = loaded.site.units["cabinet"].battery.age_years
    assert age_years is not None and math.isclose(age_years, 5.0, abs_tol=0.01)


# Drivers


def test_stages_of_one_language_share_one_driver(tmp_path: Path) -> None:
    """Two sessions to one device at once are one too many for many a recorder."""
    text = SITE.replace("watts = 24", 'quiesce = { driver = "knock", takes = "5s" }')

    drivers = build_drivers(read(tmp_path, text).loaded, clock=FakeClock(), dry_run=False)

    stages = drivers["gate recorder"]
    assert stages[Stage.QUIESCE] is stages[Stage.STOP]
    assert stages[Stage.VERIFY] is not stages[Stage.STOP]
    assert list(drivers) == ["gate recorder"]


@pytest.mark.parametrize(
    ("line", "dry_run", "is_dry"),
    [("", False, False), ("", True, True), ("dry_run = true", False, True)],
)
def test_dry_run_reaches_the_driver(tmp_path: Path, line: str, dry_run: bool, is_dry: bool) -> None:
    """For the whole site by the command line, or for one device in the file."""
    loaded = read(tmp_path, SITE.replace("watts = 24", line)).loaded

    driver = build_drivers(loaded, clock=FakeClock(), dry_run=dry_run)["gate recorder"][Stage.STOP]

    assert isinstance(driver, KnockDriver)
    assert driver.fitting.dry_run is is_dry
    assert (driver.fitting.device, driver.fitting.address) == ("gate recorder", "192.0.2.20")
    assert driver.fitting.stages == {Stage.STOP: KnockStop()}


def test_no_touch_device_gets_no_driver(tmp_path: Path) -> None:
    """What cannot be spoken with cannot be stopped by mistake."""
    loaded = read(tmp_path, SITE.replace("watts = 24", "no_touch = true")).loaded

    assert build_drivers(loaded, clock=FakeClock(), dry_run=False) == {}


def test_large_site_loads(tmp_path: Path) -> None:
    """300 devices in one file, in random order of use, without a fault."""
    chance = random.Random(20261125)
    text = HEAD + UNIT.replace("700", "70000").replace("1000", "100000")
    for number in range(300):
        text += RECORDER.replace("gate recorder", f"recorder {number}")
        if number:
            text = text.replace(
                f'name = "recorder {number}"',
                f'name = "recorder {number}"\nneeds = "recorder {chance.randrange(number)}"',
            )

    assert len(read(tmp_path, text).loaded.site.devices) == 300
