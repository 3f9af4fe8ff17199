"""The numbers of SPEC.md: types, quantities, sensor kinds, reasons, capabilities, faults, error codes.

A number this version does not know stays a plain int where the message is still of use (a new
quantity, a new sensor kind); it is refused where bytes could not be cut without it (sample type).
"""

from enum import Enum, IntEnum, IntFlag
from typing import Final

PROTOCOL_MAJOR: Final = 1
PROTOCOL_MINOR: Final = 1

MAX_CHANNELS: Final = 64
MAX_OUTPUTS: Final = 8
ALL_CHANNELS: Final = 0xFF  # SetPeriod: every channel
NO_GUARD: Final = 0xFF  # Permit: no channel is watched
UNSOLICITED: Final = 0  # request id of a message nobody asked for

STATUS_INTERVAL_S: Final = 5.0  # a device sends a status at least this often
REPLY_WITHIN_S: Final = 0.5  # a device has begun its reply by then
REPLY_TIMEOUT_S: Final = 1.0  # a host gives a request up after this


FROM_DEVICE: Final = 0x80  # bit 7 of a payload's first byte; each side ignores payloads of its own direction


class MessageType(IntEnum):
    """First byte of a payload; bit 7 set: from the device."""

    REQUEST_HELLO = 0x01
    REQUEST_DESCRIBE = 0x02
    REQUEST_OUTPUT = 0x03
    REQUEST_STATUS = 0x04
    START = 0x05
    STOP = 0x06
    RESEND_FROM = 0x07
    TIME_MARK = 0x08
    SET_PERIOD = 0x09
    PERMIT = 0x0A
    HELLO = 0x81
    DESCRIBE = 0x82
    OUTPUT = 0x83
    STATUS = 0x84
    ERROR = 0x85
    ACCEPTED = 0x86
    RESENDING = 0x87
    TIME_MARKED = 0x88
    SAMPLES = 0x90


class Quantity(IntEnum):
    """What a channel measures."""

    ABSOLUTE_PRESSURE = 1
    GAUGE_PRESSURE = 2
    DIFFERENTIAL_PRESSURE = 3
    TEMPERATURE = 4
    MASS = 5
    RATIO = 6  # position of a valve, level: 0 to 1
    RELATIVE_HUMIDITY = 7
    VOLTAGE = 8
    CURRENT = 9
    RESISTANCE = 10
    POWER = 11
    FREQUENCY = 12
    STATE = 13  # 0 or 1: a switch, a contact
    COUNT = 14


class SampleType(IntEnum):
    """Packed little-endian two's-complement integer; the number is its width in bytes."""

    I16 = 2
    I24 = 3
    I32 = 4


class SensorKind(IntEnum):
    """How the transmitted number becomes the measured one; fixes the unit of the former."""

    DIRECT = 0  # already in the channel's unit
    RATIOMETRIC = 1  # output voltage over supply voltage
    VOLTAGE = 2  # V
    CURRENT_LOOP = 3  # A
    NTC_BETA = 4  # Ohm
    NTC_STEINHART_HART = 5  # Ohm
    RTD_IEC60751 = 6  # Ohm
    BRIDGE = 7  # V/V
    LOG_VOLTAGE = 8  # V; the reading grows by the same factor with each volt, as of a vacuum gauge's log output
    THERMOCOUPLE = 9  # V between its two wires at the terminals


class Thermocouple(IntEnum):
    """First parameter of SensorKind.THERMOCOUPLE: the pair of alloys."""

    K = 1
    T = 2
    J = 3


class NoReading(Enum):
    """Why a channel has no value; on the wire: lowest number of the sample type + this code."""

    OPEN_CIRCUIT = 0
    SHORT_CIRCUIT = 1
    UNDER_RANGE = 2
    OVER_RANGE = 3
    NOT_READY = 4
    OTHER = 15  # codes 5 to 15, kept for later versions: no reading, reason not known here


RESERVED_CODES: Final = 16  # numbers at the low end of each sample type that are never readings


class Capability(IntFlag):
    """Bits of Hello.capabilities."""

    NONE = 0
    RESEND = 1 << 0
    SET_PERIOD = 1 << 1
    OUTPUTS = 1 << 2


class Fault(IntFlag):
    """Bits of Status.faults."""

    NONE = 0
    SUPPLY_LOW = 1 << 0
    CONVERTER = 1 << 1  # analogue-to-digital converter or sensor bus does not answer
    REFERENCE = 1 << 2  # reference or excitation voltage out of tolerance
    MEMORY = 1 << 3
    CLOCK = 1 << 4
    OUTPUT = 1 << 5  # an output does not follow its command (a welded contact)
    OVER_TEMPERATURE = 1 << 6
    WATCHDOG_RESET = 1 << 7  # the last start was forced by the device's own watchdog


class ErrorCode(IntEnum):
    """Why a device refused a request (or, unsolicited, what went wrong)."""

    UNKNOWN_REQUEST = 1
    MALFORMED = 2
    NO_SUCH_CHANNEL = 3
    OUT_OF_RANGE = 4
    NOT_SUPPORTED = 5
    BUSY = 6
    NOT_STREAMING = 7
    HARDWARE = 8
    STALE_PERMIT = 9
    MUST_REARM = 10
    VERSION = 11


class DeviceState(IntEnum):
    """Status.state."""

    IDLE = 0
    STREAMING = 1


class OutputState(IntEnum):
    """First number of an entry of Status.outputs."""

    OPEN = 0
    CLOSED = 1


class OpenedBy(IntEnum):
    """Second number of an entry of Status.outputs: why the output last opened."""

    START_UP = 0
    HOST = 1
    PERMIT_EXPIRED = 2
    GUARD_NO_READING = 3
    GUARD_LIMIT = 4
    DEVICE_FAULT = 5
    STREAM_STOPPED = 6
    LAYOUT_CHANGED = 7  # the guard's limits were computed for another layout


class PermitAction(IntEnum):
    """Permit.action."""

    OPEN = 0  # open now, and re-arm after a trip
    HOLD_CLOSED = 1
