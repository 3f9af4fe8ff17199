"""Everything this package raises.

LinkError
|-- LinkLost            the stream could not be opened, was unplugged, or was closed by the other side
`-- RequestError        a request to the device did not succeed
    |-- NotConnected    no device is streaming at the moment
    |-- Unanswered      the device did not reply in time
    `-- RequestRefused  the device answered with an error
"""

from firmware_protocol.messages import ErrorMessage


class LinkError(Exception):
    """Base of all errors of this package."""


class LinkLost(LinkError):
    """There is no stream any more (or there never was one); the text says where and why."""


class RequestError(LinkError):
    """A request to the device did not succeed."""


class NotConnected(RequestError):
    """No device is streaming at the moment, so it cannot be asked."""


class Unanswered(RequestError):
    """The device did not reply in time."""


class RequestRefused(RequestError):
    """The device answered with an error message."""

    def __init__(self, error: ErrorMessage) -> None:
        super().__init__(f"the device refused: error {error.code} {error.text}".rstrip())
        self.error = error
