"""A real SNMP agent on loopback: net-snmp's snmpd, serving the UPS-MIB from a file of values."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import pytest

from drivers.transports.snmp_settings import AuthProtocol, PrivacyProtocol

UPS = "1.3.6.1.2.1.33"
COMMUNITY = "quayside"
ENGINE_ID = "80001f8880aabbccdd01020304"
AUTH_SECRET = "slipway-and-ropes"
PRIVACY_SECRET = "tide-tables-2026"

Value = tuple[str, int | str]
"""A pass_persist type (integer, gauge, counter, timeticks, string, objectid) and the value."""

# Names and numbers: RFC 1628 sections 4.1 to 4.9. A cabinet of our own invention, on mains.
NAMES: dict[str, str] = {
    "upsIdentManufacturer": "1.1.1.0",
    "upsIdentModel": "1.1.2.0",
    "upsIdentUPSSoftwareVersion": "1.1.3.0",
    "upsIdentAgentSoftwareVersion": "1.1.4.0",
    "upsIdentName": "1.1.5.0",
    "upsIdentAttachedDevices": "1.1.6.0",
    "upsBatteryStatus": "1.2.1.0",
    "upsSecondsOnBattery": "1.2.2.0",
    "upsEstimatedMinutesRemaining": "1.2.3.0",
    "upsEstimatedChargeRemaining": "1.2.4.0",
    "upsBatteryVoltage": "1.2.5.0",
    "upsInputLineBads": "1.3.1.0",
    "upsInputNumLines": "1.3.2.0",
    "upsOutputSource": "1.4.1.0",
    "upsOutputNumLines": "1.4.3.0",
    "upsOutputPower.1": "1.4.4.1.4.1",
    "upsOutputPercentLoad.1": "1.4.4.1.5.1",
    "upsAlarmsPresent": "1.6.1.0",
    "upsShutdownType": "1.8.1.0",
    "upsShutdownAfterDelay": "1.8.2.0",
    "upsStartupAfterDelay": "1.8.3.0",
    "upsRebootWithDuration": "1.8.4.0",
    "upsAutoRestart": "1.8.5.0",
    "upsConfigOutputVA": "1.9.5.0",
    "upsConfigOutputPower": "1.9.6.0",
    "upsConfigLowBattTime": "1.9.7.0",
}
CONTROL: dict[str, Value] = {
    "upsShutdownType": ("writable", 1),
    "upsShutdownAfterDelay": ("countdown", -1),
    "upsStartupAfterDelay": ("countdown", -1),
    "upsRebootWithDuration": ("countdown", -1),
    "upsAutoRestart": ("writable", 2),
}
"""The control group; what a SET does to these types is told in ups_pass.py."""
ON_MAINS: dict[str, Value] = {
    "upsIdentManufacturer": ("string", "Estuary Works"),
    "upsIdentModel": ("string", "Locker 1000"),
    "upsIdentUPSSoftwareVersion": ("string", "2.4"),
    "upsIdentAgentSoftwareVersion": ("string", "7.1"),
    "upsIdentName": ("string", "cabinet"),
    "upsIdentAttachedDevices": ("string", "gate recorder, yard switch"),
    "upsBatteryStatus": ("integer", 2),
    "upsSecondsOnBattery": ("integer", 0),
    "upsEstimatedMinutesRemaining": ("integer", 47),
    "upsEstimatedChargeRemaining": ("integer", 100),
    "upsBatteryVoltage": ("integer", 410),
    "upsInputLineBads": ("counter", 3),
    "upsInputNumLines": ("integer", 1),
    "upsOutputSource": ("integer", 3),
    "upsOutputNumLines": ("integer", 1),
    "upsOutputPower.1": ("integer", 184),
    "upsOutputPercentLoad.1": ("integer", 26),
    "upsAlarmsPresent": ("gauge", 0),
    "upsConfigOutputVA": ("integer", 1000),
    "upsConfigOutputPower": ("integer", 700),
    "upsConfigLowBattTime": ("integer", 5),
}
ON_BATTERY: dict[str, Value] = {
    "upsOutputSource": ("integer", 5),
    "upsSecondsOnBattery": ("integer", 8),
    "upsEstimatedMinutesRemaining": ("integer", 44),
    "upsEstimatedChargeRemaining": ("integer", 98),
    "upsBatteryVoltage": ("integer", 377),
    "upsInputLineBads": ("counter", 4),
    "upsAlarmsPresent": ("gauge", 1),
    f"{UPS}.1.6.2.1.2.7": ("objectid", f".{UPS}.1.6.3.2"),
}
"""What changes when mains fails; laid over ON_MAINS."""

# net-snmp's names for the protocols of RFC 3414, RFC 7860 and RFC 3826 (man 5 snmpd.conf).
AUTH: dict[str, str] = {
    "md5": "MD5",
    "sha1": "SHA",
    "sha224": "SHA-224",
    "sha256": "SHA-256",
    "sha384": "SHA-384",
    "sha512": "SHA-512",
}
PRIVACY: dict[str, str] = {"des": "DES", "aes128": "AES"}


@dataclass(frozen=True, slots=True)
class User:
    """A USM user of the agent; "none" for what it does without.

    Attributes:
        subtree: the only objects that it sees; "" = all of them.
    """

    name: str
    auth: AuthProtocol = "sha256"
    privacy: PrivacyProtocol = "aes128"
    auth_secret: str = AUTH_SECRET
    privacy_secret: str = PRIVACY_SECRET
    may_write: bool = False
    subtree: str = ""

    def lines(self) -> list[str]:
        """Return its lines of snmpd.conf."""
        create = ["createUser", self.name]
        level = "noauth"
        if self.auth != "none":
            create += [AUTH[self.auth], f'"{self.auth_secret}"']
            level = "auth"
        if self.privacy != "none":
            create += [PRIVACY[self.privacy], f'"{self.privacy_secret}"']
            level = "priv"
        access = "rwuser" if self.may_write else "rouser"
        return [" ".join(create), f"{access} {self.name} {level} {self.subtree}".rstrip()]


WATCH = User("watch")
SWITCH = User("switch", may_write=True)


def binary(name: str) -> str:
    """Return the path of a net-snmp program; skip where it is absent, fail where CI is true."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin")
    if found is None:
        message = f"{name} is not installed; apt-get install snmp snmpd"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found


