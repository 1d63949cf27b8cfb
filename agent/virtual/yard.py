"""The yard of Heron Lock: an invented site, its true nature, and the file that describes it.

What the file says and what is true differ, as they do anywhere: watts were read off plates, stops
were timed once and rounded up, and the battery is older than it thinks.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from agent.virtual.battery import Build, Gauge
from agent.virtual.host import PC_IS_QUIESCED, PC_QUIESCE, PC_RUNS, PC_STOP
from agent.virtual.machine import Files, Nature
from agent.virtual.recorder import TOKEN_HEADER
from policies.model import Role
from policies.runtime import Cells, Inverter

UNIT = "lodge unit"
SWITCH = "gate switch"
RECORDER = "lock recorder"
PC = "lodge PC"
STORE = "lodge store"
BOX = "warden"
CAMERAS = ("upper gate camera", "lower gate camera")
GAUGE = "water gauge"

RATING_VA, RATING_W = 650.0, 400.0

TRUE_BATTERY = Build(
    cells=Cells(energy_wh=84.0, available_share=0.5, flow_per_h=2.5),
    inverter=Inverter(efficiency=0.84, own_draw_w=10.0),
    charger_w=45.0,
    nominal_v=24.0,
)
UNITS_GAUGE = Gauge(believed_wh=112.0)
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is mistaken for another
RECORDER_FILES = Files(streams=2, closing_s=9.0)
PC_FILES = Files(streams=1, closing_s=6.0)


def natures() -> dict[str, Nature]:
    """Return what every device truly is, by name."""
    each = [
        Nature(SWITCH, Role.SWITCH, 9.0, standby_w=0.0, start_s=25.0, starts_with_power=True),
        *(
            Nature(name, Role.CAMERA, 6.0, standby_w=0.0, start_s=20.0, starts_with_power=True)
            for name in CAMERAS
        ),
        Nature(
            RECORDER,
            Role.RECORDER,
            27.0,
            standby_w=1.5,
            stop_s=22.0,
            hush_s=4.0,
            start_s=50.0,
            starts_with_power=True,
            mac="02:00:5e:10:4c:01",
        ),
        Nature(
            PC,
            Role.COMPUTER,
            67.0,
            standby_w=2.0,
            stop_s=24.0,
            hush_s=8.0,
            start_s=40.0,
            starts_with_power=True,
            mac="02:00:5e:10:4c:02",
        ),
        Nature(
            STORE,
            Role.STORAGE,
            23.0,
            standby_w=1.5,
            stop_s=17.0,
            hush_s=6.0,
            start_s=30.0,
            starts_with_power=True,
            mac="02:00:5e:10:4c:03",
        ),
        Nature("router", Role.ROUTER, 8.0, standby_w=0.0, starts_with_power=True),
        Nature("modem", Role.MODEM, 6.0, standby_w=0.0, starts_with_power=True),
        Nature(BOX, Role.AGENT_BOX, 5.0, standby_w=0.0, start_s=15.0, starts_with_power=True),
        Nature("lodge monitor", Role.MONITOR, 21.0, standby_w=0.0, starts_with_power=True),
        Nature(GAUGE, Role.OTHER, 4.0, standby_w=0.0, starts_with_power=True),
    ]
    return {nature.name: nature for nature in each}


@dataclass(frozen=True, slots=True)
class Secrets:
    """Everything that opens something at the yard; made anew for each, and in files of 0600.

    Attributes:
        ssh_key: the agent's private key, for the PC.
    """

    unit_auth: str = field(repr=False)
    unit_privacy: str = field(repr=False)
    recorder: str = field(repr=False)
    store: str = field(repr=False)
    store_enable: str = field(repr=False)
    switch: str = field(repr=False)
    switch_enable: str = field(repr=False)
    ssh_key: str = field(repr=False)

    @classmethod
    def drawn(cls, chance: random.Random, *, ssh_key: str) -> Secrets:
        """Return secrets drawn from *chance*."""

        def drawn() -> str:
            return "-".join("".join(chance.choices(_LETTERS, k=5)) for _ in range(4))

        return cls(
            unit_auth=drawn(),
            unit_privacy=drawn(),
            recorder=drawn(),
            store=drawn(),
            store_enable=drawn(),
            switch=drawn(),
            switch_enable=drawn(),
            ssh_key=ssh_key,
        )

    def write(self, folder: Path) -> None:
        """Write each into a file of its own that nobody else can read."""
        for name, text in self._files().items():
            path = folder / name
            path.touch(mode=0o600)
            path.write_text(text)

    def _files(self) -> Mapping[str, str]:
        return {
            "unit-auth": self.unit_auth,
            "unit-privacy": self.unit_privacy,
            "recorder-password": self.recorder,
            "store-password": self.store,
            "store-enable": self.store_enable,
            "switch-password": self.switch,
            "switch-enable": self.switch_enable,
            "pc-key": self.ssh_key,
        }


@dataclass(frozen=True, slots=True)
class Places:
    """Where everything at the yard is, once it is open: addresses, and what is pinned.

    Attributes:
        recorder_pin: SHA-256 of the recorder's certificate, hex.
        pc_pin, store_pin, switch_pin: host key fingerprints, "SHA256:…".
        wire: where magic packets are heard.
        traps: where the agent is to hear the unit's notifications.
    """

    unit: tuple[str, int]
    recorder: tuple[str, int]
    pc: tuple[str, int]
    store: tuple[str, int]
    switch: tuple[str, int]
    wire: tuple[str, int]
    traps: tuple[str, int]
    recorder_pin: str
    pc_pin: str
    store_pin: str
    switch_pin: str


@dataclass(frozen=True, slots=True)
class Polling:
    """How often the agent is told to ask the unit, in s."""

    on_mains_s: float = 10.0
    on_battery_s: float = 4.0


def file_text(places: Places, polling: Polling, *, today: date) -> str:
    """Return the site's file of the yard."""
    cameras = "".join(_camera(name) for name in CAMERAS)
    return "".join(
        (
            _head(places, polling, today),
            _SMALL,
            _switch(places),
            cameras,
            _recorder(places),
            _store(places),
            _pc(places),
        )
    )


