"""What is legal in a file and bites in the first outage: each is warned of, on its line."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from agent.checks.check import check, warnings
from agent.checks.power import misfits
from agent.config import Severity
from drivers import registry
from policies.belief import Drawn, simple_belief
from policies.load import listed_draw
from policies.runtime import LoadStep
from policies.timeline import MARGIN_S
from tests.agent.site_files import ENV, HEAD, TODAY, kinds, marked, read

UNIT = """\
[[unit]]
name = "cabinet"
address = "192.0.2.10"
path = "yard switch"
rating = { va = 1000, watts = 700 }
battery = { volts = 36, amp_hours = 7, fitted = 2025-03-01 }
[unit.snmp]
version = "3"
user = "watch"
auth = "sha256"
auth_secret = { env = "CABINET_COMMUNITY" }
privacy = "aes128"
privacy_secret = { env = "CABINET_COMMUNITY" }
"""

DEVICES = """\
[[device]]
name = "warden"
role = "agent box"
feed = "cabinet"
watts = 6
[[device]]
name = "yard switch"
role = "switch"
feed = "cabinet"
watts = 9
[[device]]
name = "router"
role = "router"
feed = "cabinet"
watts = 8
[[device]]
name = "slipway camera"
role = "camera"
feed = "yard switch"
watts = 5.5
night_watts = 8
needs = "gate recorder"
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
path = "yard switch"
watts = 24
hold = "30m"
stop = { driver = "knock", takes = "50s" }
start = { driver = "knock", takes = "2m" }
knock = { user = "keeper" }
"""

QUIET = HEAD + UNIT + DEVICES
"""A site of which nothing need be said."""


def _changed(*changes: tuple[str, str]) -> str:
    text = QUIET
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def _fed_by(feed: str, name: str, mark: str) -> str:
    """The quiet site with one device fed from elsewhere."""
    at = QUIET.index("feed =", QUIET.index(f'name = "{name}"'))
    end = QUIET.index("\n", at)
    return f'{QUIET[:at]}feed = "{feed}"{mark}{QUIET[end:]}'


_KEEPER = 'knock = { user = "keeper" }\n'
_STOP = 'stop = { driver = "knock", takes = "50s" }\n'
_START = 'start = { driver = "knock", takes = "2m" }\n'
_VIRTUAL_HOST = """\
[[device]]
name = "office server"
role = "computer"
address = "192.0.2.21"
feed = "cabinet"
watts = 60
stop = { driver = "knock" }  # <- agent-stops-its-host
start = { driver = "knock" }
knock = { user = "keeper" }
"""

BITES: dict[str, str] = {
    "a recorder on a mains socket": _fed_by("mains", "gate recorder", "  # <- recorder-on-mains"),
    "a recorder that may stay idle": _changed(
        (_STOP, f'quiesce = {{ driver = "knock" }}\n{_STOP}'),
        (
            '[[device]]\nname = "gate recorder"',
            '[[device]]  # <- recording-unseen\nname = "gate recorder"',
        ),
    ),
    "the box on a mains socket": _fed_by("mains", "warden", "  # <- agent-box-on-mains"),
    "the switch on a mains socket": _fed_by("mains", "yard switch", "  # <- path-on-mains"),
    "the router on a mains socket": _fed_by("mains", "router", "  # <- internet-on-mains"),
    "a switch behind the switch on a mains socket": _changed(
        ('role = "switch"\n', 'role = "switch"\npath = "shed switch"\n')
    )
    + '[[device]]\nname = "shed switch"\nwatts = 5\nfeed = "mains"  # <- path-on-mains\n',
    "a box that the file does not name": _changed(('role = "agent box"\n', ""))
    + '[agent]  # <- agent-box-unnamed\npoll_on_mains = "9s"\n',
    "a unit by its name": _changed(('"192.0.2.10"', '"unit.lan"  # <- host-name')),
    "a recorder by its name": _changed(('"192.0.2.20"', '"recorder"  # <- host-name')),
    "a recorder that is stopped for good": _changed((_START, "")).replace(
        '[[device]]\nname = "gate', '[[device]]  # <- nothing-starts-it\nname = "gate'
    ),
    "a recorder that waits for somebody": _changed(
        (_START, 'start = "by hand"  # <- nothing-starts-it\n')
    ),
    "a recorder that waits for its power": _changed(
        (_START, 'start = "by itself"  # <- may-not-start\n')
    ),
    "a recorder that nothing prepares": _changed((_STOP, ""), (_START, ""), (_KEEPER, "")).replace(
        '[[device]]\nname = "gate', '[[device]]  # <- never-prepared\nname = "gate'
    ),
    "a community in clear": _changed(
        (QUIET[QUIET.index("[unit.snmp]") : QUIET.index('[[device]]\nname = "warden"')],
         '[unit.snmp]\nversion = "2c"  # <- snmp-clear-text\n'
         'community = { env = "CABINET_COMMUNITY" }\n')
    ),
    "SNMPv3 that proves nothing": _changed(
        (QUIET[QUIET.index("auth = ") : QUIET.index('[[device]]\nname = "warden"')],
         'auth = "none"  # <- snmp-unauthenticated\n')
    ),
    "a cable that stops the site": _changed(
        ('path = "yard switch"\nrating',
         'lost = { on_mains = "stop" }  # <- lost-stops-on-mains\nrating')
    ),
    "more watts for longer": _changed(
        ("battery = { volts = 36, amp_hours = 7, fitted = 2025-03-01 }",
         "battery.runtimes = [  # <- runtimes-odd\n"
         '  { watts = 60, lasts = "2h" },\n  { watts = 90, lasts = "3h" },\n]')
    ),
    "a host that carries its own agent": _changed(
        ('role = "agent box"\nfeed = "cabinet"', 'role = "agent box"\nfeed = "office server"')
    )
    + _VIRTUAL_HOST,
    "a host that its own agent needs": _changed(
        ('role = "agent box"\n', 'role = "agent box"\nneeds = ["office server"]\n')
    )
    + _VIRTUAL_HOST,
    "a stop for the agent's box": _changed(
        ('role = "agent box"\n',
         'role = "agent box"\naddress = "192.0.2.9"\n'
         'stop = { driver = "knock" }  # <- agent-box-never-stopped\n'
         'knock = { user = "keeper" }\n')
    ),
    "a stop of something that is not to be touched": _changed(
        (_STOP, f"no_touch = true\n{_STOP.rstrip()}  # <- no-touch-has-stages\n"),
        (_START, f"{_START.rstrip()}  # <- no-touch-has-stages\n"),
    ),
    "a stop of what feeds something not to be touched": _changed(
        (_STOP, f"{_STOP.rstrip()}  # <- no-touch-carried\n")
    )
    + '[[device]]\nname = "door lock"\nfeed = "gate recorder"\nwatts = 3\nno_touch = true\n',
    "more than the unit carries, by night only": _changed(
        ("watts = 700 }", "watts = 54 }  # <- overload-w")
    ),
    "a draw that nobody knows": _changed(("watts = 9\n", "")).replace(
        '[[device]]\nname = "yard', '[[device]]  # <- watts-unknown\nname = "yard'
    ),
    "stops longer than the battery": _changed(
        (_STOP, 'stop = { driver = "knock", takes = "9h" }  # <- stops-exceed-battery\n')
    ),
    "a hold time longer than the battery": _changed(
        ('hold = "30m"', 'hold = "20h"  # <- hold-exceeds-battery')
    ),
    "a threshold that the latest safe start beats": _changed(
        (_STOP, 'stop_when = { runtime_below = "60s" }  # <- threshold-moot\n' + _STOP)
    ),
    "a threshold that is met at once": _changed(
        (_STOP, 'stop_when = { runtime_below = "5h" }  # <- threshold-met-at-once\n' + _STOP)
    ),
    "polls that slow down on battery": QUIET
    + '[agent]\npoll_on_battery = "30s"  # <- poll-slower-on-battery\n',
    "notices in clear text": QUIET
    + '[[notices.webhooks]]\nurl = "http://192.0.2.30/"  # <- notices-clear-text\n'
    + '[[notices.mail]]\nto = "a@b.example"\nfrom = "c@b.example"\nserver = "192.0.2.30"\n'
    + 'security = "plain"  # <- notices-clear-text\n'
    + '[[notices.syslog]]\nserver = "192.0.2.30"\nover = "udp"  # <- notices-clear-text\n'
    + '[notices.heartbeat]\nurl = "http://192.0.2.30/"  # <- notices-clear-text\n',
    "notices that go out nobody knows how": _changed(('role = "router"\n', ""))
    + '[notices]  # <- notices-way-unknown\nwebhooks = [{ url = "https://192.0.2.30/" }]\n',
    "a page without its certificate": QUIET
    + '[page]\ncertificate = "nowhere.pem"  # <- secret-absent\nkey = "nowhere.pem"\n',
    "a page in clear text": QUIET
    + '[page]\nlisten = "192.0.2.2:8628"\nclear_text = true  # <- page-clear-text\n',
}  # fmt: skip


def test_quiet_site_is_left_in_peace(tmp_path: Path) -> None:
    """A warning that is always there is read by nobody."""
    assert warnings(read(tmp_path, QUIET).loaded) == ()


@pytest.mark.parametrize("text", BITES.values(), ids=BITES.keys())
def test_what_bites_is_warned_of_on_its_line(tmp_path: Path, text: str) -> None:
    """It costs a line here, and a recorder in the outage."""
    found = warnings(read(tmp_path, text).loaded)

    assert {(fault.line, fault.code) for fault in found} == marked(text) != set()
    assert all(fault.severity is Severity.WARNING for fault in found)
    assert all(fault.message and fault.fix for fault in found)
    assert not any(secret in str(fault) for fault in found for secret in ENV.values())


@pytest.mark.parametrize(
    "text",
    [
        _changed(('"router"\nfeed = "cabinet"', '"router"\nfeed = ["cabinet", "mains"]')),
        _changed(('"192.0.2.20"', '"localhost"')),
        _changed(('"192.0.2.10"', '"2001:db8::10"')),
        QUIET + '[agent]\nbox = "warden"\n',
        QUIET + '[notices]\nwebhooks = [{ url = "https://192.0.2.30/" }]\n',
        QUIET + '[[device]]\nname = "kettle"\nfeed = "mains"\nwatts = 2000\n',
        QUIET + '[[device]]\nname = "modem"\nrole = "modem"\nfeed = "yard switch"\nwatts = 4\n',
    ],
    ids=[
        "two feeds", "localhost", "IPv6", "box named", "a sealed webhook", "kettle",
        "fed twice removed",
    ],
)  # fmt: skip
def test_what_does_not_bite_is_left_in_peace(tmp_path: Path, text: str) -> None:
    """Each looks like a warning's case, and is none."""
    assert warnings(read(tmp_path, text).loaded) == ()


