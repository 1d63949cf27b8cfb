"""What a unit should be set to, proposed and written against net-snmp, and read back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.commissioning.device_list import needs_of
from agent.commissioning.unit_settings import (
    ATTACHED,
    LOW_BATTERY,
    RESTART,
    Setting,
    is_anothers,
    is_taken,
    may_write,
    needed_min,
    settings_of,
    write,
)
from agent.config import LoadedSite, load
from drivers.errors import DeviceRefusedError
from policies.identity import mark_of, with_mark
from policies.model import Device, Role
from tests.agent.commands import V2C, V3, unit, write_secret, write_site
from tests.agent.site_files import TODAY
from tests.peers.snmpd import CONTROL, ON_MAINS, SWITCH, WATCH, Snmpd
from tests.policies.sites import DESK, RECORDER, site_of
from tests.policies.sites import SWITCH as YARD_SWITCH

OURS, OTHER = "5f0c119a3e7720d481b642f96a03cc58", "e1972b0d64ae357c901f83d24b56a8ee"
WRITABLE = {
    **ON_MAINS,
    **CONTROL,
    LOW_BATTERY: ("writable", 1),
    ATTACHED: ("writable-string", "gate recorder"),
}
CONTROLLED = V3.replace("watch", "switch")


@pytest.fixture
def snmpd(tmp_path: Path) -> Iterator[Snmpd]:
    with Snmpd(tmp_path / "unit", users=(WATCH, SWITCH), values=dict(WRITABLE)) as found:
        yield found


def site(folder: Path, snmpd: Snmpd, *, snmp: str = CONTROLLED) -> LoadedSite:
    path = write_site(folder, unit(snmpd.port, snmp=snmp))
    loaded, faults = load(path, today=TODAY)
    assert loaded is not None, faults
    return loaded


def by_name(found: tuple[Setting, ...]) -> dict[str, Setting]:
    return {setting.name: setting for setting in found}


@pytest.mark.peer
def test_settings_are_proposed_written_and_read_back(tmp_path: Path, snmpd: Snmpd) -> None:
    """The unit's own warning in time, its automatic restart on, and whose it is."""
    loaded = site(tmp_path, snmpd)
    before = by_name(settings_of(loaded, "cabinet", box=OURS))
    assert {name: setting.now for name, setting in before.items()} == {
        LOW_BATTERY: 1,
        RESTART: 2,
        ATTACHED: "gate recorder",
    }
    assert not any(setting.is_met for setting in before.values())

    for setting in before.values():
        assert is_taken(setting, write(loaded, setting)), setting
    after = by_name(settings_of(loaded, "cabinet", box=OURS))
    assert all(setting.is_met for setting in after.values())
    assert after[ATTACHED].now == with_mark("gate recorder", OURS)


@pytest.mark.peer
def test_a_unit_that_may_not_be_written_says_so(tmp_path: Path, snmpd: Snmpd) -> None:
    """The person then sets it on the unit's own page."""
    loaded = site(tmp_path, snmpd, snmp=V3)
    restart = by_name(settings_of(loaded, "cabinet", box=""))[RESTART]

    with pytest.raises(DeviceRefusedError):
        write(loaded, restart)
    assert not by_name(settings_of(loaded, "cabinet", box=""))[RESTART].is_met


@pytest.mark.peer
def test_a_unit_that_takes_a_value_and_does_nothing_is_found_out(
    tmp_path: Path, snmpd: Snmpd
) -> None:
    """Some answer that it is done: only what is read back counts."""
    snmpd.put({RESTART: ("deaf", 2)})
    loaded = site(tmp_path, snmpd)
    restart = by_name(settings_of(loaded, "cabinet", box=""))[RESTART]

    assert not is_taken(restart, write(loaded, restart))


@pytest.mark.peer
def test_another_agents_mark_is_told_from_ours(tmp_path: Path, snmpd: Snmpd) -> None:
    """It is left where it is, unless somebody swapped the box on purpose."""
    snmpd.put({ATTACHED: ("writable-string", with_mark("gate recorder", OTHER))})
    found = by_name(settings_of(site(tmp_path, snmpd), "cabinet", box=OURS))[ATTACHED]

    assert is_anothers(found)
    assert isinstance(found.wanted, str)
    assert mark_of(found.wanted) == OURS[:12]


@pytest.mark.peer
def test_nothing_is_written_in_clear_text(tmp_path: Path, snmpd: Snmpd) -> None:
    """A community is a password that anybody on the wire reads; RFC 1628 has no security."""
    write_secret(tmp_path / "community", "quayside")
    loaded = site(tmp_path, snmpd, snmp=V2C)

    assert not may_write(loaded.units["cabinet"].snmp)
    with pytest.raises(AssertionError):
        write(loaded, by_name(settings_of(loaded, "cabinet", box=""))[RESTART])


def test_the_warning_leaves_time_for_all_to_stop_in_order() -> None:
    """The desk and the recorder side by side, then the switch; five seconds, and a minute."""
    both = site_of(YARD_SWITCH, RECORDER, DESK)
    assert RECORDER.rest_s == 120.0, "quiesce 10, stop 50, silence 60"
    assert needed_min(both, "cabinet") == 4, "120 + 10 + 5 s are three minutes, and one to spare"
    untouchable = Device("door", Role.OTHER, 5, 5, ("cabinet",), no_touch=True)
    assert needed_min(site_of(untouchable), "cabinet") == 2


def test_minutes_that_a_unit_rounds_up_are_taken() -> None:
    """RFC 1628 section 4.9: an unsupported value becomes the next that it has."""
    setting = Setting("cabinet", LOW_BATTERY, 2, 4, is_met=False, why="")
    assert is_taken(setting, 5)
    assert not is_taken(setting, 2)
    assert not is_taken(setting, None)


DEVICES = """\
[[device]]
name = "woken"
role = "computer"
address = "192.0.2.31"
feed = "cabinet"
watts = 38
stop = { driver = "command", run = ["/bin/true"] }
verify = { driver = "command", gone = ["/bin/true"] }
start = { driver = "wake" }
[device.wake]
mac = "02:00:5e:10:00:15"
[[device]]
name = "by itself"
role = "computer"
feed = "cabinet"
watts = 38
stop = { driver = "command", run = ["/bin/true"] }
verify = { driver = "command", gone = ["/bin/true"] }
start = "by itself"
[[device]]
name = "by hand"
role = "computer"
feed = "cabinet"
watts = 38
stop = { driver = "command", run = ["/bin/true"] }
verify = { driver = "command", gone = ["/bin/true"] }
start = "by hand"
[[device]]
name = "door"
feed = "cabinet"
watts = 4
no_touch = true
[[device]]
name = "lamp"
feed = "mains"
watts = 4
"""


def test_each_device_has_what_a_person_must_see_to(tmp_path: Path) -> None:
    """What comes back by a magic packet, by its power, by a finger; and what is not touched."""
    loaded, faults = load(write_site(tmp_path, unit(161), DEVICES), today=TODAY)
    assert loaded is not None, faults

    def said(name: str) -> str:
        return " ".join(needs_of(loaded, name))

    assert "Wake-on-LAN" in said("woken")
    assert "when AC power comes back" in said("by itself")
    assert "where its button is" in said("by hand")
    assert "no-touch" in said("door")
    assert said("lamp") == ""
    assert "battery-backed socket of cabinet" in said("by itself")