def _head(places: Places, polling: Polling, today: date) -> str:
    fitted = today - timedelta(days=3 * 365)
    return f"""\
# The yard of Heron Lock: invented, and served by lastwatt itself on this machine's loopback.
format = 1

[site]
name = "Heron Lock"
time_zone = "Europe/Dublin"

[agent]
box = "{BOX}"
poll_on_mains = "{polling.on_mains_s:g}s"
poll_on_battery = "{polling.on_battery_s:g}s"
traps = {{ listen = "{places.traps[0]}:{places.traps[1]}" }}

[[unit]]
name = "{UNIT}"
address = "{places.unit[0]}"
path = "{SWITCH}"
rating = {{ va = {RATING_VA:g}, watts = {RATING_W:g} }}

[unit.battery]                          # two full runs on a dummy load, timed last spring
runtimes = [{{ watts = 60, lasts = "47m" }}, {{ watts = 180, lasts = "12m30s" }}]
volts = 24
amp_hours = 4.5
fitted = {fitted.isoformat()}

[unit.snmp]
version = "3"
port = {places.unit[1]}
user = "watch"
auth = "sha256"
auth_secret = {{ file = "unit-auth" }}
privacy = "aes128"
privacy_secret = {{ file = "unit-privacy" }}

[return]
mains_steady = "1m"
charge = 0                              # so that the demonstration need not wait for hours
"""


_SMALL = f"""
# Nothing to tell these: they may lose power at any time.
[[device]]
name = "{BOX}"
role = "agent box"
feed = "{UNIT}"
watts = 5

[[device]]
name = "router"
role = "router"
feed = "{UNIT}"
watts = 8

[[device]]
name = "modem"
role = "modem"
feed = "{UNIT}"
watts = 6

[[device]]
name = "lodge monitor"
role = "monitor"
feed = "{UNIT}"
watts = 20

[[device]]
name = "{GAUGE}"
feed = "{UNIT}"
watts = 4
no_touch = true                         # the river authority's own
"""


def _switch(places: Places) -> str:
    return f"""
[[device]]
name = "{SWITCH}"
role = "switch"
address = "{places.switch[0]}"
feed = "{UNIT}"
watts = 9                               # bare: the cameras on its ports count for themselves

[device.ssh]
user = "operator"
port = {places.switch[1]}
password = {{ file = "switch-password" }}
host_keys = ["{places.switch_pin}"]

[device.quiesce]                        # last of all: the cameras go dark, the rest lasts longer
driver = "ssh"
takes = "5s"
dialogue = [
  {{ expect = "> $", send = "enable" }},
  {{ expect = "password: $", send_secret = {{ file = "switch-enable" }} }},
  {{ expect = "# $", send = "ports off" }},
  {{ expect = "ports are off" }},
]

[device.start]
driver = "ssh"
takes = "30s"
dialogue = [
  {{ expect = "> $", send = "enable" }},
  {{ expect = "password: $", send_secret = {{ file = "switch-enable" }} }},
  {{ expect = "# $", send = "ports on" }},
  {{ expect = "ports are on" }},
]
"""