def test_path_on_mains_names_who_is_reached_through_it(tmp_path: Path) -> None:
    """The owner must see what the socket would cost."""
    (fault,) = warnings(read(tmp_path, _fed_by("mains", "yard switch", "")).loaded)

    assert fault.message == (
        'it goes dark with mains, and the agent reaches "cabinet", "gate recorder" through it'
    )


def test_misfit_says_how_long_it_takes_and_what_there_is(tmp_path: Path) -> None:
    """Both numbers come from the belief and the timeline that the live agent decides by."""
    site = read(tmp_path, BITES["stops longer than the battery"]).loaded.site
    unit = site.units["cabinet"]
    load_w = listed_draw(site, "cabinet").most
    belief = simple_belief(unit, Drawn(), load_w=load_w)

    (misfit,) = misfits(site)

    assert misfit.device == "gate recorder"
    assert misfit.takes_s == pytest.approx(9 * 3600.0 + 60.0 + MARGIN_S)
    assert misfit.lower_s == pytest.approx(
        belief.end_after_s([LoadStep(0.0, load_w)], belief.bound_quantile)
    )


def test_stops_that_follow_one_another_are_added_up(tmp_path: Path) -> None:
    """Each fits alone; the two, one after the other, do not."""
    lower_s = misfits(
        read(tmp_path, BITES["stops longer than the battery"]).loaded.site
    )[0].lower_s  # fmt: skip
    half_s = int(lower_s * 0.8 / 2)
    text = _changed((_STOP, f'stop = {{ driver = "knock", takes = "{half_s}s" }}\n'))
    second = text[text.index('[[device]]\nname = "gate') :].replace("gate", "crane")
    second = second.replace("watts = 24", "watts = 0")
    side_by_side = read(tmp_path, text + second).loaded.site
    crane = side_by_side.devices["crane recorder"]
    devices = {
        **side_by_side.devices,
        "crane recorder": dataclasses.replace(crane, needs=("gate recorder",)),
    }
    in_turn = dataclasses.replace(side_by_side, devices=devices)

    assert misfits(side_by_side) == []
    assert [misfit.device for misfit in misfits(in_turn)] == ["crane recorder"]


