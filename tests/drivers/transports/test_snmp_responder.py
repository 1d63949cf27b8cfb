"""The answering side of SNMP against net-snmp's own programs: snmpget, snmpwalk, snmptrapd."""

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Literal

import pytest

from drivers.transports.snmp_responder import (
    SYS_UP_TIME,
    Kind,
    Listener,
    Oid,
    SnmpResponder,
    Status,
    UsmUser,
    Value,
)
from drivers.transports.snmp_values import Written
from tests.peers.net_snmp import as_community, as_user, trap_listener

pytestmark = pytest.mark.peer

UPS: Oid = (1, 3, 6, 1, 2, 1, 33)
SECRETS = {"auth_secret": "slack-water-at-nine", "privacy_secret": "sluice-gate-three"}
WATCH = UsmUser("watch", "sha256", SECRETS["auth_secret"], "aes128", SECRETS["privacy_secret"])
VALUES: dict[Oid, Value] = {
    SYS_UP_TIME: Value(Kind.TICKS, 4_294_967_295),
    (*UPS, 1, 1, 1, 0): Value(Kind.TEXT, "Weir lock"),
    (*UPS, 1, 2, 6, 0): Value(Kind.INTEGER, -34),
    (*UPS, 1, 3, 1, 0): Value(Kind.COUNTER, 3_000_000_000),
    (*UPS, 1, 4, 4, 1, 4, 1): Value(Kind.INTEGER, 184),
    (*UPS, 1, 4, 4, 1, 4, 10): Value(Kind.INTEGER, 12),
    (*UPS, 1, 6, 1, 0): Value(Kind.GAUGE, 0),
    (*UPS, 1, 7, 1, 0): Value(Kind.OID, (*UPS, 1, 7, 7, 1)),
}
WALKED = {
    "1.3.6.1.2.1.1.3.0": "497:2:27:52.95",
    "1.3.6.1.2.1.33.1.1.1.0": '"Weir lock"',
    "1.3.6.1.2.1.33.1.2.6.0": "-34",
    "1.3.6.1.2.1.33.1.3.1.0": "3000000000",
    "1.3.6.1.2.1.33.1.4.4.1.4.1": "184",
    "1.3.6.1.2.1.33.1.4.4.1.4.10": "12",
    "1.3.6.1.2.1.33.1.6.1.0": "0",
    "1.3.6.1.2.1.33.1.7.1.0": ".1.3.6.1.2.1.33.1.7.7.1",
}


@pytest.fixture
async def responder() -> AsyncIterator[SnmpResponder]:
    served = SnmpResponder(
        lambda: VALUES, address="127.0.0.7", communities=["keeper"], users=[WATCH]
    )
    await served.start()
    yield served
    served.close()


@pytest.mark.parametrize(
    ("version", "program"), [("1", "snmpwalk"), ("2c", "snmpwalk"), ("2c", "snmpbulkwalk")]
)
async def test_a_walk_sees_every_object_in_order(
    responder: SnmpResponder, tmp_path: Path, version: str, program: str
) -> None:
    """An integrator's own tools would not see what the agent sees."""
    client = as_community(tmp_path, responder.address, "keeper", version=version)

    walked = await client.walk("1.3", program=program)

    assert walked == WALKED
    assert list(walked) == list(WALKED)


async def test_version_3_is_served_authenticated_and_private(
    responder: SnmpResponder, tmp_path: Path
) -> None:
    """The virtual site could not show the only version fit for use."""
    client = as_user(
        tmp_path,
        responder.address,
        "watch",
        auth=("sha256", SECRETS["auth_secret"]),
        privacy=("aes128", SECRETS["privacy_secret"]),
    )

    assert await client.walk("1.3.6.1.2.1.33") == {
        oid: value for oid, value in WALKED.items() if oid.startswith("1.3.6.1.2.1.33.")
    }


