"""Asking over SNMP, against net-snmp's agent in every version, protocol and kind of trouble."""

import asyncio
import contextlib
import hashlib
import random
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import SecretStr, ValidationError

from agent.virtual.pace import PacedLoop, SpedUpPace, real_pace
from drivers.errors import (
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
    DriverError,
)
from drivers.transports.snmp import ListenError, SnmpHub
from drivers.transports.snmp_engine import Credentials
from drivers.transports.snmp_settings import SnmpSettings
from drivers.transports.snmp_values import SYS_UP_TIME, Oid
from tests.peers.snmp_settings import as_community, as_user
from tests.peers.snmpd import (
    AUTH,
    CONTROL,
    ON_BATTERY,
    ON_MAINS,
    PRIVACY,
    SWITCH,
    UPS,
    WATCH,
    Snmpd,
    User,
)
from tests.peers.udp_relay import udp_relay

peer_needed = pytest.mark.peer

AUTHS: list[Any] = list(AUTH)
PRIVACIES: list[Any] = [*PRIVACY, "none"]
USERS = (
    *(User(f"{auth}-{privacy}", auth, privacy) for auth in AUTHS for privacy in PRIVACIES),
    User("plain", "none", "none"),
)
OTHER_ENGINE_ID = "80001f8880ffffffff01020304"


def oid(text: str) -> Oid:
    return tuple(int(arc) for arc in text.split("."))


SOURCE = oid(f"{UPS}.1.4.1.0")
MANUFACTURER = oid(f"{UPS}.1.1.1.0")
ABSENT = oid(f"{UPS}.1.9.9.0")
ALARM_DESCR = oid(f"{UPS}.1.6.2.1.2")


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    """An agent that no test changes."""
    with Snmpd(tmp_path_factory.mktemp("steady"), users=(*USERS, WATCH)) as agent:
        yield agent


@pytest.fixture
def agent(tmp_path: Path) -> Iterator[Snmpd]:
    """An agent of the test's own."""
    with Snmpd(tmp_path / "agent") as started:
        yield started


@pytest.fixture
async def hub() -> AsyncIterator[SnmpHub]:
    made = SnmpHub()
    yield made
    made.close()


# Keys


def _by_rfc_3414(secret: bytes, hash_name: str) -> bytes:
    """The key of RFC 3414 A.2 and RFC 7860 section 9.3, before it is localised."""
    return hashlib.new(hash_name, (secret * (2**20 // len(secret) + 1))[: 2**20]).digest()


@pytest.mark.parametrize(
    ("auth", "hash_name", "localized"),
    [
        # RFC 3414 A.3.1 and A.3.2: password "maplesyrup", engine ID as below.
        ("md5", "md5", "526f5eed9fcce26f8964c2930787d82b"),
        ("sha1", "sha1", "6695febc9288e36282235fc7151f128497b38f3f"),
    ],
)
def test_keys_are_those_of_rfc_3414(auth: Any, hash_name: str, localized: str) -> None:
    """A key made otherwise would lock the owner out of every unit."""
    engine_id = bytes.fromhex("000000000000000000000002")
    user = Credentials("u", auth, SecretStr("maplesyrup"), "none", None)

    key, _ = user.master_keys()

    assert key is not None
    assert hashlib.new(hash_name, key + engine_id + key).hexdigest() == localized


@pytest.mark.parametrize("auth", AUTH)
def test_keys_of_every_hash_follow_the_rule_of_the_standard(auth: Any) -> None:
    """RFC 7860 gives no vectors; its rule is computed here with hashlib alone."""
    user = Credentials(
        "u", auth, SecretStr("slipway at low tide"), "des", SecretStr("ebb-and-flow")
    )

    auth_key, privacy_key = user.master_keys()

    assert auth_key == _by_rfc_3414(b"slipway at low tide", auth)
    assert privacy_key == _by_rfc_3414(b"ebb-and-flow", auth)


# Settings


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"version": "3"}, "needs user"),
        ({"version": "2c"}, "needs community"),
        ({"version": "3", "user": "u", "community": "quayside"}, "remove it"),
        ({"version": "2c", "community": "quayside", "user": "u"}, 'set version = "3"'),
        ({"version": "3", "user": "u", "auth": "sha256"}, "needs auth_secret"),
        ({"version": "3", "user": "u", "auth_secret": "long enough"}, '"auth" is not set'),
        (
            {"version": "3", "user": "u", "privacy": "aes128", "privacy_secret": "long enough"},
            "privacy without auth",
        ),
        (
            {"version": "3", "user": "u", "auth": "sha256", "auth_secret": "short-7"},
            "shorter than 8 characters",
        ),
    ],
)
def test_settings_that_cannot_work_are_refused_in_words(
    settings: dict[str, str], said: str
) -> None:
    """An installer would else learn of it in the first outage; no secret is shown."""
    filled = {
        key: SecretStr(value) if key.endswith("secret") or key == "community" else value
        for key, value in settings.items()
    }

    with pytest.raises(ValidationError) as refused:
        SnmpSettings.model_validate(filled)

    assert said in str(refused.value)
    assert "short-7" not in str(refused.value)


