"""Old SSH servers, played by OpenSSH's sshd with nothing but what old ones know."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drivers.base import Act, Verdict
from tests.drivers.ssh_fitting import fit, perform
from tests.peers.sshd import Sshd

pytestmark = pytest.mark.peer

GROUP14, GROUP1, RSA = "diffie-hellman-group14-sha1", "diffie-hellman-group1-sha1", "ssh-rsa"
OLD_RSA = ("HostKeyAlgorithms ssh-rsa",)


def old_kex(name: str) -> tuple[str, ...]:
    return (f"KexAlgorithms {name}",)


@pytest.mark.parametrize("kex", [GROUP14, GROUP1])
async def test_old_key_exchange_is_used_where_it_is_named(tmp_path: Path, kex: str) -> None:
    """A switch of 2008 is told all the same; others are never offered it."""
    with Sshd(tmp_path, options=old_kex(kex)) as server:
        without = await perform(fit(server), Act.PROBE)
        with_it = await perform(fit(server, legacy=[kex]), Act.PROBE)

    assert without.verdict is Verdict.REFUSED
    assert "legacy = [ … ]" in without.advice
    assert with_it.verdict is Verdict.DONE, with_it.evidence


async def test_host_key_signed_with_sha1_is_checked_against_its_pin(tmp_path: Path) -> None:
    """The signature is weak; the key is still the pinned one, or nothing is said."""
    with Sshd(tmp_path, host_key_types=("rsa",), options=OLD_RSA) as server:
        without = await perform(fit(server), Act.PROBE)
        pinned = await perform(fit(server, legacy=[RSA]), Act.PROBE)
        other = {"legacy": [RSA], "host_keys": ["SHA256:" + "A" * 43]}
        stranger = await perform(fit(server, **other), Act.PROBE)  # type: ignore[arg-type]

    assert without.verdict is Verdict.REFUSED
    assert pinned.verdict is Verdict.DONE, pinned.evidence
    assert stranger.verdict is Verdict.REFUSED
    assert "the host key changed" in stranger.evidence


async def test_newer_algorithms_win_where_the_device_knows_them(tmp_path: Path) -> None:
    """A device that was updated is not held back by its entry in the file."""
    with Sshd(tmp_path, options=("LogLevel DEBUG1",)) as server:
        outcome = await perform(fit(server, legacy=[GROUP14, GROUP1, RSA]), Act.PROBE)
        agreed = re.findall(r"kex: algorithm: (\S+)", server.log)

    assert outcome.verdict is Verdict.DONE
    assert agreed and not any("sha1" in name for name in agreed)
