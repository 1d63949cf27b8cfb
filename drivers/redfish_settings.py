"""The redfish tables of the site's file: where the service listens, which reset is asked for."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from drivers.settings import Duration, Secret, Settings
from drivers.web import WebAccess


def _member(text: str) -> str:
    if not text or any(c in "/?#% \\" or not c.isprintable() for c in text):
        raise ValueError('write the Id of one member of /redfish/v1/Systems, like "1"')
    return text


class RedfishAccess(WebAccess):
    """`[device.redfish]`: the service that manages the machine, usually at an address of its own.

    Attributes:
        address: where it listens; None = at the device's own address.
        login: "session" opens one and closes it after each act; "basic" for services without.
        system: Id of the ComputerSystem; None = the only one there is.
    """

    address: str | None = None
    login: Literal["session", "basic"] = "session"
    user: Annotated[str, Field(min_length=1)]
    password: Secret
    system: Annotated[str, AfterValidator(_member)] | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Self:
        if self.login == "basic" and ":" in self.user:
            raise ValueError('login = "basic" cannot carry a user with a colon')  # RFC 7617, 2
        return self


class Stop(Settings):
    """`stop`: the ResetType that brings the machine down.

    "ForceOff" is a cut, not a stop: what the machine has not written out is lost.
    """

    reset: Literal["GracefulShutdown", "PushPowerButton", "ForceOff"] = "GracefulShutdown"


class Start(Settings):
    """`start`: the ResetType that brings it up."""

    reset: Literal["On", "ForceOn", "PushPowerButton"] = "On"


class Verify(Settings):
    """`verify`: PowerState is asked until it is Off, or On; every so often."""

    every: Duration = 2.0