# Answers


@peer_needed
@pytest.mark.parametrize("user", USERS, ids=lambda user: user.name)
async def test_every_protocol_of_the_standards_is_spoken(
    steady: Snmpd, hub: SnmpHub, user: User
) -> None:
    """RFC 3414, RFC 7860 and RFC 3826 against net-snmp's own implementation of them."""
    peer = hub.peer("127.0.0.1", as_user(steady, user))

    answer = await peer.get([SOURCE, MANUFACTURER], within_s=5.0)

    assert answer.values == ((SOURCE, 3), (MANUFACTURER, b"Estuary Works"))
    assert peer.engine_id == bytes.fromhex(steady.engine_id)


@peer_needed
@pytest.mark.parametrize("address", ["127.0.0.1", "localhost"])
async def test_a_missing_object_is_a_value_in_version_2c(
    steady: Snmpd, hub: SnmpHub, address: str
) -> None:
    """RFC 3416 section 4.2.1: the others still come."""
    answer = await hub.peer(address, as_community(steady)).get([ABSENT, SOURCE], within_s=5.0)

    assert answer.values == ((ABSENT, None), (SOURCE, 3))


@peer_needed
async def test_a_missing_object_is_named_in_version_1(steady: Snmpd, hub: SnmpHub) -> None:
    """RFC 1157 section 4.1.2: noSuchName, its index, and nothing else to be used."""
    peer = hub.peer("127.0.0.1", as_community(steady, "1"))

    answer = await peer.get([SOURCE, ABSENT, MANUFACTURER], within_s=5.0)

    assert (answer.status, answer.index, answer.values) == (2, 2, ())


@peer_needed
@pytest.mark.parametrize("version", ["1", "2c"])
async def test_a_column_ends_where_its_table_does(agent: Snmpd, hub: SnmpHub, version: Any) -> None:
    """Rows of another table would be read as alarms."""
    rows = {f"{UPS}.1.6.2.1.2.{row}": ("objectid", f".{UPS}.1.6.3.{row}") for row in range(1, 21)}
    agent.put({**ON_BATTERY, **rows, f"{UPS}.1.6.2.1.3.1": ("timeticks", 5)})
    peer = hub.peer("127.0.0.1", as_community(agent, version))

    found = await peer.column(ALARM_DESCR, most=48, within_s=5.0)
    first = await peer.column(ALARM_DESCR, most=3, within_s=5.0)

    assert [name[-1] for name, _ in found] == list(range(1, 21))
    assert found[1][1] == oid(f"{UPS}.1.6.3.2")
    assert len(first) == 3


