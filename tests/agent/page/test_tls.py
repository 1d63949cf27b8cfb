"""The page's certificate: made, kept, renewed with the same key, and shown so as to be compared."""

from __future__ import annotations

import asyncio
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from agent.page.tls import (
    CERTIFICATE,
    KEY,
    LASTS,
    LOOK_S,
    RENEWED_BEFORE,
    Certificate,
    CertificateError,
    keep_for_ever,
)
from tests.agent.commands import lastwatt, unit, write_site
from tests.agent.page.page_site import SEALED
from tests.fakes import FakeClock

MARCH = datetime(2026, 3, 1, tzinfo=UTC)


def kept(folder: Path, at: datetime, *names: str) -> Certificate:
    return Certificate(replace(SEALED, names=names), folder, utc=lambda: at)


def test_certificate_is_made_once_and_is_for_what_the_page_is_called(tmp_path: Path) -> None:
    first = kept(tmp_path, MARCH, "warden.quayside.example")
    assert first.keep_up()
    again = kept(tmp_path, MARCH + timedelta(days=100), "warden.quayside.example")
    again.keep_up()

    found = again.fingerprint()
    assert found == first.fingerprint()
    assert {"warden.quayside.example", "127.0.0.1", "localhost"} <= set(found.names)
    assert found.ends == MARCH + LASTS and timedelta(days=825) >= LASTS
    assert not again.keep_up()
    assert (tmp_path / KEY).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("changed", ["time", "names", "damage"])
def test_certificate_is_renewed_with_its_key(tmp_path: Path, changed: str) -> None:
    """Whoever pinned the key goes on to trust it; a page whose certificate ended is no page."""
    first = kept(tmp_path, MARCH)
    first.keep_up()
    before = first.fingerprint()
    later = MARCH + timedelta(days=1)
    names: tuple[str, ...] = ()
    if changed == "time":
        later = MARCH + LASTS - RENEWED_BEFORE + timedelta(days=1)
    elif changed == "names":
        names = ("new.quayside.example",)
    else:
        (tmp_path / CERTIFICATE).write_text("half of one")
    second = kept(tmp_path, later, *names)

    assert second.keep_up()
    after = second.fingerprint()
    assert after.key_sha256 == before.key_sha256
    assert after.sha256 != before.sha256 and after.ends == later + LASTS


async def test_first_boot_without_a_clock_makes_one_that_holds(tmp_path: Path) -> None:
    """A box without a battery for its clock begins in 1970, until it is told the time."""
    clock = FakeClock(utc=datetime(1970, 1, 1, 0, 1, tzinfo=UTC))
    certificate = Certificate(SEALED, tmp_path, utc=clock.utc)
    certificate.keep_up()
    before = certificate.fingerprint()
    keeping = asyncio.create_task(keep_for_ever(certificate, clock, on_trouble=pytest.fail))
    await clock.advance(LOOK_S)
    clock.step_wall((MARCH - clock.utc()).total_seconds())
    await clock.advance(LOOK_S)
    told = certificate.fingerprint()
    clock.step_wall(4 * 365 * 86400.0)
    await clock.advance(LOOK_S)
    late = certificate.fingerprint()
    keeping.cancel()
    await asyncio.gather(keeping, return_exceptions=True)

    assert before.ends > MARCH + RENEWED_BEFORE
    assert told == before  # whoever compared it goes on to know it
    assert late.ends > clock.utc() and late.key_sha256 == before.key_sha256


def test_boot_without_a_clock_leaves_a_good_one_as_it_is(tmp_path: Path) -> None:
    """Whoever has accepted it in a browser is not asked again after every outage."""
    made = kept(tmp_path, MARCH)
    made.keep_up()
    before = made.fingerprint()
    again = kept(tmp_path, datetime(1970, 1, 1, 0, 1, tzinfo=UTC))
    again.keep_up()

    assert again.fingerprint() == before


def test_certificate_of_a_time_to_come_is_made_anew(tmp_path: Path) -> None:
    """The clock was years ahead when it was made, and is right now: browsers take it for none."""
    kept(tmp_path, MARCH + timedelta(days=3000)).keep_up()
    again = kept(tmp_path, MARCH)

    assert again.keep_up()
    assert again.fingerprint().ends == MARCH + LASTS


def test_own_certificate_that_was_replaced_is_taken_up(tmp_path: Path) -> None:
    """A site's own is renewed by other programs, while the agent runs."""
    for name, at in (("old", MARCH), ("new", MARCH + timedelta(days=3))):
        (tmp_path / name).mkdir()
        kept(tmp_path / name, at).keep_up()
    own = tmp_path / "own"
    shutil.copytree(tmp_path / "old", own)
    settings = replace(SEALED, certificate=own / CERTIFICATE, key=own / KEY)
    certificate = Certificate(settings, tmp_path, utc=lambda: MARCH)
    assert certificate.keep_up() and not certificate.keep_up()
    before = certificate.fingerprint()
    for name in (CERTIFICATE, KEY):
        (tmp_path / "new" / name).replace(own / name)

    assert certificate.keep_up()
    assert certificate.fingerprint().sha256 != before.sha256
    assert not (tmp_path / CERTIFICATE).exists()


def test_certificate_that_cannot_be_used_is_said_with_what_to_do(tmp_path: Path) -> None:
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        kept(tmp_path / name, MARCH).keep_up()
    for certificate, key in (("one", "two"), ("one", "nowhere"), ("nowhere", "one")):
        settings = replace(
            SEALED, certificate=tmp_path / certificate / CERTIFICATE, key=tmp_path / key / KEY
        )
        with pytest.raises(CertificateError, match="belong together"):
            Certificate(settings, tmp_path, utc=lambda: MARCH).keep_up()


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_fingerprint_is_what_openssl_says(tmp_path: Path) -> None:
    """Source: `openssl x509 -fingerprint -sha256`; browsers show the same."""
    table = '[page]\nlisten = "192.0.2.2:8628"\n'
    path = write_site(tmp_path, unit(1), table)
    (tmp_path / "state").mkdir()
    said = lastwatt("page", path, "--state", tmp_path / "state", "--json")
    told = lastwatt("page", path, "--state", tmp_path / "state")
    openssl = subprocess.run(
        ["openssl", "x509", "-in", tmp_path / "state" / CERTIFICATE, "-noout", "-fingerprint",
         "-sha256"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip

    shown = said.document["certificate"]["sha256"]
    assert openssl.stdout.strip().rpartition("=")[2] == shown
    assert said.document["address"] == "https://192.0.2.2:8628/"
    assert said.document["open_reading"] is False
    assert shown in told.out and "people sign in to look" in told.out


def test_page_command_says_where_there_is_none(tmp_path: Path) -> None:
    done = lastwatt("page", write_site(tmp_path, unit(1)), "--state", tmp_path)

    assert done.status == 1 and "no [page]" in done.complaint