@pytest.mark.parametrize(
    ("auth", "privacy"),
    [
        (None, None),
        (("sha256", SECRETS["auth_secret"]), None),
        (("sha256", "slack-water-at-ten"), ("aes128", SECRETS["privacy_secret"])),
        (("sha256", SECRETS["auth_secret"]), ("aes128", "sluice-gate-four")),
        (("sha1", SECRETS["auth_secret"]), ("aes128", SECRETS["privacy_secret"])),
    ],
)
async def test_a_lower_level_or_a_wrong_secret_reads_nothing(
    responder: SnmpResponder,
    tmp_path: Path,
    auth: tuple[str, str] | None,
    privacy: tuple[str, str] | None,
) -> None:
    """A probe of the virtual site would find credentials good that are not."""
    client = as_user(tmp_path, responder.address, "watch", auth=auth, privacy=privacy)

    status, printed = await client.run("snmpget", "1.3.6.1.2.1.33.1.2.6.0")

    assert status != 0
    # net-snmp also names the folder that it makes, whose number may hold anything.
    said = [line for line in printed.splitlines() if not line.startswith("Created directory")]
    assert not any("-34" in line for line in said)


async def test_a_wrong_community_hears_nothing(responder: SnmpResponder, tmp_path: Path) -> None:
    """RFC 1157: an unknown community is dropped without a word."""
    client = as_community(tmp_path, responder.address, "poacher")

    status, printed = await client.run("snmpget", "1.3.6.1.2.1.33.1.2.6.0")

    assert status != 0
    assert "Timeout" in printed


async def test_what_is_missing_is_a_value_in_version_2(
    responder: SnmpResponder, tmp_path: Path
) -> None:
    """RFC 3416 section 4.2.1: one missing object must not cost the others."""
    client = as_community(tmp_path, responder.address, "keeper")

    values = await client.get(
        "1.3.6.1.2.1.33.1.2.6.0",
        "1.3.6.1.2.1.33.1.9.9.0",
        "1.3.6.1.2.1.33.1.4.4.1.4.7",
    )

    assert values[0] == "-34"
    assert "No Such Object" in values[1]
    assert "No Such Instance" in values[2]


async def test_what_is_missing_costs_the_whole_answer_in_version_1(
    responder: SnmpResponder, tmp_path: Path
) -> None:
    """RFC 1157 section 4.1.2: noSuchName, with the index of the missing one."""
    client = as_community(tmp_path, responder.address, "keeper", version="1")

    status, printed = await client.run(
        "snmpget", "-Cf", "1.3.6.1.2.1.33.1.2.6.0", "1.3.6.1.2.1.33.1.9.9.0"
    )

    assert status != 0
    assert "noSuchName" in printed
    assert "Failed object: .1.3.6.1.2.1.33.1.9.9.0" in printed


async def test_nothing_can_be_set(responder: SnmpResponder, tmp_path: Path) -> None:
    """A virtual unit would seem to obey an order that it does not carry out."""
    client = as_community(tmp_path, responder.address, "keeper")

    status, printed = await client.run("snmpset", "1.3.6.1.2.1.33.1.2.6.0", "i", "5")

    assert status != 0
    assert "notWritable" in printed


async def test_a_deaf_responder_is_silent_and_hears_again(
    responder: SnmpResponder, tmp_path: Path
) -> None:
    """A unit without power would go on answering."""
    client = as_community(tmp_path, responder.address, "keeper")
    responder.deaf = True
    status, printed = await client.run("snmpget", "1.3.6.1.2.1.33.1.2.6.0")
    responder.deaf = False

    assert (status, "Timeout" in printed) == (1, True)
    assert await client.get("1.3.6.1.2.1.33.1.2.6.0") == ["-34"]


async def test_a_closed_responder_frees_its_port(tmp_path: Path) -> None:
    """A site that is started anew could not take its old place."""
    first = SnmpResponder(lambda: VALUES, address="127.0.0.7", communities=["keeper"])
    await first.start()
    first.close()
    first.close()
    await asyncio.sleep(0)
    second = SnmpResponder(
        lambda: VALUES, address="127.0.0.7", port=first.address[1], communities=["keeper"]
    )
    await second.start()

    client = as_community(tmp_path, second.address, "keeper")
    assert await client.get("1.3.6.1.2.1.33.1.2.6.0") == ["-34"]
    second.close()