@peer_needed
async def test_an_answer_that_does_not_fit_is_said_to_be_too_big(
    tmp_path: Path, hub: SnmpHub
) -> None:
    """RFC 3416 section 4.2.1; an agent that sends 484 octets and no more."""
    idents = [f"{UPS}.1.1.{k}.0" for k in range(1, 7)]
    with Snmpd(tmp_path / "small", message_limit=484) as small:
        small.put({name: ("string", "x" * 63) for name in idents})
        peer = hub.peer("127.0.0.1", as_community(small))

        answer = await peer.get([oid(name) for name in idents], within_s=5.0)

    assert (answer.status, answer.values) == (1, ())


@peer_needed
async def test_ipv6_is_spoken(tmp_path: Path, hub: SnmpHub) -> None:
    """A unit may have no other address."""
    with Snmpd(tmp_path / "six", address="::1") as six:
        for settings in (as_community(six), as_user(six)):
            answer = await hub.peer("::1", settings).get([SOURCE], within_s=5.0)

            assert answer.values == ((SOURCE, 3),)


# Trouble


@peer_needed
@pytest.mark.parametrize(
    ("user", "said"),
    [
        (User("nobody"), "does not know this user"),
        (User("watch", auth_secret="another secret"), "mend `auth` and `auth_secret`"),
        (User("watch", auth="sha1"), "mend `auth` and `auth_secret`"),
        (User("watch", privacy_secret="another secret"), "mend `privacy` and `privacy_secret`"),
        (User("watch", privacy="des"), "mend `privacy` and `privacy_secret`"),
        (User("watch", privacy="none"), "mend `auth` and `privacy`"),
    ],
    ids=lambda value: "" if isinstance(value, str) else value.name,
)
async def test_wrong_credentials_are_refused_and_named(
    steady: Snmpd, hub: SnmpHub, user: User, said: str
) -> None:
    """The installer is told what to mend, and never shown a secret."""
    peer = hub.peer("127.0.0.1", as_user(steady, user, timeout="0.2s"))

    for _ in range(2):
        with pytest.raises(DeviceRefusedError) as refused:
            await peer.get([SOURCE], within_s=5.0)

        assert said in str(refused.value)
        assert user.auth_secret not in str(refused.value)
        assert user.privacy_secret not in str(refused.value)


@peer_needed
async def test_a_wrong_community_is_silence(steady: Snmpd, hub: SnmpHub) -> None:
    """Agents drop it without a word, so all that can be said is what to look at."""
    peer = hub.peer("127.0.0.1", as_community(steady, community="sextant", timeout="0.1s"))

    with pytest.raises(DeviceSilentError, match="the community") as silent:
        await peer.get([SOURCE], within_s=5.0)

    assert "sextant" not in str(silent.value)


@pytest.mark.alone
@peer_needed
@pytest.mark.parametrize("settings", [as_community, as_user])
async def test_a_silent_unit_takes_no_longer_than_its_tries(
    agent: Snmpd, hub: SnmpHub, settings: Any
) -> None:
    """The loop's own clock counts, and afterwards the unit is read as before."""
    peer = hub.peer("127.0.0.1", settings(agent, timeout="0.2s", tries=3))
    await peer.get([SOURCE], within_s=5.0)
    loop = asyncio.get_running_loop()
    agent.freeze()

    began_at = loop.time()
    with pytest.raises(DeviceSilentError):
        await peer.get([SOURCE], within_s=5.0)
    took_s = loop.time() - began_at
    began_at = loop.time()
    with pytest.raises(DeviceSilentError):
        await peer.get([SOURCE], within_s=0.1)
    cut_short_s = loop.time() - began_at
    agent.thaw()
    answer = await peer.get([SOURCE], within_s=5.0)

    assert 0.6 <= took_s < 1.5
    assert 0.1 <= cut_short_s < 0.5
    assert answer.values == ((SOURCE, 3),)