def _camera(name: str) -> str:
    return f"""
[[device]]
name = "{name}"
role = "camera"
feed = "{SWITCH}"
watts = 6
needs = "{RECORDER}"
"""


def _recorder(places: Places) -> str:
    return f"""
[[device]]
name = "{RECORDER}"
role = "recorder"
address = "{places.recorder[0]}"
feed = "{UNIT}"
path = "{SWITCH}"
watts = 26
worth = 10
hold = "15m"                            # what is worth less gives way, so that it can stay on

[device.http]
port = {places.recorder[1]}
auth = "session"
user = "keeper"
password = {{ file = "recorder-password" }}
tls = {{ fingerprint = "{places.recorder_pin}" }}
probe = {{ path = "/state" }}

[device.http.login]
path = "/session"
json = {{ user = "{{user}}", password = "{{password}}" }}
token = {{ json = "token" }}
token_header = "{TOKEN_HEADER}"
logout = {{ method = "DELETE", path = "/session" }}

[device.quiesce]
driver = "http"
takes = "15s"
path = "/recording"
json = {{ recording = false }}
expect = {{ json = {{ recording = false }} }}
confirm = {{ path = "/state", expect = {{ json = {{ open_files = 0 }} }} }}
restore = {{ path = "/recording", json = {{ recording = true }} }}
every = "2s"

[device.stop]
driver = "http"
takes = "40s"
path = "/power"
json = {{ power = "off" }}
expect = {{ json = {{ state = "stopping" }} }}

[device.verify]
driver = "tcp"
takes = "30s"
settle = "10s"
port = {places.recorder[1]}

[device.start]
driver = "wake"
takes = "90s"

[device.wake]
mac = "02:00:5e:10:4c:01"
address = "{places.wire[0]}"
port = {places.wire[1]}
"""


def _store(places: Places) -> str:
    return f"""
[[device]]
name = "{STORE}"
role = "storage"
address = "{places.store[0]}"
feed = "{UNIT}"
path = "{SWITCH}"
watts = 22
worth = 2

[device.ssh]
user = "operator"
port = {places.store[1]}
password = {{ file = "store-password" }}
host_keys = ["{places.store_pin}"]

[device.stop]                           # its console takes no commands, only a dialogue
driver = "ssh"
takes = "35s"
dialogue = [
  {{ expect = "> $", send = "enable" }},
  {{ expect = "password: $", send_secret = {{ file = "store-enable" }} }},
  {{ expect = "# $", send = "halt" }},
  {{ expect = "\\\\[y/n\\\\] $", send = "y" }},
  {{ expect = "going down" }},
]

[device.verify]
driver = "tcp"
takes = "30s"
settle = "10s"
port = {places.store[1]}

[device.start]
driver = "wake"
takes = "90s"

[device.wake]
mac = "02:00:5e:10:4c:03"
address = "{places.wire[0]}"
port = {places.wire[1]}
"""


def _pc(places: Places) -> str:
    return f"""
[[device]]
name = "{PC}"
role = "computer"
address = "{places.pc[0]}"
feed = "{UNIT}"
path = "{SWITCH}"
watts = 65
worth = 3
needs = "{STORE}"                       # it writes there

[device.ssh]
user = "operator"
port = {places.pc[1]}
key = {{ file = "pc-key" }}
host_keys = ["{places.pc_pin}"]

[device.quiesce]
driver = "ssh"
takes = "12s"
run = "{PC_QUIESCE}"
confirm = "{PC_IS_QUIESCED}"

[device.stop]
driver = "ssh"
takes = "40s"
run = "{PC_STOP}"

[device.verify]
driver = "ssh"
takes = "30s"
settle = "15s"
running = "{PC_RUNS}"

[device.start]
driver = "wake"
takes = "90s"

[device.wake]
mac = "02:00:5e:10:4c:02"
address = "{places.wire[0]}"
port = {places.wire[1]}
"""