@pytest.mark.parametrize(
    ("version", "confirmed"),
    [("1", False), ("2c", False), ("2c", True), ("3", False), ("3", True)],
)
async def test_notifications_reach_a_listener(
    responder: SnmpResponder,
    tmp_path: Path,
    version: Literal["1", "2c", "3"],
    confirmed: bool,
) -> None:
    """The agent would learn of an outage only at its next poll."""
    keys = f"SHA-256 {SECRETS['auth_secret']} AES {SECRETS['privacy_secret']}"
    lines = [
        "authCommunity log quay",
        # A trap is localised with its sender's engine ID, an inform with its receiver's.
        f"createUser -e 0x{responder.engine_id.hex()} watch {keys}",
        f"createUser watch {keys}",
        "authUser log watch priv",
    ]
    async with trap_listener(tmp_path, *lines) as heard:
        listener = Listener(
            heard.address,
            heard.port,
            version=version,
            community="quay",
            user="watch",
            confirmed=confirmed,
        )
        sent = await responder.notify(
            listener, (*UPS, 2, 1), [((*UPS, 1, 2, 2, 0), Value(Kind.INTEGER, 5))]
        )
        notifications = await heard.reach(1)

    assert sent
    assert len(notifications) == 1
    assert notifications[0]["1.3.6.1.2.1.33.1.2.2.0"] == "5"
    if version == "1":  # RFC 3584 section 3.2: what OID stands for in version 1
        assert notifications[0]["enterprise"] == "1.3.6.1.2.1.33.2"
        assert notifications[0]["specific"] == "1"
    else:
        assert notifications[0]["1.3.6.1.6.3.1.1.4.1.0"] == ".1.3.6.1.2.1.33.2.1"
        assert notifications[0]["1.3.6.1.2.1.1.3.0"] == "497:2:27:52.95"


async def test_an_inform_that_nobody_confirms_is_told_as_such(responder: SnmpResponder) -> None:
    """A unit would take silence for consent."""
    listener = Listener("127.0.0.7", 9, community="quay", confirmed=True)

    assert not await responder.notify(listener, (*UPS, 2, 1), [])


def test_secrets_stay_out_of_sight() -> None:
    """A traceback would show the passwords."""
    shown = repr(WATCH) + repr(Listener("127.0.0.7", 9, community="quay"))

    assert not any(secret in shown for secret in (*SECRETS.values(), "quay"))


async def test_net_snmp_can_write_what_may_be_written(tmp_path: Path) -> None:
    """An integrator could not try his own tools on the virtual unit; errors of RFC 3416 4.2.5."""
    held = {(*UPS, 1, 8, 2, 0): -1}

    def write(oid: Oid, value: Written) -> Status:
        if oid not in held:
            return Status.NOT_WRITABLE
        if not isinstance(value, int):
            return Status.WRONG_TYPE
        if value < -1:
            return Status.WRONG_VALUE
        held[oid] = value
        return Status.NO_ERROR

    served = SnmpResponder(
        lambda: VALUES | {oid: Value(Kind.INTEGER, number) for oid, number in held.items()},
        address="127.0.0.8",
        communities=["keeper"],
        write=write,
    )
    await served.start()
    try:
        client = as_community(tmp_path, served.address, "keeper")
        control, source = "1.3.6.1.2.1.33.1.8.2.0", "1.3.6.1.2.1.33.1.2.6.0"

        taken = await client.run("snmpset", control, "i", "90")
        below = await client.run("snmpset", control, "i", "-2")
        text = await client.run("snmpset", control, "s", "ninety")
        fixed = await client.run("snmpset", source, "i", "3")

        assert taken[0] == 0
        assert taken[1].endswith(f".{control} 90\n")
        assert "wrongValue" in below[1]
        assert "wrongType" in text[1]
        assert "notWritable" in fixed[1]
        assert await client.get(control) == ["90"]
    finally:
        served.close()
