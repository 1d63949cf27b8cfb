"""Every registered driver is held to every check, merely by being registered."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from pydantic import SecretStr

from drivers import registry
from drivers.base import Act, Driver, Fitting, Stage
from drivers.conformance import CHECKS, PEER_CHECKS, Case, Check, Hears, Peer, Target
from tests.peers import apache, onvif, redfish
from tests.peers.poe_switch import SLIPWAY_MAC, PoeSwitch
from tests.peers.snmpd import SWITCH, Snmpd, User
from tests.peers.sshd import Sshd

# Deadlines of half a second are kept or not, whatever else the machine is busy with.
pytestmark = pytest.mark.alone

Tables = dict[Stage, dict[str, Any]]


def driver_for(
    name: str, target: Target, *, access: dict[str, Any], stages: Tables, address: str = ""
) -> Driver:
    """Build a driver of a kind from tables as the site's file has them, secrets already read."""
    kind = registry.kind(name)
    return kind.build(
        Fitting(
            device="gate recorder",
            address=address or target.address,
            access=kind.access.model_validate(access),
            stages={
                stage: kind.stages[stage].model_validate(table) for stage, table in stages.items()
            },
            clock=target.clock,
            dry_run=target.dry_run,
        )
    )


# ssh

SSH_STAGES: Tables = {
    Stage.QUIESCE: {"run": ["true", "true"], "confirm": "true"},
    Stage.STOP: {"run": ["echo going", "true"], "expect": "^$"},
    Stage.START: {"run": "true"},
    Stage.VERIFY: {"running": "true"},
}


def ssh_driver(target: Target) -> Driver:
    secret = SecretStr(target.secret)
    dialogue = [{"expect": "word:", "send_secret": secret}]
    return driver_for(
        "ssh",
        target,
        access={
            "user": "watch",
            "port": target.port,
            "password": secret,
            "sudo_password": secret,
            "host_keys": ["SHA256:" + "A" * 43],
        },
        stages=SSH_STAGES
        | {
            Stage.STOP: {"run": "sudo -S poweroff", "stdin_secret": secret},
            Stage.START: {"dialogue": dialogue},
        },
    )


@asynccontextmanager
async def ssh_peer() -> AsyncIterator[Peer]:
    with TemporaryDirectory() as folder, Sshd(Path(folder) / "sshd") as sshd:

        def make(target: Target) -> Driver:
            access = {
                "user": sshd.user,
                "port": target.port,
                "key": SecretStr(sshd.client_key),
                "host_keys": [sshd.fingerprint()],
            }
            return driver_for("ssh", target, access=access, stages=SSH_STAGES)

        yield Peer(sshd.address, sshd.port, make)


# tcp


def tcp_driver(target: Target) -> Driver:
    return driver_for(
        "tcp", target, access={}, stages={Stage.VERIFY: {"port": target.port, "interval": "0.1s"}}
    )


# onvif

ONVIF_STAGES: Tables = {
    Stage.QUIESCE: {"settle": "0.1s", "every": "0.1s"},
    Stage.VERIFY: {"every": "0.1s"},
}


def onvif_driver(target: Target) -> Driver:
    access = {
        "port": target.port,
        "auth": "token",
        "user": onvif.USER,
        "password": SecretStr(target.secret),
    }
    return driver_for("onvif", target, access=access, stages=ONVIF_STAGES)


@asynccontextmanager
async def onvif_peer() -> AsyncIterator[Peer]:
    with onvif.serving(onvif.Recorder(auth="token")) as recorder:

        def make(target: Target) -> Driver:
            return onvif_driver(replace(target, secret=onvif.PASSWORD))

        yield Peer("127.0.0.1", recorder.port, make)


# snmp-write: snmpEnableAuthenTraps (RFC 3418), which snmpd begins with at 2

