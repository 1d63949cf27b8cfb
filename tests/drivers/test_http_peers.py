"""The http driver with servers that nobody here wrote: Apache httpd, lighttpd, OpenSSL's TLS."""

from __future__ import annotations

import hashlib
import ssl
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.base import Act, Outcome, Verdict
from drivers.transports.pinning import fingerprint_from, fingerprint_of, for_people
from tests.drivers.http_site import STOP, done, http_driver
from tests.peers.apache import PASSWORD, USER, Apache
from tests.peers.certificates import self_signed, with_authority
from tests.peers.lighttpd import Lighttpd
from tests.peers.raw_http import raw_peer, reply, says

pytestmark = pytest.mark.peer

LOGIN: dict[str, Any] = {"user": USER, "password": PASSWORD}


@pytest.fixture(scope="module")
def running_apache() -> Iterator[Apache]:
    with Apache() as apache:
        yield apache


@pytest.fixture
def apache(running_apache: Apache) -> Apache:
    running_apache.forget()
    return running_apache


def stop_behind(login: str) -> dict[str, Any]:
    return {**STOP, "path": f"/{login}/api/stop"}


def tls(apache: Apache, **choice: object) -> dict[str, Any]:
    return {"scheme": "https", "port": apache.tls_port, "tls": choice}


# Logins of HTTP itself, against Apache's own modules


