"""Logins of HTTP itself against the worked examples of their RFCs, through the code that is used.

RFC 7616 section 3.9.1 (MD5 and SHA-256), RFC 2617 section 3.5 (MD5), RFC 7617 section 2 (Basic).
The responses without qop and for MD5-sess are computed here from the formulas of RFC 2617 section
3.2.2: no RFC prints them.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence

import httpx2
import pytest

from drivers.transports.http import DeviceDigest, authentication
from drivers.transports.http_challenges import challenges, first_known_digest, offers
from drivers.transports.http_messages import Credentials

CHALLENGE_7616 = (
    'Digest realm="http-auth@example.org", qop="auth, auth-int", algorithm={algorithm}, '
    'nonce="7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v", '
    'opaque="FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"'
)
CNONCE_7616 = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ"
NONCE_2617 = "dcd98b7102dd2f0e8b11d0f600bfb0c093"
REALM_2617 = 'Digest realm="testrealm@host.com"'
CNONCE_2617 = "0a4f113b"


class FixedCnonce(DeviceDigest):
    """The login that devices get, with the client nonce of an example instead of a random one."""

    def __init__(self, user: str, password: str, cnonce: str) -> None:
        super().__init__(user, password)
        self.cnonce = cnonce

    def _get_client_nonce(self, nonce_count: int, nonce: bytes) -> bytes:
        """Return the example's; should httpx2 rename this hook, every test here fails."""
        return self.cnonce.encode()


def answered(auth: httpx2.Auth, *headers: str) -> dict[str, str]:
    """Return the fields of the Authorization header with which *auth* answers a challenge."""
    request = httpx2.Request("GET", "http://www.example.org/dir/index.html")
    flow = auth.auth_flow(request)
    first = next(flow)
    assert "authorization" not in first.headers
    named = [("WWW-Authenticate", header) for header in headers]
    second = flow.send(httpx2.Response(401, headers=named, request=first))
    scheme, _, fields = second.headers["authorization"].partition(" ")
    assert scheme == "Digest"
    return {k: v.strip('"') for k, v in re.findall(r'(\w+)=("[^"]*"|[^",\s]+)', fields)}


@pytest.mark.parametrize(
    ("algorithm", "response"),
    [
        ("MD5", "8ca523f5e9506fed4657c9700eebdbec"),
        ("SHA-256", "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1"),
    ],
)
def test_digest_answers_as_rfc_7616_prints_it(algorithm: str, response: str) -> None:
    """Otherwise no device with Digest lets us stop it."""
    auth = FixedCnonce("Mufasa", "Circle of Life", CNONCE_7616)

    fields = answered(auth, CHALLENGE_7616.format(algorithm=algorithm))

    assert fields["response"] == response
    assert (fields["nc"], fields["cnonce"]) == ("00000001", CNONCE_7616)
    assert (fields["qop"], fields["uri"]) == ("auth", "/dir/index.html")
    assert fields["opaque"] == "FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"


def test_digest_takes_the_challenge_that_the_server_prefers() -> None:
    """RFC 7616 section 3.9.1 offers SHA-256 first, then MD5; the weaker is not for us to choose."""
    auth = FixedCnonce("Mufasa", "Circle of Life", CNONCE_7616)

    fields = answered(auth, *(CHALLENGE_7616.format(algorithm=a) for a in ("SHA-256", "MD5")))

    assert fields["algorithm"] == "SHA-256"


def test_digest_answers_as_rfc_2617_prints_it() -> None:
    """Most devices in the field still follow RFC 2617."""
    auth = FixedCnonce("Mufasa", "Circle Of Life", CNONCE_2617)

    fields = answered(auth, f'{REALM_2617}, qop="auth,auth-int", nonce="{NONCE_2617}"')

    assert fields["response"] == "6629fae49393a05397450978507c4ef1"