@peer_needed
async def test_a_slow_unit_is_heard_on_its_second_chance(steady: Snmpd, hub: SnmpHub) -> None:
    """An answer to the first try still counts while the second is waited for."""
    async with udp_relay(("127.0.0.1", steady.port)) as relay:
        relay.delay_s = 0.3
        peer = hub.peer("127.0.0.1", as_community(relay.address[1], timeout="0.2s"))
        slower = hub.peer("127.0.0.1", as_community(relay.address[1], timeout="0.2s", tries=1))

        answer = await peer.get([SOURCE], within_s=5.0)
        with pytest.raises(DeviceSilentError):
            await slower.get([SOURCE], within_s=5.0)
        await asyncio.sleep(0.2)
        with pytest.raises(DeviceSilentError, match=r"later than 0\.2 s"):
            await slower.get([SOURCE], within_s=5.0)

    assert answer.values == ((SOURCE, 3),)


@peer_needed
@pytest.mark.parametrize(
    "nonsense",
    [
        b"",
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x30\x03\x02\x01\x01",
        b"\x30\x84\xff\xff\xff\xff\x02\x01\x01",
        bytes(400),
    ],
)
async def test_nonsense_is_no_answer_and_no_end(
    steady: Snmpd, hub: SnmpHub, nonsense: bytes
) -> None:
    """What a broken or hostile device sends ends in a sentence, not in a traceback."""
    async with udp_relay(("127.0.0.1", steady.port)) as relay:
        peer = hub.peer("127.0.0.1", as_community(relay.address[1], timeout="0.2s"))
        relay.change = lambda answer: nonsense
        with pytest.raises((DeviceGarbledError, DeviceSilentError)) as garbled:
            await peer.get([SOURCE], within_s=5.0)
        relay.change = lambda answer: answer

        answer = await peer.get([SOURCE], within_s=5.0)

    assert "; " in str(garbled.value)
    assert answer.values == ((SOURCE, 3),)


@peer_needed
@pytest.mark.parametrize("settings", [as_community, as_user])
async def test_damaged_answers_never_escape_the_listener(
    steady: Snmpd, hub: SnmpHub, settings: Any
) -> None:
    """A real answer with a few bytes changed must not raise in the loop; the seed is fixed."""
    chance = random.Random(1628)
    escaped: list[Any] = []
    asyncio.get_running_loop().set_exception_handler(lambda _, context: escaped.append(context))
    async with udp_relay(("127.0.0.1", steady.port)) as relay:
        peer = hub.peer("127.0.0.1", settings(relay.address[1], timeout="0.02s", tries=1))
        sound = hub.peer("127.0.0.1", settings(steady))
        await sound.get([SOURCE], within_s=5.0)
        relay.change = lambda answer: _damaged(answer, chance)
        for _ in range(200):
            with contextlib.suppress(DriverError):
                await peer.get([SOURCE, MANUFACTURER], within_s=0.02)
        answer = await sound.get([SOURCE], within_s=5.0)

    assert escaped == []
    assert answer.values == ((SOURCE, 3),)


def _damaged(answer: bytes, chance: random.Random) -> bytes:
    changed = bytearray(answer)
    for _ in range(chance.randint(1, 4)):
        changed[chance.randrange(len(changed))] = chance.randrange(256)
    return bytes(changed[: chance.randint(1, len(changed))] if chance.random() < 0.3 else changed)


async def test_a_name_without_an_address_is_said_so(hub: SnmpHub) -> None:
    """RFC 6761: ".invalid" never resolves."""
    peer = hub.peer("unit.invalid", as_community(161))

    with pytest.raises(DeviceSilentError, match=r"unit\.invalid.*write the numeric address"):
        await peer.get([SOURCE], within_s=2.0)


@peer_needed
@pytest.mark.alone
def test_a_name_is_asked_for_again_while_there_is_silence(agent: Snmpd) -> None:
    """The unit may have moved; where its name still means the old address, that is kept."""

    async def ask() -> tuple[int, int]:
        hub = SnmpHub()
        peer = hub.peer("localhost", as_community(agent, timeout="1s", tries=1))
        with real_pace():
            before = await peer.get([SOURCE], within_s=5.0)
        agent.freeze()
        for _ in range(2):
            with real_pace(), pytest.raises(DeviceSilentError):
                await peer.get([SOURCE], within_s=5.0)
            await asyncio.sleep(40.0)
        agent.thaw()
        with real_pace():
            after = await peer.get([SOURCE], within_s=5.0)
        hub.close()
        return before.status, after.status

    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(2000.0))) as runner:
        assert runner.run(ask()) == (0, 0)