def free_port(address: str = "127.0.0.1") -> int:
    """Return a UDP port that was free a moment ago."""
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        probe.bind((address, 0))
        port: int = probe.getsockname()[1]
        return port


def oid_text(name: str) -> str:
    """Return the dotted OID of an RFC 1628 instance by name, or *name* if it is one already."""
    return f"{UPS}.{NAMES[name]}" if name in NAMES else name


@dataclass(slots=True)
class Snmpd:
    """One snmpd; a context manager that starts it and ends it.

    Attributes:
        folder: its own folder, for configuration, persistent state and log.
        engine_id: exactEngineID in hex; the USM keys and boots counter hang on it.
        message_limit: largest message it sends, in octets; None = its default.
        more: further lines of its configuration.
    """

    folder: Path
    address: str = "127.0.0.1"
    users: tuple[User, ...] = (WATCH,)
    engine_id: str = ENGINE_ID
    community: str = COMMUNITY
    message_limit: int | None = None
    port: int = 0
    more: tuple[str, ...] = ()
    values: dict[str, Value] = field(default_factory=lambda: dict(ON_MAINS))
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def start(self) -> None:
        """Start it and wait until it answers; at most a minute."""
        program = binary("snmpd")
        self.folder.mkdir(parents=True, exist_ok=True)
        self.port = self.port or free_port(self.address)
        self._write_values()
        (self.folder / "snmpd.conf").write_text("\n".join(self._configuration()) + "\n")
        arguments = ["-f", "-Lf", str(self.folder / "log"), "-C", "-c", "snmpd.conf", "-I", "-smux"]
        self._process = subprocess.Popen(
            [program, *arguments],
            cwd=self.folder,
            env=environment(self.folder),
            stdin=subprocess.DEVNULL,
        )
        self._wait()

    def stop(self) -> None:
        """End it; it keeps its persistent state."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def restart(self, *, engine_id: str | None = None) -> None:
        """Start it anew on the same port: boots + 1, or another engine ID from boots 1."""
        self.stop()
        if engine_id is not None:
            self.engine_id = engine_id
        self.start()

    def freeze(self) -> None:
        """Let it fall silent, its port still open."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on, with whatever has queued up."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def put(self, changes: Mapping[str, Value | None]) -> None:
        """Change values, by RFC name or dotted OID; None takes one away."""
        for name, value in changes.items():
            if value is None:
                self.values.pop(name, None)
            else:
                self.values[name] = value
        self._write_values()

    def set(self, **numbers: int) -> None:
        """Change numbers by RFC name, keeping each one's type."""
        self.put({name: (self.values[name][0], number) for name, number in numbers.items()})

    def replace(self, values: Mapping[str, Value]) -> None:
        """Serve exactly *values* from now on."""
        self.values = dict(values)
        self._write_values()

    def _write_values(self) -> None:
        fresh = self.folder / "values.new"
        fresh.write_text(json.dumps({oid_text(name): value for name, value in self.values.items()}))
        fresh.replace(self.folder / "values.json")

    def _configuration(self) -> list[str]:
        script = Path(__file__).with_name("ups_pass.py")
        transport = f"udp6:[{self.address}]" if ":" in self.address else f"udp:{self.address}"
        community = "rocommunity6" if ":" in self.address else "rocommunity"
        lines = [
            f"agentaddress {transport}:{self.port}",
            f"exactEngineID 0x{self.engine_id}",
            f"{community} {self.community}",
            f"pass_persist .{UPS} {sys.executable} {script} {self.folder / 'values.json'}",
        ]
        if self.message_limit is not None:
            lines.append(f"[snmp] sendMessageMaxSize {self.message_limit}")
        users = [line for user in self.users for line in user.lines()]
        return [*lines, *self.more, *users]

    def _wait(self) -> None:
        assert self._process is not None
        until = time.monotonic() + 60
        while time.monotonic() < until:
            if self._process.poll() is not None:
                break
            if self._answers():
                return
        log = (self.folder / "log").read_text(errors="replace")
        self.stop()
        pytest.fail(f"snmpd did not come up: {log[-2000:]}")

    def _answers(self) -> bool:
        name = self.community.encode()
        # GET of sysUpTime.0, SNMPv2c, written out in BER (RFC 1157, RFC 3416).
        pdu = bytes.fromhex("a019020101020100020100300e300c06082b060102010103000500")
        body = b"\x02\x01\x01\x04" + bytes([len(name)]) + name + pdu
        family = socket.AF_INET6 if ":" in self.address else socket.AF_INET
        with socket.socket(family, socket.SOCK_DGRAM) as probe:
            probe.settimeout(0.05)
            probe.connect((self.address, self.port))
            try:
                probe.send(b"\x30" + bytes([len(body)]) + body)
                return bool(probe.recv(2048))
            except ConnectionRefusedError:
                time.sleep(0.02)
                return False
            except TimeoutError:
                return False


def environment(folder: Path) -> dict[str, str]:
    """Return the environment in which net-snmp programs leave the rest of the system alone."""
    return {
        "PATH": os.environ.get("PATH", "") + ":/usr/sbin",
        "SNMP_PERSISTENT_DIR": str(folder / "state"),
        "SNMPCONFPATH": str(folder),
        "MIBS": "",
    }