SWITCHED = "1.3.6.1.2.1.11.30.0"
WRITE_STAGES: Tables = {
    Stage.STOP: {"oid": SWITCHED, "value": 1},
    Stage.START: {"oid": SWITCHED, "value": 2},
    Stage.VERIFY: {"oid": SWITCHED, "gone": 1, "running": 2, "interval": "0.1s"},
}


def snmp_write_driver(target: Target, user: User = SWITCH, secret: str = "") -> Driver:
    snmp = {
        "version": "3", "port": target.port, "user": user.name, "timeout": "1s",
        "auth": user.auth, "auth_secret": SecretStr(secret or target.secret),
        "privacy": user.privacy, "privacy_secret": SecretStr(user.privacy_secret if secret else
                                                            target.secret),
    }  # fmt: skip
    return driver_for("snmp-write", target, access={"snmp": snmp}, stages=WRITE_STAGES)


@asynccontextmanager
async def snmp_write_peer() -> AsyncIterator[Peer]:
    with TemporaryDirectory() as folder, Snmpd(Path(folder), users=(SWITCH,)) as snmpd:

        def make(target: Target) -> Driver:
            return snmp_write_driver(target, SWITCH, SWITCH.auth_secret)

        yield Peer(snmpd.address, snmpd.port, make)


# command


def command_driver(target: Target) -> Driver:
    stages: Tables = {
        Stage.STOP: {"run": ["/bin/true"]},
        Stage.VERIFY: {"gone": ["/bin/true"], "running": ["/bin/cat"]},
    }
    access = {"secret": SecretStr(target.secret)}
    return driver_for("command", target, access=access, stages=stages)


# redfish

REDFISH_STAGES: Tables = {Stage.STOP: {}, Stage.START: {}, Stage.VERIFY: {"every": "0.1s"}}


def redfish_driver(target: Target) -> Driver:
    access = {
        "scheme": "http",
        "port": target.port,
        "user": "watch",
        "password": SecretStr(target.secret),
    }
    return driver_for("redfish", target, access=access, stages=REDFISH_STAGES)


@asynccontextmanager
async def redfish_peer() -> AsyncIterator[Peer]:
    with redfish.serving(redfish.Controller()) as controller:

        def make(target: Target) -> Driver:
            return redfish_driver(replace(target, secret=redfish.PASSWORD))

        yield Peer("127.0.0.1", controller.port, make)


# http

HTTP_STAGES: Tables = {
    Stage.QUIESCE: {
        "calls": [{"path": "/digest/api/stop", "form": {"key": "{password}"}}, {"path": "/b"}],
        "confirm": {"path": "/digest/api/state", "expect": {"contains": "idle"}},
        "every": "0.1s",
    },
    Stage.STOP: {
        "path": "/digest/api/stop",
        "json": {"mode": "off"},
        "expect": {"json": {"state": "stopping"}},
    },
    Stage.START: {"path": "/start?key={password}", "xml": "<key>{password}</key>"},
    Stage.VERIFY: {"gone": {"path": "/gone"}, "running": {"path": "/"}, "every": "0.1s"},
}


def http_driver(target: Target) -> Driver:
    access = {
        "scheme": "http",
        "port": target.port,
        "auth": "digest",
        "user": apache.USER,
        "password": SecretStr(target.secret),
        "headers": {"X-Key": "{password}"},
    }
    return driver_for("http", target, access=access, stages=HTTP_STAGES)


@asynccontextmanager
async def http_peer() -> AsyncIterator[Peer]:
    with apache.Apache() as server:

        def make(target: Target) -> Driver:
            return http_driver(replace(target, secret=apache.PASSWORD))

        yield Peer("127.0.0.1", server.port, make)


# wake


def wake_driver(target: Target) -> Driver:
    secure_on = SecretStr("7f:4b:79:2b:51:5a")  # six bytes: the planted secret is none
    access = {"mac": "02:00:5e:10:00:01", "port": target.port, "password": secure_on}
    return driver_for(
        "wake",
        target,
        access={**access, "address": target.address},
        stages={Stage.START: {}},
    )


# local