# Engine IDs, boots and clocks (RFC 3414)


@peer_needed
async def test_a_restarted_agent_is_read_at_once(agent: Snmpd, hub: SnmpHub) -> None:
    """Boots + 1, time 0: a time-window report that must not count as failure (section 2.2.2)."""
    peer = hub.peer("127.0.0.1", as_user(agent, tries=1))
    await peer.get([SOURCE], within_s=5.0)
    agent.restart()

    answer = await peer.get([SOURCE], within_s=5.0)

    assert answer.values == ((SOURCE, 3),)


@peer_needed
async def test_another_engine_id_heals_within_one_question(agent: Snmpd, hub: SnmpHub) -> None:
    """A swapped management card must not blind the agent for the library's five minutes."""
    peer = hub.peer("127.0.0.1", as_user(agent, timeout="0.3s"))
    await peer.get([SOURCE], within_s=5.0)
    agent.restart(engine_id=OTHER_ENGINE_ID)

    answer = await peer.get([SOURCE], within_s=5.0)

    assert answer.values == ((SOURCE, 3),)
    assert peer.engine_id == bytes.fromhex(OTHER_ENGINE_ID)


@peer_needed
async def test_another_engine_id_heals_without_any_report(agent: Snmpd, hub: SnmpHub) -> None:
    """Where the new card keeps silent on old engine IDs, two silent polls are enough."""
    async with udp_relay(("127.0.0.1", agent.port)) as relay:
        peer = hub.peer("127.0.0.1", as_user(relay.address[1], timeout="0.2s", tries=1))
        await peer.get([SOURCE], within_s=5.0)
        agent.restart(engine_id=OTHER_ENGINE_ID)
        # Its usmStatsUnknownEngineIDs report names the user; a discovery's does not.
        relay.change = lambda answer: None if b"watch" in answer else answer
        for _ in range(2):
            with pytest.raises(DeviceSilentError):
                await peer.get([SOURCE], within_s=5.0)
        relay.change = lambda answer: answer

        answer = await peer.get([SOURCE], within_s=5.0)

    assert answer.values == ((SOURCE, 3),)


@peer_needed
async def test_two_units_may_have_users_of_one_name(tmp_path: Path, hub: SnmpHub) -> None:
    """The same user name with other secrets on each unit, asked in turns over one engine."""
    other = User("watch", "sha512", "des", "first-of-flood", "last-of-ebb-")
    with (
        Snmpd(tmp_path / "one") as one,
        Snmpd(tmp_path / "two", users=(other,), engine_id=OTHER_ENGINE_ID) as two,
    ):
        two.set(upsOutputSource=5)
        first = hub.peer("127.0.0.1", as_user(one, tries=1))
        second = hub.peer("127.0.0.1", as_user(two, other, tries=1))

        for _ in range(3):
            answers = await asyncio.gather(
                first.get([SOURCE], within_s=5.0), second.get([SOURCE], within_s=5.0)
            )
            assert [answer.values for answer in answers] == [((SOURCE, 3),), ((SOURCE, 5),)]


@peer_needed
@pytest.mark.alone
def test_half_an_hour_of_polls_stays_at_one_datagram_each(steady: Snmpd) -> None:
    """The library forgets a unit's clock 300 s after each message; a poll would then take three.

    Half an hour of polls every 5 s, on a loop that hurries between them.
    """

    async def poll() -> tuple[int, int]:
        hub = SnmpHub()
        async with udp_relay(("127.0.0.1", steady.port)) as relay:
            peer = hub.peer("127.0.0.1", as_user(relay.address[1], tries=1))
            polls = 360
            for _ in range(polls):
                with real_pace():
                    await peer.get([SYS_UP_TIME], within_s=5.0)
                await asyncio.sleep(5.0)
        hub.close()
        return len(relay.requests), polls

    with asyncio.Runner(loop_factory=lambda: PacedLoop(SpedUpPace(2000.0))) as runner:
        requests, polls = runner.run(poll())

    # Beyond one each: discoveries every 300 s, and the clocks' renewal every 600 s.
    assert polls < requests < polls + 30