def test_password_in_clear_is_warned_of_with_the_real_http_driver(tmp_path: Path) -> None:
    """HTTP without TLS shows the password to whoever listens; digest does not."""
    text = _changed(
        (_STOP, 'stop = { driver = "http", path = "/stop" }\n'), (_START, 'start = "by itself"\n'),
        (_KEEPER, ""),
    ) + """\
[device.http]
scheme = "http"  # <- password-in-clear
auth = "basic"
user = "keeper"
password = { env = "KNOCK_PASSWORD" }
"""  # fmt: skip
    safe = text.replace('"basic"', '"digest"').replace("  # <- password-in-clear", "")

    found, quiet = (
        {(fault.line, fault.code) for fault in warnings(loaded)}
        for loaded in (
            read(tmp_path, text, kinds=registry.kind).loaded,
            read(tmp_path, safe, kinds=registry.kind).loaded,
        )
    )

    assert found - quiet == marked(text)
    assert {code for _, code in quiet} == {"may-not-start"}


def test_old_tls_is_warned_of_at_the_device_that_asks_for_it(tmp_path: Path) -> None:
    """It is allowed for old gear, and everybody is told what that costs."""
    text = _changed(
        (_STOP, 'stop = { driver = "http", path = "/stop" }\n'), (_START, 'start = "by itself"\n'),
        (_KEEPER, ""),
    ) + f"""\
[device.http]
tls = {{ fingerprint = "{"ab" * 32}", oldest = "1.0" }}  # <- old-tls
"""  # fmt: skip
    modern = text.replace('"1.0"', '"1.2"').replace("  # <- old-tls", "")

    found, quiet = (
        {(fault.line, fault.code) for fault in warnings(loaded)}
        for loaded in (
            read(tmp_path, text, kinds=registry.kind).loaded,
            read(tmp_path, modern, kinds=registry.kind).loaded,
        )
    )

    assert found - quiet == marked(text)


OPEN_PAGE = '[page]\nlisten = "192.0.2.2:8628"\nclear_text = true\n'


def test_check_tells_errors_alone_and_otherwise_everything(tmp_path: Path) -> None:
    """What bites is judged on a site that is there; what load warned of comes along."""
    path = tmp_path / "site.toml"
    path.write_text(QUIET.replace("watts = 24", 'watts = "24"') + OPEN_PAGE)
    site, errors = check(path, today=TODAY, env=ENV, kinds=kinds)

    assert site is None
    assert [fault.code for fault in errors] == ["wrong-type"]

    path.write_text(QUIET + OPEN_PAGE)
    site, found = check(path, today=TODAY, env={}, kinds=kinds)

    assert site is not None
    assert [fault.code for fault in found] == ["secret-absent", "secret-absent", "page-clear-text"]
    assert [fault.line for fault in found] == sorted(fault.line or 0 for fault in found)
