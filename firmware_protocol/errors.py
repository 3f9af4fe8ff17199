"""Everything this package raises.

    ProtocolError
    |-- PayloadSizeError        a payload of no bytes, or more than a frame may carry
    |-- CborError               not the subset of RFC 8949 that the protocol allows
    |-- MessageError            a known message whose content breaks SPEC.md
    |-- UnknownMessageError     a type byte this version does not know (to be ignored)
    |-- UnsupportedVersionError the device speaks another major version
    `-- LayoutError             descriptions that cannot be packed, or samples that do not fit them
        `-- LayoutMismatchError samples made under another layout id

The frame decoder raises none of them: bad bytes from a line are data, reported as `BadFrame`.
"""


class ProtocolError(Exception):
    """Base of all errors of this package."""


class PayloadSizeError(ProtocolError):
    """The payload does not fit a frame."""


class CborError(ProtocolError):
    """The bytes are not the CBOR subset of SPEC.md section 5. at: offset of the item in them, where it is known."""

    at: int | None = None


class MessageError(ProtocolError):
    """The message is of a known type but its content is wrong."""


class UnknownMessageError(ProtocolError):
    """The type byte is not known to this version; receivers ignore such messages."""

    def __init__(self, message_type: int) -> None:
        super().__init__(f"unknown message type 0x{message_type:02x}")
        self.message_type = message_type


class UnsupportedVersionError(ProtocolError):
    """The device speaks a major version of the protocol that this code does not."""

    def __init__(self, major: int, minor: int, supported: int) -> None:
        super().__init__(
            f"the device speaks protocol version {major}.{minor}, this program speaks version {supported}: "
            + ("update this program" if major > supported else "update the device's firmware")
        )
        self.major = major
        self.minor = minor
        self.supported = supported


class LayoutError(ProtocolError):
    """The channel descriptions do not make a layout, or the samples do not fit the layout."""


class LayoutMismatchError(LayoutError):
    """The samples carry another layout id, so scaling them would be wrong."""

    def __init__(self, expected: int, found: int) -> None:
        super().__init__(f"samples carry layout 0x{found:08x}, the descriptions at hand are 0x{expected:08x}")
        self.expected = expected
        self.found = found
