"""An ONVIF recorder on loopback, whose messages an independent library reads and writes.

That is zeep, by the WSDL that ONVIF publishes (as onvif-zeep-async ships it): what we send must be
what that schema allows, and what we read is what it prescribes.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from tests.peers.threaded_http import Answering, serving_http

USER = "operator"
PASSWORD = "bowline & <hitch>"
REALM = "recorder"
_NONCE = "c2hlZXQgYmVuZA"
_WSSE = "{http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-secext-1.0.xsd}"
_WSU = "{http://docs.oasis-open.org/wss/2004/01/oasis-200401-wss-wssecurity-utility-1.0.xsd}"
_SOAP = "{http://www.w3.org/2003/05/soap-envelope}"
_DEVICE, _RECORDING = "/onvif/device_service", "/onvif/recording_service"
_TRC = "http://www.onvif.org/ver10/recording/wsdl"
_OPEN = frozenset({"GetSystemDateAndTime", "GetServices"})
"""Operations of class PRE_AUTH (ONVIF Core 5.9.4)."""


@cache
def _operations(name: str) -> Any:
    """Return the operations that a published WSDL binds."""
    from zeep import Client

    spec = find_spec("onvif")
    assert spec is not None and spec.origin is not None
    wsdl = Path(spec.origin).parent / "wsdl" / name
    client = Client(str(wsdl))  # type: ignore[no-untyped-call]  # a library without types
    (binding,) = client.wsdl.bindings.values()
    return binding._operations


@dataclass
class Recorder:
    """A recorder with jobs.

    Attributes:
        modes, states: of each job; a state follows its mode, unless `obeys` is off.
        recordings: which recording each job writes.
        auth: what it lets in: "digest" (HTTP) or "token" (WS-UsernameToken).
        clock_off_s: how far its clock is ahead.
        obeys: whether Idle stops the recording.
        may_order: whether the account may set modes (level Operator).
        is_administrator: whether the account may do all (access class READ_SYSTEM_SECRET).
        names_port: what it says of itself, where that is not where it is.
        calls: "Operation key=value …", in order.
    """

    modes: dict[str, str] = field(default_factory=lambda: {"job-1": "Active"})
    recordings: dict[str, str] = field(default_factory=dict)
    auth: str = "digest"
    clock_off_s: float = 0.0
    obeys: bool = True
    may_order: bool = True
    is_administrator: bool = False
    has_recording: bool = True
    names_port: int | None = None
    failing: dict[str, int] = field(default_factory=dict)
    lags: int = 0
    calls: list[str] = field(default_factory=list)
    address: str = "127.0.0.1"
    port: int = 0

    def state(self, job: str) -> str:
        """Return what a job does; with *lags*, what it did for so many looks more."""
        if self.lags > 0:
            self.lags -= 1
            return "Active"
        return self.modes[job] if self.obeys else "Active"

    def answer(self, operation: str, values: dict[str, Any]) -> dict[str, Any]:
        """Return the values of a response."""
        now = datetime.now(UTC) + timedelta(seconds=self.clock_off_s)
        match operation:
            case "GetSystemDateAndTime":
                time = {"Hour": now.hour, "Minute": now.minute, "Second": now.second}
                date = {"Year": now.year, "Month": now.month, "Day": now.day}
                utc = {"Time": time, "Date": date}
                about = {"DateTimeType": "NTP", "DaylightSavings": False, "UTCDateTime": utc}
                return {"SystemDateAndTime": about}
            case "GetServices":
                port = self.names_port or self.port
                services = [("http://www.onvif.org/ver10/device/wsdl", _DEVICE)]
                services += [(_TRC, _RECORDING)] if self.has_recording else []
                version = {"Major": 26, "Minor": 6}
                return {
                    "Service": [
                        # As seen from behind a translated address: only path and port are right.
                        {"Namespace": n, "XAddr": f"http://10.0.0.9:{port}{p}", "Version": version}
                        for n, p in services
                    ]
                }
            case "GetUsers":
                return {"User": [{"Username": USER, "UserLevel": "Administrator"}]}
            case "GetRecordingJobs":
                return {"JobItem": [self._item(job) for job in self.modes]}
            case "GetRecordingJobState":
                job = values["JobToken"]
                return {"State": {"RecordingToken": self._recording(job), "State": self.state(job)}}
            case "SetRecordingJobMode":
                self.modes[values["JobToken"]] = values["Mode"]
                return {}
        raise AssertionError(operation)

    def _recording(self, job: str) -> str:
        return self.recordings.get(job, "recording-1")

    def _item(self, job: str) -> dict[str, Any]:
        settings = {
            "RecordingToken": self._recording(job), "Mode": self.modes[job], "Priority": 1,
        }  # fmt: skip
        return {"JobToken": job, "JobConfiguration": settings}

    def fault(self, operation: str, values: dict[str, Any], *, is_let_in: bool) -> str:
        """Return the subcode of the fault that a request ends in, or ""."""
        if operation not in _OPEN and not is_let_in:
            return "NotAuthorized"
        if operation == "GetUsers" and not self.is_administrator:
            return "NotAuthorized"
        if operation == "SetRecordingJobMode":
            if not self.may_order:
                return "NotAuthorized"
            if values["JobToken"] not in self.modes:
                return "NoRecordingJob"
        return ""

    def has_token(self, envelope: Any) -> bool:
        """Whether a WS-UsernameToken proves the password, within five minutes of this clock."""
        token = envelope.find(f"{_SOAP}Header/{_WSSE}Security/{_WSSE}UsernameToken")
        if token is None or self.auth != "token":
            return False
        nonce = base64.b64decode(token.findtext(f"{_WSSE}Nonce"))
        created = token.findtext(f"{_WSU}Created")
        due = hashlib.sha1(nonce + created.encode() + PASSWORD.encode()).digest()
        age = datetime.now(UTC) + timedelta(seconds=self.clock_off_s)
        age_s = (age - datetime.fromisoformat(created)).total_seconds()
        is_right = token.findtext(f"{_WSSE}Password") == base64.b64encode(due).decode()
        return is_right and abs(age_s) < 300 and token.findtext(f"{_WSSE}Username") == USER

    def has_digest(self, method: str, header: str) -> bool:
        """Whether an Authorization header proves the password (RFC 2617 section 3.2.2)."""
        given = dict(re.findall(r'(\w+)="?([^",]*)"?', header))
        if self.auth != "digest" or given.get("nonce") != _NONCE:
            return False
        secret = _md5(f"{USER}:{REALM}:{PASSWORD}")
        asked = _md5(f"{method}:{given['uri']}")
        parts = (secret, _NONCE, given["nc"], given["cnonce"], given["qop"], asked)
        return given.get("username") == USER and given["response"] == _md5(":".join(parts))


def _md5(text: str) -> str:
    return hashlib.md5(text.encode()).hexdigest()


def _fault(subcode: str) -> bytes:
    return (
        f'<s:Envelope xmlns:s="{_SOAP[1:-1]}" xmlns:ter="http://www.onvif.org/ver10/error">'
        "<s:Body><s:Fault><s:Code><s:Value>s:Sender</s:Value><s:Subcode>"
        f"<s:Value>ter:{subcode}</s:Value></s:Subcode></s:Code><s:Reason>"
        f'<s:Text xml:lang="en">not with {PASSWORD.replace("&", "&amp;").replace("<", "&lt;")}'
        "</s:Text></s:Reason></s:Fault></s:Body></s:Envelope>"
    ).encode()


@contextmanager
def serving(recorder: Recorder) -> Iterator[Recorder]:
    """Serve *recorder* on a free port, in threads."""

    class Handler(Answering):
        """Reads a request by the WSDL, and writes the response by it."""

        def do_POST(self) -> None:  # the name that http.server looks for
            from lxml import etree

            content = self.content()
            wsdl = "devicemgmt.wsdl" if self.path == _DEVICE else "recording.wsdl"
            envelope = etree.fromstring(content)
            body = envelope.find(f"{_SOAP}Body")
            assert body is not None
            operation = etree.QName(body[0]).localname
            bound = _operations(wsdl)[operation]
            assert f'action="{bound.soapaction}"' in self.headers["Content-Type"]
            read = bound.input.deserialize(envelope)
            values = {name: read[name] for name in dir(read)} if hasattr(read, "__values__") else {}
            if not values and read is not None and not isinstance(read, dict):
                values = {bound.input.signature().partition(":")[0]: read}
            told = " ".join(f"{name}={value}" for name, value in values.items())
            recorder.calls.append(f"{operation} {told}".rstrip())
            self._answer(bound, operation, values, envelope)

        def _answer(
            self, bound: Any, operation: str, values: dict[str, Any], envelope: Any
        ) -> None:
            from lxml import etree

            header = self.headers.get("Authorization", "")
            is_let_in = recorder.has_digest("POST", header) or recorder.has_token(envelope)
            if recorder.auth == "digest" and operation not in _OPEN and not is_let_in:
                recorder.calls.pop()
                challenge = f'Digest realm="{REALM}", qop="auth", nonce="{_NONCE}"'
                self._send(401, b"", {"WWW-Authenticate": challenge})
                return
            if operation in recorder.failing:
                self._send(recorder.failing[operation], b"", {})
                return
            subcode = recorder.fault(operation, values, is_let_in=is_let_in)
            if subcode:
                self._send(400, _fault(subcode), {})
                return
            response = bound.output.serialize(**recorder.answer(operation, values))
            self._send(200, etree.tostring(response.content), {})

        def _send(self, status: int, data: bytes, headers: dict[str, str]) -> None:
            self.answer(status, data, {"Content-Type": "application/soap+xml", **headers})

    with serving_http(recorder.address, Handler) as recorder.port:
        yield recorder
