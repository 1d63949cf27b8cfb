"""One act's exchanges with an ONVIF device: services found, clock asked, jobs read and set."""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import timedelta
from urllib.parse import urlsplit

from drivers.base import Clock
from drivers.errors import (
    DeviceDroppedError,
    DeviceGarbledError,
    DeviceRefusedError,
    DeviceSilentError,
)
from drivers.onvif_settings import OnvifAccess
from drivers.onvif_soap import (
    TDS,
    TRC,
    TT,
    Element,
    Fault,
    Token,
    body_of,
    content_type,
    envelope,
    text_in,
    utc_in,
)
from drivers.transports.http_messages import HttpReply, HttpRequest, HttpTalk

IDLE, ACTIVE = "Idle", "Active"
"""The modes of a recording job (Recording Control 5.18); its state may also be Error."""

_RECORDING = "/<recording service>"
_SAID = 160  # characters of what a device says, in evidence
_MOST_JOBS = 1000


@dataclass(frozen=True, slots=True)
class Job:
    """A recording job.

    Attributes:
        recording: token of the recording that it writes.
        mode: Idle or Active, as it is set; what it does is its state.
    """

    token: str
    recording: str
    mode: str


class OnvifTalk:
    """The exchanges of one act.

    Attributes:
        is_dry: nothing is sent.
        has_ordered: something may have been changed.
        clock_skew: the device's clock against ours; None before it was asked.
    """

    def __init__(
        self, access: OnvifAccess, talk: HttpTalk, clock: Clock, *, deadline_at: float
    ) -> None:
        self._access = access
        self._talk = talk
        self._clock = clock
        self._deadline_at = deadline_at
        self._recording_path = ""
        self._named = ""
        self.is_dry = False
        self.has_ordered = False
        self.clock_skew: timedelta | None = None

    @property
    def sent(self) -> tuple[str, ...]:
        """Return what went out, a line each."""
        return self._talk.sent

    async def open(self) -> None:
        """Ask the clock, where the log-in hangs on it, and where the recording service is.

        Raises:
            DriverError: it cannot be had; DeviceRefusedError where there is no such service.
        """
        if self._access.auth == "token":
            await self.ask_clock()
        services = await self._device("GetServices", {"IncludeCapability": "false"})
        if services is None:
            return
        for service in services.findall(f"{{{TDS}}}Service"):
            if text_in(service, (TDS, "Namespace")) == TRC:
                self._recording_path = self._path_of(text_in(service, (TDS, "XAddr")))
                return
        error = DeviceRefusedError("it has no recording service, so its recording cannot be idled")
        error.add_note("use another driver, or have its writers removed")
        raise error

    async def ask_clock(self) -> None:
        """Ask what time the device has; no log-in is needed for that (class PRE_AUTH)."""
        path = self._access.path
        reply = await self._call(TDS, "GetSystemDateAndTime", {}, path, is_open=True)
        theirs = utc_in(reply) if reply is not None else None
        self.clock_skew = theirs - self._clock.utc() if theirs is not None else timedelta()

    async def jobs(self, recordings: tuple[str, ...]) -> tuple[Job, ...]:
        """Return the jobs of these recordings, of all where none are named.

        Raises:
            DeviceRefusedError: a recording that is named has no job.
        """
        reply = await self._recording("GetRecordingJobs", {})
        if reply is None:
            return ()
        found = []
        for item in reply.findall(f"{{{TRC}}}JobItem")[:_MOST_JOBS]:
            settings = (TT, "JobConfiguration")
            job = Job(
                token=text_in(item, (TT, "JobToken")),
                recording=text_in(item, settings, (TT, "RecordingToken")),
                mode=text_in(item, settings, (TT, "Mode")),
            )
            if not job.token:
                raise DeviceGarbledError("it lists a recording job without a token")
            found.append(job)
        missing = sorted(set(recordings) - {job.recording for job in found})
        if missing:
            error = DeviceRefusedError(f"no job writes the recording {', '.join(missing)}")
            error.add_note("mend `recordings`; `lastwatt probe` names those there are")
            raise error
        return tuple(job for job in found if not recordings or job.recording in recordings)

    async def state(self, job: Job) -> str:
        """Return what a job does: Idle, Active, PartiallyActive, Error, or what it says."""
        reply = await self._recording("GetRecordingJobState", {"JobToken": job.token})
        return "" if reply is None else text_in(reply, (TRC, "State"), (TT, "State"))

    async def set_mode(self, token: str, mode: str) -> None:
        """Set a job's mode; that it was taken is no proof."""
        self.has_ordered = True
        await self._recording("SetRecordingJobMode", {"JobToken": token, "Mode": mode})

    async def is_administrator(self) -> bool:
        """Return whether our account may do more than an Operator; its own level is not asked.

        GetUsers is of class READ_SYSTEM_SECRET, which the default access policy keeps to
        Administrators (ONVIF Core, access policy): whoever gets an answer is one.
        """
        try:
            return await self._device("GetUsers", {}) is not None
        except DeviceRefusedError:
            return False

    # Exchanges

    async def _device(self, operation: str, arguments: dict[str, str]) -> Element | None:
        return await self._call(TDS, operation, arguments, self._access.path)

    async def _recording(self, operation: str, arguments: dict[str, str]) -> Element | None:
        return await self._call(TRC, operation, arguments, self._recording_path, shown=_RECORDING)

    async def _call(
        self,
        namespace: str,
        operation: str,
        arguments: dict[str, str],
        path: str,
        *,
        shown: str = "",
        is_open: bool = False,
    ) -> Element | None:
        """Return the response to an operation, None in a dry run."""
        left_s = self._deadline_at - self._clock.monotonic()
        if left_s <= 0:
            raise DeviceSilentError("no time was left to ask the device")
        header = "" if is_open or self._access.auth != "token" else self._token().header
        masked = {k: "<job>" if k == "JobToken" else v for k, v in arguments.items()}
        described = " ".join([operation, *(f"{k}={v}" for k, v in masked.items())])
        reply = await self._talk.exchange(
            HttpRequest(
                "POST",
                path or "/",
                shown or path,
                {"Content-Type": content_type(namespace, operation)},
                ("WS-UsernameToken ***",) if header else (),
                envelope(namespace, operation, arguments, header),
                described,
            ),
            timeout_s=left_s,
        )
        if reply.is_assumed:
            self.is_dry = True
            return None
        return self._judged(reply, operation)

    def _token(self) -> Token:
        created = self._clock.utc() + (self.clock_skew or timedelta())
        password = self._access.password.get_secret_value()
        nonce = secrets.token_bytes(16)
        return Token.of(self._access.user, password, nonce=nonce, created=created)

    def _judged(self, reply: HttpReply, operation: str) -> Element:
        if reply.status in (429, 503):
            raise DeviceSilentError(f"{operation} was answered {reply.status}: it is busy")
        if reply.status in (401, 403):
            raise self._unwelcome(operation, str(reply.status))
        if reply.status not in (200, 400, 500):
            raise DeviceRefusedError(f"{operation} was answered {reply.status}{self._named}")
        found = body_of(reply.body)
        if not isinstance(found, Fault):
            return found
        said = "".join(c for c in self._scrubbed(found.reason) if c.isprintable())[:_SAID]
        what = f"{operation} was refused: {'/'.join(found.codes)}" + (f' "{said}"' if said else "")
        if "NotAuthorized" in found.codes:
            raise self._unwelcome(operation, what)
        if "Receiver" in found.codes and operation == "SetRecordingJobMode":
            raise DeviceDroppedError(what)  # the device's own trouble, in the midst of it
        raise DeviceRefusedError(what)

    def _unwelcome(self, operation: str, what: str) -> DeviceRefusedError:
        error = DeviceRefusedError(f"{operation} was not let in: {what}")
        error.add_note(
            f"mend user and password in [device.onvif], or give {self._access.user} the level "
            'Operator; a device of the older kind wants auth = "token"'
        )
        return error

    def _scrubbed(self, text: str) -> str:
        return text.replace(self._access.password.get_secret_value(), "***")

    def _path_of(self, xaddr: str) -> str:
        """Return the path of a service; its address is taken to be the one that we know.

        Devices behind a translated address name one of their own that leads nowhere.
        """
        try:
            parts = urlsplit(xaddr)
            port = parts.port or {"http": 80, "https": 443}.get(parts.scheme)
        except ValueError:
            raise DeviceGarbledError("the address of its recording service is none") from None
        if not parts.path.startswith("/") or any(c.isspace() for c in parts.path):
            raise DeviceGarbledError("the address of its recording service has no path")
        if port != self._access.tcp_port():
            self._named = f"; it names port {port} for its recording service"
        return parts.path + (f"?{parts.query}" if parts.query else "")
