"""The family of errors, rooted here because imports only point down."""


class LastwattError(Exception):
    """Root of every error that lastwatt raises on purpose; its text is for people."""


class DriverError(LastwattError):
    """A device could not be talked to; raised by transports, caught at a driver's door."""


class DeviceSilentError(DriverError):
    """Nothing was heard in time, or nobody listens; trying again can help."""


class DeviceRefusedError(DriverError):
    """The device answered and said no (login, host key, certificate, status); mend first."""


class DeviceGarbledError(DriverError):
    """The device answered something that makes no sense here; trying again seldom helps."""


class DeviceDroppedError(DriverError):
    """The conversation broke after something was sent; it may have taken effect: look."""