def test_digest_without_qop_answers_as_rfc_2069_has_it() -> None:
    """Devices older than 1999's RFC offer no qop; H(H(A1):nonce:H(A2)) is due."""
    ha1 = _md5("Mufasa:testrealm@host.com:Circle Of Life")
    due = _md5(f"{ha1}:{NONCE_2617}:{_md5('GET:/dir/index.html')}")

    auth = FixedCnonce("Mufasa", "Circle Of Life", CNONCE_2617)
    fields = answered(auth, f'{REALM_2617}, nonce="{NONCE_2617}"')

    assert due == "670fd8c2df070c60b045671b8b24ff02"  # as worked out once before, elsewhere
    assert fields["response"] == due
    assert "cnonce" not in fields


def test_digest_with_a_session_key_hashes_the_nonces_into_it() -> None:
    """MD5-sess: A1 = H(user:realm:password):nonce:cnonce (RFC 2617 section 3.2.2.2)."""
    ha1 = _md5(f"{_md5('Mufasa:testrealm@host.com:Circle Of Life')}:{NONCE_2617}:{CNONCE_2617}")
    ha2 = _md5("GET:/dir/index.html")
    due = _md5(f"{ha1}:{NONCE_2617}:00000001:{CNONCE_2617}:auth:{ha2}")

    auth = FixedCnonce("Mufasa", "Circle Of Life", CNONCE_2617)
    header = f'{REALM_2617}, qop="auth", algorithm=MD5-sess, nonce="{NONCE_2617}"'
    fields = answered(auth, header)

    assert fields["response"] == due


def test_basic_encodes_as_rfc_7617_prints_it() -> None:
    """The second example is of a password that is not ASCII, in UTF-8."""
    assert _basic("Aladdin", "open sesame") == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
    assert _basic("test", "123£") == "Basic dGVzdDoxMjPCow=="


PLAIN = 'Digest realm="r", nonce="n"'
MANY_COMMAS = 'Digest realm="north, gate, yard", algorithm=sha-256, nonce="n"'
SLY_REALM = 'Digest realm="Digest realm, algorithm=MD2", nonce="n", algorithm="MD5"'


@pytest.mark.parametrize(
    ("headers", "chosen"),
    [
        (['Digest realm="r", nonce="n", algorithm=SHA-512-256', PLAIN], PLAIN),
        ([f'Basic realm="r", {PLAIN}'], PLAIN),
        ([f"{PLAIN}, Basic realm=r"], PLAIN),
        ([f"Negotiate, {MANY_COMMAS}"], MANY_COMMAS),
        ([SLY_REALM], SLY_REALM),
    ],
)
def test_digest_is_found_among_other_challenges(headers: Sequence[str], chosen: str) -> None:
    """A device that offers something newer or older beside it must still let us in."""
    assert first_known_digest(headers) == chosen


@pytest.mark.parametrize(
    "headers",
    [
        [],
        ['Basic realm="r"'],
        ['Digest realm="r", nonce="n", algorithm=SHA-512-256'],
        ['Digest realm="r", nonce="n", qop="auth-int"'],
    ],
)
def test_a_challenge_that_cannot_be_answered_is_not_chosen(headers: Sequence[str]) -> None:
    """It is better to say so than to send a wrong answer until the account is locked."""
    assert first_known_digest(headers) == ""


def test_challenges_of_one_header_are_told_apart() -> None:
    """RFC 7235 section 4.1 has an example much like this one."""
    header = 'Newauth realm="apps", type=1, title="Login to \\"apps\\"", Basic realm="simple"'

    assert offers([header]) == ("Newauth", "Basic")
    assert list(challenges([header]))[1] == 'Basic realm="simple"'


def _basic(user: str, password: str) -> str:
    auth = authentication(Credentials("basic", user, password))
    request = next(auth.auth_flow(httpx2.Request("GET", "http://www.example.org/")))
    return request.headers["authorization"]


def _md5(text: str) -> str:
    return hashlib.md5(text.encode()).hexdigest()
