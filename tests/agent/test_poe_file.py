"""A site's file with PoE ports and a recorder without an interface: short, and its traps named."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.checks.check import check
from agent.clock import LoopClock
from agent.config import LoadedSite, Severity, build_drivers, load
from drivers.base import Act, Stage
from drivers.poe_settings import PoeAccess
from policies.model import Device, Starts
from tests.agent.commands import V2C, lastwatt, unit, write_secret, write_site
from tests.agent.site_files import TODAY

SWITCH = """\
[[device]]
name = "yard switch"
role = "switch"
address = "192.0.2.5"
feed = "cabinet"
watts = 9
[device.poe]
snmp = { version = "2c", community = { file = "community" } }
"""
CAMERA = """\
[[device]]
name = "slipway camera"
role = "camera"
feed = "yard switch"
watts = 5.5
needs = ["gate recorder"]
stop = { driver = "poe" }
[device.poe]
port = "1.3"
neighbour = "02:00:5e:10:00:21"
"""
RECORDER = """\
[[device]]
name = "gate recorder"
role = "recorder"
feed = "cabinet"
watts = 24
quiesce = "writers off"
"""


def loaded_from(folder: Path, *tables: str) -> tuple[LoadedSite | None, list[str]]:
    write_secret(folder / "community", "quayside")
    loaded, faults = load(write_site(folder, unit(161, snmp=V2C), *tables), today=TODAY)
    return loaded, [fault.code for fault in faults if fault.severity is Severity.ERROR]


def device(folder: Path, name: str, *tables: str) -> Device:
    loaded, faults = loaded_from(folder, *tables)
    assert loaded is not None, faults
    return loaded.site.devices[name]


def test_three_lines_put_a_camera_on_a_port(tmp_path: Path) -> None:
    """The switch says once how it is asked; what cuts also verifies, and puts back."""
    loaded, faults = loaded_from(tmp_path, SWITCH, CAMERA, RECORDER)
    assert loaded is not None, faults
    camera = loaded.site.devices["slipway camera"]
    access = loaded.fittings["slipway camera"]["poe"].access

    assert isinstance(access, PoeAccess)
    assert (access.switch, access.port, access.at_bridge) == ("192.0.2.5", (1, 3), 3)
    assert dict(loaded.stage_drivers["slipway camera"]) == dict.fromkeys(
        (Stage.STOP, Stage.VERIFY, Stage.START), "poe"
    )
    assert (camera.is_cut, camera.starts, camera.stop_s) == (True, Starts.BY_ORDER, 10.0)


FED = """\
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "yard switch"
watts = 12
quiesce = { driver = "ssh", run = "halt-recording" }
stop = [{ driver = "ssh", run = "poweroff", takes = "90s" }, { driver = "poe", takes = "8s" }]
start = "by itself"
[device.ssh]
user = "keeper"
password = { file = "community" }
host_keys = ["SHA256:m3Yx8Kc5Vb1Nz7Qw2Er9Ty4Ui6Op0As8Df3Gh5Jk7Lc"]
[device.poe]
port = "1.4"
neighbour = "02:00:5e:10:00:22"
"""


async def test_cut_as_second_way_to_stop_is_undone_by_itself_and_has_time_of_its_own(
    tmp_path: Path,
) -> None:
    """The stop is still the SSH one; what the cut takes comes on top, since it comes after."""
    loaded, faults = loaded_from(tmp_path, SWITCH, FED)
    assert loaded is not None, faults
    recorder = loaded.site.devices["gate recorder"]
    stages = build_drivers(loaded, clock=LoopClock(), dry_run=True)["gate recorder"]
    deadline_at = LoopClock().monotonic() + 5.0
    sent = {
        act: (await stages[Stage.CUT].perform(act, deadline_at=deadline_at)).sent
        for act in (Act.CUT, Act.UNCUT)
    }

    assert (recorder.is_cut, recorder.cut_s, recorder.starts) == (False, 8.0, Starts.BY_ITSELF)
    assert recorder.rest_s == 30.0 + 90.0 + recorder.settle_s + 8.0
    assert any(line.endswith("AdminEnable.1.4 = 2 (off)") for line in sent[Act.CUT])
    assert any(line.endswith("AdminEnable.1.4 = 1 (on)") for line in sent[Act.UNCUT])
    assert Stage.STOP_ELSE not in stages and stages[Stage.STOP] is stages[Stage.QUIESCE]


@pytest.mark.parametrize(
    ("table", "code"),
    [
        (FED.replace('quiesce = { driver = "ssh", run = "halt-recording" }\n', ""),
         "cut-while-writing"),
        (FED.replace('stop = [', 'stop = [{ driver = "poe" },').replace(
            ', { driver = "poe", takes = "8s" }', ""), "cut-first"),
        (FED.replace('feed = "yard switch"', 'feed = "cabinet"'), "missing-key"),
        (FED.replace("watts = 12", 'watts = 12\ncut = { driver = "poe" }'), "unknown-key"),
    ],
)  # fmt: skip
def test_traps_of_a_second_way_that_cuts_are_errors(tmp_path: Path, table: str, code: str) -> None:
    """Without quiescing, before the gentler way, or with no switch to ask: it would not do."""
    loaded, faults = loaded_from(tmp_path, SWITCH, table)

    assert loaded is None
    assert code in faults


def test_plan_says_that_a_recorder_may_be_cut_when_its_stop_fails(tmp_path: Path) -> None:
    """Its owner learns before any outage what the second line of `stop` means."""
    write_secret(tmp_path / "community", "quayside")
    plan = lastwatt("plan", write_site(tmp_path, unit(161, snmp=V2C), SWITCH, FED))

    assert "Should its stop fail, gate recorder is cut at its feed" in plan.out


@pytest.mark.parametrize(
    ("quiesce", "seconds"),
    [('"writers off"', 60.0), ('{ writers = "off", takes = "90s" }', 90.0)],
)
def test_recorder_without_interface_takes_its_settling(
    tmp_path: Path, quiesce: str, seconds: float
) -> None:
    """A minute unless the file says otherwise."""
    table = RECORDER.replace('"writers off"', quiesce)
    recorder = device(tmp_path, "gate recorder", SWITCH, CAMERA, table)

    assert (recorder.by_writers, recorder.quiesce_s, recorder.stop_s) == (True, seconds, None)
    assert recorder.starts is Starts.BY_ITSELF, "it was told nothing: it comes back with its power"


@pytest.mark.parametrize(
    ("camera", "code"),
    [
        (CAMERA.replace("watts = 5.5", 'watts = 5.5\nstart = "by itself"'), "cut-not-undone"),
        (CAMERA.replace('role = "camera"', 'role = "recorder"'), "cut-while-writing"),
        (CAMERA.replace('neighbour = "02:00:5e:10:00:21"', ""), "missing-key"),
    ],
)
def test_traps_are_errors(tmp_path: Path, camera: str, code: str) -> None:
    """A port that stays dark, a recorder cut while it writes, a port that nobody looked at."""
    loaded, faults = loaded_from(tmp_path, SWITCH, camera, RECORDER)

    assert loaded is None
    assert code in faults


@pytest.mark.parametrize(
    ("camera", "code", "said"),
    [
        (CAMERA + "no_touch = true\n", "writers-stay", "no-touch"),
        (CAMERA.replace('stop = { driver = "poe" }', ""), "writers-stay", "slipway camera"),
        (CAMERA.replace('needs = ["gate recorder"]', ""), "writers-unknown", "nothing that writes"),
    ],
)
def test_recorder_that_cannot_be_spared_is_told_before_any_outage(
    tmp_path: Path, camera: str, code: str, said: str
) -> None:
    """In an outage it is too late to learn that its camera must not be touched."""
    camera = camera.replace("no_touch = true\n", "").replace(
        "watts = 5.5", "watts = 5.5\nno_touch = true" if "no_touch" in camera else "watts = 5.5"
    )
    write_secret(tmp_path / "community", "quayside")
    file = write_site(tmp_path, unit(161, snmp=V2C), SWITCH, camera, RECORDER)
    _, faults = check(file, today=TODAY)
    found = [fault for fault in faults if fault.code == code]

    assert found and said in found[0].message
    plan = lastwatt("plan", file)
    assert "gate recorder CANNOT be brought to rest" in plan.out


def test_plan_says_that_it_is_second_best(tmp_path: Path) -> None:
    """The owner may then buy a recorder that can be told."""
    write_secret(tmp_path / "community", "quayside")
    file = write_site(tmp_path, unit(161, snmp=V2C), SWITCH, CAMERA, RECORDER)
    plan = lastwatt("plan", file)

    assert (
        "Second best: nothing can be told to gate recorder. slipway camera is cut, it is given "
        "1 min to write out, then it loses its power as it is."
    ) in plan.out


def test_plan_says_when_a_recorder_is_cut_and_that_it_may_go_on_running(tmp_path: Path) -> None:
    """Its owner learns before any outage that it may be left on, or cut for another."""
    write_secret(tmp_path / "community", "quayside")
    cut = CAMERA.replace('needs = ["gate recorder"]', "").replace("5.5", "12")
    cut = cut.replace('"slipway camera"', '"slip recorder"').replace('"camera"', '"recorder"')
    cut = cut.replace("stop =", 'quiesce = "writers off"\nstop =').replace('"1.3"', '"1.4"')
    camera = CAMERA.replace('needs = ["gate recorder"]', 'needs = ["slip recorder"]')
    file = write_site(tmp_path, unit(161, snmp=V2C), SWITCH, camera, cut, RECORDER)
    plan = lastwatt("plan", file)

    assert "slip recorder is cut at its feed, once it is known to be quiesced." in plan.out
    assert "gate recorder is cut" not in plan.out


OUTLET = """\
[[device]]
name = "gate recorder"
role = "recorder"
address = "192.0.2.20"
feed = "cabinet"
watts = 12
quiesce = { driver = "ssh", run = "halt-recording" }
stop = { driver = "snmp-write", oid = "1.3.6.1.4.1.99999.1.3", value = 2 }
verify = { driver = "snmp-write", oid = "1.3.6.1.4.1.99999.1.3", gone = 2, running = 1 }
start = { driver = "snmp-write", oid = "1.3.6.1.4.1.99999.1.3", value = 1 }
[device.ssh]
user = "keeper"
password = { file = "community" }
host_keys = ["SHA256:m3Yx8Kc5Vb1Nz7Qw2Er9Ty4Ui6Op0As8Df3Gh5Jk7Lc"]
[device.snmp-write]
address = "192.0.2.40"
snmp = { version = "2c", community = { file = "community" } }
"""


@pytest.mark.parametrize(
    ("said", "is_cut"), [("", True), (", cuts = true", True), (", cuts = false", False)]
)
def test_a_managed_outlet_cuts_unless_the_file_says_that_it_does_not(
    tmp_path: Path, said: str, is_cut: bool
) -> None:
    """An outlet that goes off under a recorder is no orderly stop; some objects are one."""
    loaded, faults = loaded_from(tmp_path, OUTLET.replace("value = 2", f"value = 2{said}"))
    assert loaded is not None, faults

    recorder = loaded.site.devices["gate recorder"]
    assert (recorder.is_cut, recorder.starts) == (is_cut, Starts.BY_ORDER)


def test_an_outlet_that_any_driver_switches_can_be_said_to_cut(tmp_path: Path) -> None:
    """Outlets speak HTTP, SSH or what a program speaks: the file says what it is."""
    by_program = OUTLET.replace(
        'stop = { driver = "snmp-write", oid = "1.3.6.1.4.1.99999.1.3", value = 2 }',
        'stop = { driver = "command", run = ["/bin/outlet", "off"], cuts = true }',
    ).replace(
        'start = { driver = "snmp-write", oid = "1.3.6.1.4.1.99999.1.3", value = 1 }',
        'start = { driver = "command", run = ["/bin/outlet", "on"] }',
    )
    loaded, faults = loaded_from(tmp_path, by_program)
    assert loaded is not None, faults

    assert loaded.site.devices["gate recorder"].is_cut


@pytest.mark.parametrize(
    ("table", "code"),
    [
        (OUTLET.replace('quiesce = { driver = "ssh", run = "halt-recording" }\n', ""),
         "cut-while-writing"),
        (OUTLET[: OUTLET.index("start =")] + 'start = "by itself"\n'
         + OUTLET[OUTLET.index("[device.ssh]") :], "cut-not-undone"),
        (OUTLET.replace("value = 1", "value = 1, cuts = true"), "unknown-key"),
    ],
)  # fmt: skip
def test_traps_of_an_outlet_are_errors(tmp_path: Path, table: str, code: str) -> None:
    """It would be cut while it writes, or never come back."""
    loaded, faults = loaded_from(tmp_path, table)

    assert loaded is None
    assert code in faults


async def test_an_outlet_as_second_way_is_given_back_by_the_start_of_the_file(
    tmp_path: Path,
) -> None:
    """SSH fails, the outlet goes off; the return writes what `start` says."""
    two = OUTLET.replace("stop = {", 'stop = [{ driver = "ssh", run = "poweroff" }, {').replace(
        "value = 2 }", "value = 2 }]"
    )
    loaded, faults = loaded_from(tmp_path, two)
    assert loaded is not None, faults
    stages = build_drivers(loaded, clock=LoopClock(), dry_run=True)["gate recorder"]
    deadline_at = LoopClock().monotonic() + 5.0
    sent = {
        act: (await stages[Stage.CUT].perform(act, deadline_at=deadline_at)).sent
        for act in (Act.CUT, Act.UNCUT)
    }

    assert loaded.site.devices["gate recorder"].cut_s == 10.0
    assert any(line.endswith("SET 1.3.6.1.4.1.99999.1.3 = 2") for line in sent[Act.CUT])
    assert any(line.endswith("SET 1.3.6.1.4.1.99999.1.3 = 1") for line in sent[Act.UNCUT])