def local_driver(target: Target) -> Driver:
    # A harmless program in the place of what powers a box off.
    stages: Tables = {Stage.QUIESCE: {}, Stage.STOP: {"command": ["true"]}}
    return driver_for("local", target, access={}, stages=stages)


# poe


def poe_table(target: Target, **snmp: Any) -> dict[str, Any]:
    return {
        "switch": target.address,
        "snmp": {"version": "3", "user": SWITCH.name, "port": target.port, **snmp},
        "port": "1.3",
        "neighbour": SLIPWAY_MAC,
    }


def poe_driver(target: Target) -> Driver:
    secret = SecretStr(target.secret)
    login = {"auth": "sha256", "auth_secret": secret, "privacy": "aes128", "privacy_secret": secret}
    return driver_for("poe", target, access=poe_table(target, **login), stages=POE_STAGES)


POE_STAGES: Tables = {Stage.STOP: {}, Stage.START: {}, Stage.VERIFY: {"interval": "0.1s"}}


@asynccontextmanager
async def poe_peer() -> AsyncIterator[Peer]:
    with TemporaryDirectory() as folder, PoeSwitch(Path(folder)) as switch:

        def make(target: Target) -> Driver:
            login = {
                "auth": SWITCH.auth,
                "auth_secret": SecretStr(SWITCH.auth_secret),
                "privacy": SWITCH.privacy,
                "privacy_secret": SecretStr(SWITCH.privacy_secret),
            }
            return driver_for("poe", target, access=poe_table(target, **login), stages=POE_STAGES)

        yield Peer(switch.address, switch.snmpd.port, make)


CASES: dict[str, Case] = {
    "ssh": Case(ssh_driver, greeting=b"SSH-2.0-quayside\r\n", peer=ssh_peer),
    "tcp": Case(tcp_driver, act=Act.CONFIRM_RUNNING, hears=Hears.CONNECTION),
    "http": Case(http_driver, greeting=b"HTTP/1.1 200 OK\r\nContent-Le", peer=http_peer),
    "onvif": Case(
        onvif_driver, act=Act.QUIESCE, greeting=b"HTTP/1.1 200 OK\r\nContent-Le", peer=onvif_peer
    ),
    "redfish": Case(redfish_driver, greeting=b"HTTP/1.1 201 Cre", peer=redfish_peer),
    # A greeting that begins as a message of SNMP version 3 does: a SEQUENCE, cut short.
    "poe": Case(poe_driver, hears=Hears.DATAGRAM, greeting=b"\x30\x82\x01", peer=poe_peer),
    "snmp-write": Case(
        snmp_write_driver, hears=Hears.DATAGRAM, greeting=b"\x30\x82\x01", peer=snmp_write_peer
    ),
    "command": Case(command_driver, hears=Hears.NOTHING),
    "local": Case(local_driver, hears=Hears.NOTHING),
    "wake": Case(wake_driver, act=Act.START, hears=Hears.NOTHING),
}
"""How each registered driver is built for the checks; a new driver adds its case here."""

WITH_PEER = sorted(name for name, case in CASES.items() if case.peer is not None)


def _name(check: Callable[..., object]) -> str:
    return getattr(check, "__name__", "").removeprefix("check_")


def test_every_registered_driver_has_a_case() -> None:
    """A driver that nobody checks is one that may hang in an outage."""
    assert set(registry.names()) == set(CASES)


@pytest.mark.parametrize("check", CHECKS, ids=_name)
@pytest.mark.parametrize("name", sorted(CASES))
async def test_driver_conforms(name: str, check: Check) -> None:
    """A driver that breaks one of these breaks a promise that an outage relies on."""
    await check(CASES[name])


@pytest.mark.peer
@pytest.mark.parametrize("check", PEER_CHECKS, ids=_name)
@pytest.mark.parametrize("name", WITH_PEER)
async def test_driver_understands_its_device(name: str, check: Check) -> None:
    """Against a real server, the driver does what it described, and nothing else."""
    await check(CASES[name])
