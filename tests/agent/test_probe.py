"""`lastwatt probe` against real peers and rude ones: what is said, and the exit status."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.checks.probe import Probed, probe
from agent.config import load
from agent.control import ControlServer
from agent.journal.lock import StateLock
from drivers.base import Act, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.settings import Settings
from tests.agent.commands import (
    V2C,
    V3,
    Done,
    http_device,
    lastwatt,
    ssh_device,
    unit,
    write_secret,
    write_site,
)
from tests.agent.site_files import TODAY
from tests.peers.apache import PASSWORD, Apache
from tests.peers.rude import WEB_ANSWER, WEB_PAGE, tcp_peer, udp_peer
from tests.peers.snmpd import (
    CONTROL,
    ON_MAINS,
    SWITCH,
    WATCH,
    Snmpd,
    free_port,
)
from tests.peers.sshd import Sshd, make_key
from tests.peers.sshd import free_port as free_tcp_port

pytestmark = pytest.mark.peer

OTHER_PIN = "SHA256:Zk3vJ8mQ1nT5yR7wB2cX4dF6gH9jK0lP3sV5uA8eI1o"


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("unit")) as found:
        yield found


@pytest.fixture(scope="module")
def sshd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    with Sshd(tmp_path_factory.mktemp("desk")) as found:
        (found.folder / "client").chmod(0o600)
        yield found


@pytest.fixture(scope="module")
def apache() -> Iterator[Apache]:
    with Apache() as found:
        yield found


def found_of(done: Done, name: str, driver: str) -> dict[str, str]:
    (found,) = (p for p in done.document["probes"] if (p["name"], p["driver"]) == (name, driver))
    assert isinstance(found, dict)
    return found


# The unit


@pytest.mark.parametrize("snmp", [V3, V2C], ids=["v3", "v2c"])
def test_unit_that_answers_is_a_yes_with_what_it_is(
    tmp_path: Path, snmpd: Snmpd, snmp: str
) -> None:
    """The installer's good news: the unit, by its own words."""
    done = lastwatt("probe", write_site(tmp_path, unit(snmpd.port, snmp=snmp)))

    assert (done.status, done.err) == (0, "")
    assert done.out == (
        "yes  cabinet (snmp): Estuary Works Locker 1000 answers; the source of its output is "
        "normal; of the 19 objects of RFC 1628 that are read it has all\n"
    )


def test_objects_that_a_unit_lacks_are_named(tmp_path: Path) -> None:
    """RFC 1628 section 5: minutes and charge are mandatory at full compliance only."""
    few = {k: v for k, v in ON_MAINS.items() if "Estimated" not in k}
    with Snmpd(tmp_path / "unit", values=few) as snmpd:
        done = lastwatt("probe", write_site(tmp_path, unit(snmpd.port)), "--json")

    found = found_of(done, "cabinet", "snmp")
    assert done.status == 0
    assert "upsEstimatedMinutesRemaining, upsEstimatedChargeRemaining" in found["advice"]


def test_rating_that_differs_from_the_file_is_named(tmp_path: Path) -> None:
    """A wrong rating makes every runtime wrong."""
    values = {**ON_MAINS, "upsConfigOutputPower": ("integer", 900)}
    with Snmpd(tmp_path / "unit", values=values) as snmpd:
        done = lastwatt("probe", write_site(tmp_path, unit(snmpd.port)), "--json")

    assert found_of(done, "cabinet", "snmp")["advice"] == (
        "it says rating watts = 900, the file says 700; mend one"
    )


@pytest.mark.parametrize(
    ("secret", "snmp", "said"),
    [
        ("auth", V3, "authentication failed"),
        ("privacy", V3, "cannot decrypt"),
        ("", V3.replace('"watch"', '"nobody"'), "does not know this user"),
    ],
)
def test_wrong_credential_is_refused(
    tmp_path: Path, snmpd: Snmpd, secret: str, snmp: str, said: str
) -> None:
    """Status 4: mend the file; silence would send the installer to the cabling."""
    site = write_site(tmp_path, unit(snmpd.port, snmp=snmp))
    if secret:
        write_secret(tmp_path / secret, "not-the-right-one")
    done = lastwatt("probe", site)

    assert done.status == 4
    assert said in done.out
    assert "mend" in done.out
    assert "not-the-right-one" not in done.out + done.err


def test_wrong_community_sounds_like_silence(tmp_path: Path, snmpd: Snmpd) -> None:
    """RFC 1157 section 4.1 (from memory): it is discarded unanswered; so both are named."""
    site = write_site(tmp_path, unit(snmpd.port, snmp=V2C))
    write_secret(tmp_path / "community", "harbour")
    done = lastwatt("probe", site)

    assert done.status == 3
    assert "and the community" in done.out


