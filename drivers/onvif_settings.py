"""The onvif tables of the site's file: how the device is reached, which recordings are idled."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from drivers.settings import Duration, Secret, Settings
from drivers.web import WebAccess


def _service_path(text: str) -> str:
    if not text.startswith("/") or any(c.isspace() or c in "{}#" for c in text):
        raise ValueError('write the path of the device service, like "/onvif/device_service"')
    return text


class OnvifAccess(WebAccess):
    """`[device.onvif]`: where the device service listens, and how to log in.

    An account of level Operator suffices: SetRecordingJobMode is of class ACTUATE (ONVIF Core,
    5.9.4, default access policy).

    Attributes:
        auth: "digest" is HTTP Digest; "token" the WS-UsernameToken of older devices, whose clock is
            asked first, since a wrong one would void it. Never both: then both are checked.
        path: of the device service; the others' are asked there.
    """

    scheme: Literal["https", "http"] = "http"
    path: Annotated[str, AfterValidator(_service_path)] = "/onvif/device_service"
    auth: Literal["digest", "token"] = "digest"
    user: Annotated[str, Field(min_length=1)]
    password: Secret


class Quiesce(Settings):
    """`quiesce`: every recording job that records is set to Idle, its mode remembered.

    Attributes:
        recordings: tokens of the recordings that count; empty = all.
        settle: how long all jobs must have been idle, since Idle does not promise that what was
            cached is on disk.
        every: how often the jobs' state is asked.
    """

    recordings: list[str] = Field(default=[])
    settle: Duration = 10.0
    every: Annotated[Duration, Field(gt=0)] = 1.0


class Verify(Settings):
    """`verify`: whether it records again.

    Attributes:
        recordings: as in `quiesce`.
        every: how often the jobs' state is asked.
    """

    recordings: list[str] = Field(default=[])
    every: Annotated[Duration, Field(gt=0)] = 2.0