async def test_basic_lets_us_in_at_apache(apache: Apache) -> None:
    """mod_auth_basic, with a password that is not ASCII (RFC 7617: UTF-8)."""
    driver = http_driver(apache.port, access={**LOGIN, "auth": "basic"}, stop=stop_behind("basic"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.DONE
    assert apache.calls == ['POST /basic/api/stop application/json watch {"mode":"off"}']
    assert outcome.sent == (
        f'POST http://127.0.0.1:{apache.port}/basic/api/stop {{"mode":"off"}} '
        "(Authorization: Basic ***)",
    )


async def test_digest_lets_us_in_at_apache(apache: Apache) -> None:
    """mod_auth_digest (MD5): the challenge, then the stop, once."""
    access = {**LOGIN, "auth": "digest"}
    stop = stop_behind("digest")
    dry = await done(http_driver(apache.port, access=access, stop=stop, dry_run=True), Act.STOP)

    outcome = await done(http_driver(apache.port, access=access, stop=stop), Act.STOP)

    line = f'POST http://127.0.0.1:{apache.port}/digest/api/stop {{"mode":"off"}}'
    login = '(Authorization: Digest username="watch", nonce=<nonce>, response=***)'
    assert outcome.verdict is Verdict.DONE
    assert apache.calls == ['POST /digest/api/stop application/json watch {"mode":"off"}']
    assert outcome.sent == (line, f"{line} {login}")
    assert dry.sent == outcome.sent


@pytest.mark.parametrize("scheme", ["basic", "digest"])
async def test_a_wrong_password_is_refused_at_apache(apache: Apache, scheme: str) -> None:
    """Said as such, with what to mend, and without the password."""
    access = {"user": USER, "password": "not this one", "auth": scheme}
    driver = http_driver(apache.port, access=access, stop=stop_behind(scheme))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert "does not accept the login" in outcome.evidence
    assert "user and password" in outcome.advice
    assert "not this" not in repr(outcome)
    assert apache.calls == []


async def test_the_wrong_kind_of_login_is_named(apache: Apache) -> None:
    """Digest asked for and Basic set: the evidence tells which the device offers."""
    driver = http_driver(apache.port, access={**LOGIN, "auth": "basic"}, stop=stop_behind("digest"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert "(it offers Digest)" in outcome.evidence


async def test_a_nonce_that_goes_stale_is_renewed(apache: Apache) -> None:
    """A watch that outlives the nonce (Apache: stale=true after a second) is not locked out."""
    apache.put_state("stopping")
    look = {"path": "/brief/api/state", "expect": {"json": {"state": "idle"}}}
    driver = http_driver(
        apache.port,
        access={**LOGIN, "auth": "digest"},
        quiesce={**STOP, "confirm": look, "every": "1.2s"},
    )
    outcome = await done(driver, Act.CONFIRM_QUIESCED, within_s=3.0)

    statuses = [line.split()[-1] for line in apache.served if "/brief/" in line]
    assert outcome.verdict is Verdict.NOT_YET
    assert statuses[:4] == ["401", "200", "401", "200"]
    assert all("watch" in call for call in apache.calls)


async def test_a_form_login_lets_us_in_at_apache(apache: Apache) -> None:
    """mod_auth_form: a session by cookie, and a logout that ends it."""
    login = {
        "path": "/login",
        "form": {"httpd_username": "{user}", "httpd_password": "{password}"},
        "token": {"cookie": "sid"},
        "logout": {"path": "/logout"},
    }
    access = {**LOGIN, "auth": "session", "login": login}
    driver = http_driver(apache.port, access=access, stop=stop_behind("form"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.DONE
    assert apache.calls == ['POST /form/api/stop application/json watch {"mode":"off"}']
    assert apache.served[-3:] == ["POST /login 200", "POST /form/api/stop 200", "POST /logout 200"]
    assert outcome.sent[1].endswith("(Cookie: sid=<token>)")
    assert "rope" not in repr(outcome)  # its cookie holds the password, form-encoded


async def test_a_form_login_with_a_wrong_password_sends_no_stop(apache: Apache) -> None:
    """What needs a session is not tried without one."""
    login = {"path": "/login", "form": {"httpd_username": "{user}", "httpd_password": "no"}}
    access = {**LOGIN, "auth": "session", "login": login}
    driver = http_driver(apache.port, access=access, stop=stop_behind("form"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert apache.calls == []


async def test_a_busy_apache_is_asked_again(apache: Apache) -> None:
    """503 with Retry-After: 1, twice, from a real server."""
    driver = http_driver(apache.port, stop={**STOP, "path": "/open/api/busy"})

    outcome = await done(driver, Act.STOP, within_s=8.0)

    assert outcome.verdict is Verdict.DONE
    assert len(apache.calls) == 3
    assert outcome.took_s >= 2.0


async def test_a_page_of_apache_where_json_is_due_is_garbled(apache: Apache) -> None:
    """The commonest mistake of all: a path that leads to the login page."""
    driver = http_driver(apache.port, stop={**STOP, "path": "/open/api/page"})

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.GARBLED
    assert "web page (HTML) where JSON is due" in outcome.evidence
    assert "login page" in outcome.advice


@pytest.mark.parametrize("algorithms", ["SHA-256", "SHA-256|MD5", "MD5"])
async def test_digest_lets_us_in_at_lighttpd(algorithms: str) -> None:
    """SHA-256, which Apache does not know; of several challenges the server's favourite."""
    look = {"path": "/state.json", "expect": {"json": {"state": "idle"}}}
    with Lighttpd(algorithms) as lighttpd:
        access = {**LOGIN, "auth": "digest"}
        driver = http_driver(lighttpd.port, access=access, verify={"running": look})
        outcome = await done(driver, Act.CONFIRM_RUNNING)
        served = lighttpd.served

    assert outcome.verdict is Verdict.DONE
    assert [line.split()[2] for line in served] == ["401", "200"]
    assert f"algorithm={algorithms.partition('|')[0]}" in served[1]


# TLS


async def test_a_pinned_certificate_is_trusted(apache: Apache) -> None:
    """A device's own certificate, by its SHA-256 fingerprint as certificate tools print it."""
    assert apache.issued is not None
    access = tls(apache, fingerprint=apache.issued.fingerprint())
    driver = http_driver(apache.tls_port, access=access, stop=stop_behind("open"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.DONE
    assert outcome.sent[0].startswith(f"POST https://127.0.0.1:{apache.tls_port}/open")


OLD = "SSLProtocol -all +TLSv1\nSSLCipherSuite ALL:@SECLEVEL=0\nSSLOpenSSLConfCmd MinProtocol TLSv1"


async def test_old_tls_is_spoken_only_where_the_device_asks_for_it_by_name() -> None:
    """A recorder of 2010 knows TLS 1.0 alone; all others stay with 1.2 (RFC 8996)."""
    with Apache(tls_lines=OLD) as old:
        assert old.issued is not None
        pin = old.issued.fingerprint()
        told: list[Outcome] = []
        for choice in ({}, {"oldest": "1.1"}, {"oldest": "1.0"}):
            access = tls(old, fingerprint=pin, **choice)
            driver = http_driver(old.tls_port, access=access, stop=stop_behind("open"))
            told.append(await done(driver, Act.STOP))

    assert [outcome.verdict is Verdict.DONE for outcome in told] == [False, False, True]
    assert told[0].verdict is Verdict.REFUSED
    assert 'oldest = "1.0"' in told[0].advice


async def test_another_certificate_is_refused_before_the_request(apache: Apache) -> None:
    """Not one byte of a password goes to a stranger; both fingerprints are named."""
    wrong = hashlib.sha256(b"another").hexdigest()
    assert apache.issued is not None
    served = len(apache.served)
    access = {**tls(apache, fingerprint=wrong), **LOGIN, "auth": "basic"}
    driver = http_driver(apache.tls_port, access=access, stop=stop_behind("basic"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.sent == ()
    assert apache.calls == []
    assert len(apache.served) == served
    assert apache.issued.fingerprint().upper() in outcome.evidence
    assert for_people(wrong) in outcome.evidence
    assert "compare the fingerprint at the device" in outcome.advice


async def test_a_stranger_gets_no_byte_after_the_handshake(tmp_path: Path) -> None:
    """The same, seen from the other end of the TLS connection."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    issued = self_signed(tmp_path, "stranger")
    context.load_cert_chain(issued.certificate, issued.key)
    access = {"scheme": "https", "tls": {"fingerprint": "0" * 64}}
    async with raw_peer(says(reply(b"{}")), tls=context) as peer:
        outcome = await done(http_driver(peer.port, access=access, stop=STOP), Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert peer.requests == []


async def test_the_dates_of_a_pinned_certificate_do_not_matter(tmp_path: Path) -> None:
    """Devices leave the works with certificates that ran out years ago."""
    issued = self_signed(tmp_path, "old-recorder", valid=timedelta(days=-400))
    with Apache(issued) as apache:
        access = tls(apache, fingerprint=issued.fingerprint())
        driver = http_driver(apache.tls_port, access=access, stop=stop_behind("open"))
        outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.DONE


async def test_the_store_of_the_system_trusts_no_certificate_of_its_own(apache: Apache) -> None:
    """Nothing is accepted blindly; the reason is OpenSSL's."""
    access = {"scheme": "https"}
    driver = http_driver(apache.tls_port, access=access, stop=stop_behind("open"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert "self-signed certificate" in outcome.evidence
    assert apache.calls == []


async def test_an_authority_of_the_site_is_trusted(tmp_path: Path) -> None:
    """By the file of its certificate, for the address and for the name it vouches for."""
    authority, leaf = with_authority(tmp_path, "gate.quayside.example")
    found: list[Verdict] = []
    with Apache(leaf) as apache:
        for name in ("", "gate.quayside.example", "other.quayside.example"):
            access = tls(apache, ca_file=str(authority), name=name)
            driver = http_driver(apache.tls_port, access=access, stop=stop_behind("open"))
            found.append((await done(driver, Act.STOP)).verdict)

    assert found == [Verdict.DONE, Verdict.DONE, Verdict.REFUSED]


async def test_a_certificate_of_that_authority_that_ran_out_is_refused(tmp_path: Path) -> None:
    """Only a pin overrides dates."""
    authority, leaf = with_authority(tmp_path, "old", valid=timedelta(days=-1))
    with Apache(leaf) as apache:
        access = tls(apache, ca_file=str(authority))
        driver = http_driver(apache.tls_port, access=access, stop=stop_behind("open"))
        outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert "expired" in outcome.evidence


async def test_tls_where_the_device_speaks_plain_http_is_explained(apache: Apache) -> None:
    """Scheme and port do not fit each other: TLS names the reason."""
    driver = http_driver(apache.port, access={"scheme": "https"}, stop=stop_behind("open"))

    outcome = await done(driver, Act.STOP)

    assert outcome.verdict is Verdict.GARBLED
    assert "wrong version number" in outcome.evidence
    assert "check scheme, port" in outcome.advice
    assert outcome.sent == ()


async def test_a_probe_reports_the_certificate(apache: Apache) -> None:
    """Fingerprint and date, so that a renewal is planned and not met in an outage."""
    assert apache.issued is not None
    access = {**tls(apache, ca_file=str(apache.issued.certificate), name="gate-recorder")}
    access["probe"] = {"path": "/open/api/state"}
    pinned = {**access, "tls": {"fingerprint": apache.issued.fingerprint()}}

    outcome = await done(http_driver(apache.tls_port, access=pinned), Act.PROBE)

    assert outcome.verdict is Verdict.DONE
    assert f"certificate is {apache.issued.fingerprint().upper()}, as pinned" in outcome.evidence
    assert "its clock is right" in outcome.evidence


async def test_a_probe_of_an_unknown_certificate_tells_its_fingerprint(apache: Apache) -> None:
    """What there is to compare at the device, and to write into the file; nothing is sent."""
    assert apache.issued is not None
    served = len(apache.served)

    outcome = await done(http_driver(apache.tls_port, access={"scheme": "https"}), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert f"it shows {apache.issued.fingerprint().upper()}" in outcome.evidence
    assert len(apache.served) == served


async def test_a_probe_says_where_the_login_was_not_tried(apache: Apache) -> None:
    """A page that is open to everybody proves nothing about the password."""
    access = {**LOGIN, "auth": "digest", "probe": {"path": "/open/api/state"}}

    outcome = await done(http_driver(apache.port, access=access), Act.PROBE)

    assert outcome.verdict is Verdict.DONE
    assert "the login was not tried" in outcome.evidence


def test_fingerprints_are_those_of_cryptography(tmp_path: Path) -> None:
    """The digest is over the DER form (RFC 5280 leaves it to tools; cryptography agrees)."""
    issued = self_signed(tmp_path, "any")
    der = ssl.PEM_cert_to_DER_cert(issued.certificate.read_text())

    assert for_people(fingerprint_of(der)) == issued.fingerprint().upper()
    assert fingerprint_from(issued.fingerprint().upper()) == fingerprint_of(der)


def test_a_ca_file_that_is_none_is_refused_when_the_file_is_read(tmp_path: Path) -> None:
    """An installer learns it at the desk."""
    path = tmp_path / "ca.pem"
    path.write_text("not a certificate")

    with pytest.raises(ValidationError, match="holds no certificate"):
        http_driver(443, access={"scheme": "https", "tls": {"ca_file": str(path)}})
    with pytest.raises(ValidationError, match="there is no CA file"):
        http_driver(443, access={"scheme": "https", "tls": {"ca_file": str(path) + ".gone"}})