@pytest.mark.parametrize(
    ("answer", "status"),
    [
        (lambda datagram: None, 3),
        (lambda datagram: b"\0garbage\xff" * 9, 1),
        (lambda datagram: datagram[: len(datagram) // 2], 1),
        (lambda datagram: b"", 1),
        (lambda datagram: WEB_PAGE, 1),
    ],
    ids=["silence", "garbage", "half", "empty", "web page"],
)
@pytest.mark.parametrize("snmp", [V3, V2C], ids=["v3", "v2c"])
def test_answer_that_is_no_snmp_is_named_as_such(
    tmp_path: Path, snmp: str, answer: Callable[[bytes], bytes | None], status: int
) -> None:
    """Nonsense is told from silence, and neither is a traceback."""
    brisk = f'{snmp}, timeout = "0.3s", tries = 1'
    with udp_peer(answer) as port:
        done = lastwatt("probe", write_site(tmp_path, unit(port, snmp=brisk)))

    said = {3: "no answer over SNMP", 1: "what it answers makes no sense"}
    assert done.status == status
    assert said[status] in done.out
    assert done.err == ""


def test_unit_without_the_standard_objects_is_named(tmp_path: Path) -> None:
    """The address is a printer's, or the card speaks only its maker's own objects."""
    with Snmpd(tmp_path / "unit", values={}) as snmpd:
        done = lastwatt("probe", write_site(tmp_path, unit(snmpd.port)))

    assert done.status == 1
    assert "check that the address is the unit's" in done.out


def test_name_that_nobody_knows_is_unreachable(tmp_path: Path) -> None:
    """RFC 6761 section 6.4: no name ends in .invalid."""
    done = lastwatt("probe", write_site(tmp_path, unit(161, address="unit.invalid")))

    assert done.status == 3
    assert "write the numeric address into the file" in done.out


# Devices


def with_ssh(folder: Path, snmpd: Snmpd, sshd: Sshd, **other: str) -> Path:
    usual = {
        "fingerprint": sshd.fingerprint(), "user": sshd.user, "key": str(sshd.folder / "client"),
    }  # fmt: skip
    return write_site(folder, unit(snmpd.port), ssh_device(sshd.port, **{**usual, **other}))


def test_ssh_device_is_logged_in_to(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Credentials and host key are tried before the outage does."""
    done = lastwatt("probe", with_ssh(tmp_path, snmpd, sshd), "--json")

    assert (done.status, done.document["ok"]) == (0, True)
    assert found_of(done, "desk", "ssh")["evidence"] == (
        f"logged in as {sshd.user}; host key {sshd.fingerprint()} as pinned"
    )


def test_wrong_key_is_refused(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Status 4, and which key to let in."""
    make_key(tmp_path / "other", "ed25519")
    done = lastwatt("probe", with_ssh(tmp_path, snmpd, sshd, key="other"))

    assert done.status == 4
    assert "logging in as" in done.out
    assert "authorized_keys" in done.out
    assert "PRIVATE KEY" not in done.out + done.err


def test_changed_host_key_is_refused(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Status 4: the device was replaced, or somebody stands in between."""
    done = lastwatt("probe", with_ssh(tmp_path, snmpd, sshd, fingerprint=OTHER_PIN))

    assert done.status == 4
    assert f"the host key changed from {OTHER_PIN} to {sshd.fingerprint()}" in done.out
    assert "nothing was sent" in done.out


@pytest.mark.parametrize(
    ("answer", "verdicts"),
    [(None, {Verdict.NO_ANSWER}), (WEB_ANSWER, {Verdict.NO_ANSWER, Verdict.GARBLED})],
    ids=["silence", "web page"],
)
async def test_port_that_speaks_no_ssh_ends_in_time_with_advice(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd, answer: bytes | None, verdicts: set[Verdict]
) -> None:
    """A frozen device holds the probe up for no longer than its share."""
    with tcp_peer(answer) as port:
        site = write_site(
            tmp_path,
            unit(snmpd.port),
            ssh_device(port, fingerprint=OTHER_PIN, user="keeper", key=str(sshd.folder / "client")),
        )
        loaded, _ = load(site, today=TODAY)
        assert loaded is not None
        report = await probe(loaded, device_within_s=1.0)

    (found,) = (p for p in report.probed if p.driver == "ssh")
    assert found.verdict in verdicts
    assert found.advice
    assert found.took_s < 2.5


def test_closed_port_is_unreachable(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Status 3: look whether it is on."""
    site = write_site(
        tmp_path,
        unit(snmpd.port),
        ssh_device(
            free_tcp_port(), fingerprint=OTHER_PIN, user="keeper", key=str(sshd.folder / "client")
        ),
    )
    done = lastwatt("probe", site)

    assert done.status == 3
    assert "nobody listens there" in done.out


SESSION = """\
scheme = "http"
auth = "session"
user = "watch"
password = { file = "password" }
probe = { path = "/state" }
[device.http.login]
path = "/login"
json = { name = "{user}", password = "{password}" }
token = { json = "session.token" }
"""


@pytest.mark.parametrize(
    "access",
    [
        SESSION,
        'scheme = "http"\nauth = "none"\nprobe = { path = "/", expect = { json = { a = 1 } } }',
    ],
    ids=["login", "state"],
)
def test_web_page_where_json_was_due_is_named(tmp_path: Path, snmpd: Snmpd, access: str) -> None:
    """Many devices answer any wrong path by their login page, with status 200."""
    with tcp_peer(WEB_ANSWER) as port:
        site = write_site(tmp_path, unit(snmpd.port), http_device(port, more=access))
        write_secret(tmp_path / "password", PASSWORD)
        done = lastwatt("probe", site)

    assert done.status == 1
    assert "HTML" in done.out
    assert PASSWORD not in done.out + done.err


@pytest.mark.parametrize("scheme", ["basic", "digest"])
@pytest.mark.parametrize(("password", "status"), [(PASSWORD, 0), ("tarred rope", 4)])
def test_http_login_is_tried(
    tmp_path: Path, snmpd: Snmpd, apache: Apache, scheme: str, password: str, status: int
) -> None:
    """A wrong password shows now, not when the battery runs out."""
    access = (
        f'scheme = "http"\nauth = "{scheme}"\nuser = "watch"\npassword = {{ file = "password" }}\n'
        f'probe = {{ path = "/{scheme}/api/state" }}'
    )
    site = write_site(tmp_path, unit(snmpd.port), http_device(apache.port, more=access))
    write_secret(tmp_path / "password", password)
    done = lastwatt("probe", site)

    assert done.status == status
    assert ("check auth, user and password" in done.out) == (status == 4)
    assert password not in done.out + done.err


def test_certificate_that_nobody_vouches_for_is_refused(
    tmp_path: Path, snmpd: Snmpd, apache: Apache
) -> None:
    """Status 4, with the fingerprint to pin once it was compared."""
    assert apache.issued is not None
    access = 'scheme = "https"\nauth = "none"\nprobe = { path = "/open/api/state" }'
    site = write_site(tmp_path, unit(snmpd.port), http_device(apache.tls_port, more=access))
    done = lastwatt("probe", site)

    assert done.status == 4
    assert apache.issued.fingerprint().lower() in done.out.lower()


def test_clock_that_is_wrong_is_told(tmp_path: Path, snmpd: Snmpd) -> None:
    """Footage with the wrong time proves nothing; the date form is RFC 9110 section 5.6.7's."""
    old = b"Date: Sun, 06 Nov 1994 08:49:37 GMT\r\n"
    with tcp_peer(WEB_ANSWER.replace(b"Content-Type", old + b"Content-Type")) as port:
        access = 'scheme = "http"\nauth = "none"\nprobe = { path = "/" }'
        site = write_site(tmp_path, unit(snmpd.port), http_device(port, more=access))
        done = lastwatt("probe", site, "--json")

    found = found_of(done, "gate recorder", "http")
    assert done.status == 0
    assert " behind" in found["evidence"]
    assert "set its clock" in found["advice"]


# The whole


def test_gravest_trouble_gives_the_status(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """One refused, one silent: 4, since the refusal will not mend itself; both are shown."""
    site = write_site(
        tmp_path,
        unit(free_port()),
        ssh_device(
            sshd.port,
            fingerprint=OTHER_PIN,
            user=sshd.user,
            key=str(sshd.folder / "client"),
        ),
    )
    done = lastwatt("probe", site)

    assert done.status == 4
    assert "no answer over SNMP" in done.out
    assert "the host key changed" in done.out


def test_no_touch_device_is_left_alone(tmp_path: Path, snmpd: Snmpd, sshd: Sshd) -> None:
    """Not even a read-only look reaches it, and that is said."""
    device = ssh_device(
        sshd.port,
        fingerprint=sshd.fingerprint(),
        user=sshd.user,
        key=str(sshd.folder / "client"),
        more="no_touch = true",
    )
    before = sshd.log
    done = lastwatt("probe", write_site(tmp_path, unit(snmpd.port), device))

    assert done.status == 0
    assert "--   desk: not probed, it is on the no-touch list" in done.out
    assert sshd.log == before


async def test_device_that_the_agent_is_busy_with_is_left_alone(
    tmp_path: Path, snmpd: Snmpd, sshd: Sshd
) -> None:
    """Two log-ins at once throw each other out of many a recorder."""
    device = ssh_device(
        sshd.port,
        fingerprint=sshd.fingerprint(),
        user=sshd.user,
        key=str(sshd.folder / "client"),
    )
    state = tmp_path / "state"
    site = write_site(tmp_path, f'state = "{state}"\n', unit(snmpd.port), device)
    why = "the agent has an order for it under way"

    async def busy(request: dict[str, Any]) -> dict[str, Any]:
        return {"busy": {"desk": why, "another file's": "as busy"}}

    before = sshd.log
    lock = StateLock.take(state)
    served = ControlServer(lock, {"probing": busy})
    await served.start()
    done = await asyncio.to_thread(lastwatt, "probe", site)
    await served.close()
    lock.release()

    assert done.status == 0
    assert f"--   desk: not probed, {why}" in done.out
    assert "another" not in done.out
    assert sshd.log == before


class _Broken:
    """A driver of somebody else's that raises, or hangs."""

    def __init__(self, *, hangs: bool) -> None:
        self._hangs = hangs

    @property
    def acts(self) -> dict[Act, Repeat]:
        return {Act.PROBE: Repeat.SAFE}

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        if self._hangs:
            await asyncio.Event().wait()
        raise ZeroDivisionError("moor-her-fast-4")

    async def close(self) -> None:
        raise RuntimeError("closed twice")


@pytest.mark.parametrize(
    ("hangs", "verdict"), [(False, Verdict.GARBLED), (True, Verdict.NO_ANSWER)]
)
async def test_broken_driver_spoils_no_other_probe(
    tmp_path: Path, snmpd: Snmpd, hangs: bool, verdict: Verdict
) -> None:
    """Other people's drivers are code that nobody here has seen."""

    def build(fitting: Fitting) -> Driver:
        return _Broken(hangs=hangs)

    kind = DriverKind("knock", Settings, {Stage.STOP: Settings}, build, lambda access: None)
    device = '[[device]]\nname = "desk"\nrole = "computer"\nfeed = "cabinet"\nwatts = 9\n'
    device += 'stop = { driver = "knock" }\nverify = { driver = "knock" }\n'
    kind = replace(kind, stages={Stage.STOP: Settings, Stage.VERIFY: Settings})
    site = write_site(tmp_path, unit(snmpd.port), device)
    loaded, faults = load(site, today=TODAY, kinds=lambda name: kind)
    assert loaded is not None, faults
    report = await probe(loaded, device_within_s=0.3)

    def verdict_of(name: str) -> Verdict:
        (found,) = (p for p in report.probed if p.name == name)
        assert isinstance(found, Probed)
        return found.verdict

    assert verdict_of("desk") is verdict
    assert verdict_of("cabinet") is Verdict.DONE


OUTPUT = (
    'output = { snmp = { version = "3", user = "switch", auth = "sha256", '
    'auth_secret = { file = "auth" }, privacy = "aes128", '
    'privacy_secret = { file = "privacy" }, port = %d } }\n'
)
BOX = '[[device]]\nname = "warden"\nrole = "agent box"\nfeed = "cabinet"\nwatts = 5\n'


@pytest.mark.parametrize(
    ("control", "said"),
    [
        (CONTROL | {"upsAutoRestart": ("writable", 1)}, ""),
        (CONTROL, "upsAutoRestart) is off"),
        ({}, "lacks upsShutdownAfterDelay"),
        (CONTROL | {"upsShutdownAfterDelay": ("writable", 300)}, "counts down"),
    ],
)
async def test_a_unit_whose_output_is_to_be_switched_says_whether_it_can(
    tmp_path: Path, control: dict[str, Any], said: str
) -> None:
    """The first outage is no time to learn it; and a probe writes nothing."""
    values = ON_MAINS | control
    with Snmpd(tmp_path / "agent", users=(WATCH, SWITCH), values=values) as agent:
        site = write_site(tmp_path, unit(agent.port) + OUTPUT % agent.port, BOX)
        loaded, faults = load(site, today=TODAY)
        assert loaded is not None, [str(fault) for fault in faults]

        report = await probe(loaded)

    (found,) = (p for p in report.probed if p.name == "cabinet")
    assert found.ok
    assert said in found.advice if said else not found.advice
    assert ("nothing was written" in found.evidence) is bool(control)