# Listening


async def test_a_port_in_use_is_said_so(hub: SnmpHub) -> None:
    """Port 162 mostly has somebody on it already, or needs rights."""
    port = await hub.listen("127.0.0.1", 0, lambda notification: None)
    other = SnmpHub()

    with pytest.raises(ListenError, match=f"port {port}.*choose another port"):
        await other.listen("127.0.0.1", port, lambda notification: None)
    other.close()


# Writing


SHUTDOWN = oid(f"{UPS}.1.8.2.0")


@pytest.fixture(scope="module")
def switchable(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    """An agent whose control group the user "switch" may write; it must be restored."""
    started = Snmpd(
        tmp_path_factory.mktemp("switchable"), users=(WATCH, SWITCH), values=ON_MAINS | CONTROL
    )
    with started:
        yield started


@peer_needed
async def test_a_number_is_written_with_authentication_and_privacy(
    hub: SnmpHub, switchable: Snmpd
) -> None:
    """The output could not be switched by the only version that may switch it."""
    peer = hub.peer("127.0.0.1", as_user(switchable, SWITCH))

    await peer.set(SHUTDOWN, 240, within_s=5.0)

    ((_, left),) = (await peer.get([SHUTDOWN], within_s=5.0)).values
    assert isinstance(left, int)
    assert 235 <= left <= 240
    await peer.set(SHUTDOWN, -1, within_s=5.0)
    assert (await peer.get([SHUTDOWN], within_s=5.0)).values == ((SHUTDOWN, -1),)


@peer_needed
@pytest.mark.parametrize(
    ("kind", "user", "said"),
    [
        ("countdown", WATCH, "may not write there"),  # noAccess: VACM has no write view
        ("integer", SWITCH, "does not let that object be written"),  # notWritable
        ("wrong-value", SWITCH, "does not take that value; "),  # wrongValue
        ("inconsistent-value", SWITCH, "does not take that value now"),  # inconsistentValue
    ],
)
async def test_a_refused_write_says_what_to_mend(
    hub: SnmpHub, switchable: Snmpd, kind: str, user: User, said: str
) -> None:
    """The errors of RFC 3416 section 4.2.5, from net-snmp: an installer must know what to do."""
    switchable.put({"upsShutdownAfterDelay": (kind, -1)})
    peer = hub.peer("127.0.0.1", as_user(switchable, user))

    try:
        with pytest.raises(DeviceRefusedError, match=said) as refused:
            await peer.set(SHUTDOWN, 240, within_s=5.0)
    finally:
        switchable.put({"upsShutdownAfterDelay": CONTROL["upsShutdownAfterDelay"]})

    assert f"{UPS}.1.8.2.0 = 240" in str(refused.value)


@peer_needed
async def test_a_read_only_community_writes_nothing(hub: SnmpHub, switchable: Snmpd) -> None:
    """Version 1 says noSuchName for all of it (RFC 3584 section 4.4), 2c says noAccess."""
    old = hub.peer("127.0.0.1", as_community(switchable, "1"))
    new = hub.peer("127.0.0.1", as_community(switchable, "2c"))

    with pytest.raises(DeviceRefusedError, match="no such object, or these credentials may not"):
        await old.set(SHUTDOWN, 240, within_s=5.0)
    with pytest.raises(DeviceRefusedError, match="may not write there"):
        await new.set(SHUTDOWN, 240, within_s=5.0)


async def test_writing_to_nobody_ends_in_silence(hub: SnmpHub) -> None:
    """A unit that is gone would hold an order up for ever."""
    peer = hub.peer("127.0.0.9", as_community(9, timeout="0.05s"))

    with pytest.raises(DeviceSilentError):
        await peer.set(SHUTDOWN, 240, within_s=0.5)
