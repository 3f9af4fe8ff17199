"""Test vectors that bind every implementation: python -m firmware_protocol.vectors [DIRECTORY] writes them.

vectors/README.md says what the rows mean.
"""

import struct
import sys
from dataclasses import replace
from pathlib import Path
from typing import Final

from firmware_protocol import cbor
from firmware_protocol.codes import (
    NO_GUARD,
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    MessageType,
    NoReading,
    OpenedBy,
    OutputState,
    PermitAction,
    Quantity,
    SampleType,
    SensorKind,
    Thermocouple,
)
from firmware_protocol.framing import DELIMITER, MAX_PAYLOAD, MAX_WIRE, encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import (
    Accepted,
    Describe,
    ErrorMessage,
    Hello,
    Message,
    OutputDescription,
    Resending,
    Status,
    TimeMarked,
    encode_message,
)
from firmware_protocol.requests import (
    Permit,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)

DIRECTORY: Final = Path(__file__).parent / "vectors"

# The example device of SPEC.md: a pressure transducer, a thermistor, a scale, and one relay.
EXAMPLE_CHANNELS: Final = (
    Describe(
        2,
        0,
        Quantity.GAUGE_PRESSURE,
        "[psi]",
        SampleType.I16,
        -4,
        100,
        sensor_kind=SensorKind.RATIOMETRIC,
        parameters=(0.1, 0, 0.9, 500),
        range_low=-15,
        range_high=500,
        accuracy=2.5,
        label="High side",
    ),
    Describe(
        3,
        1,
        Quantity.TEMPERATURE,
        "Cel",
        SampleType.I24,
        0,
        1000,
        sensor_kind=SensorKind.NTC_BETA,
        parameters=(10000, 298.15, 3950),
        range_low=-40,
        range_high=125,
        accuracy=0.5,
        label="Shell",
    ),
    Describe(
        4,
        2,
        Quantity.MASS,
        "kg",
        SampleType.I24,
        -3,
        200,
        range_low=0,
        range_high=150,
        accuracy=0.02,
        accuracy_of_reading=0.0005,
        label="Scale",
    ),
)
EXAMPLE_LAYOUT: Final = Layout(EXAMPLE_CHANNELS)
EXAMPLE_HELLO: Final = Hello(
    1,
    bytes.fromhex("5d2f81c4a07be936"),
    "example",
    "1.0.0",
    boot_count=7,
    tick_rate_hz=1000,
    channels=3,
    layout_id=EXAMPLE_LAYOUT.layout_id,
    capabilities=Capability.RESEND | Capability.SET_PERIOD | Capability.OUTPUTS,
    outputs=1,
    buffer_frames=600,
    model="Breadboard",
)
EXAMPLE_OUTPUT: Final = OutputDescription(
    5, 0, longest_timeout_ms=5000, reopen_delay_ms=180_000, reads_back=True, label="Recovery machine"
)


def messages() -> list[tuple[str, Message]]:
    """The rows `msg-...`, a conversation with the example device in its usual order."""
    layout_id = EXAMPLE_LAYOUT.layout_id
    return [
        ("msg-request-hello", RequestHello(1)),
        ("msg-hello", EXAMPLE_HELLO),
        ("msg-request-describe-0", RequestDescribe(2, 0)),
        ("msg-describe-0", EXAMPLE_CHANNELS[0]),
        ("msg-describe-1", EXAMPLE_CHANNELS[1]),
        ("msg-describe-2", EXAMPLE_CHANNELS[2]),
        ("msg-request-output-0", RequestOutput(5, 0)),
        ("msg-output-0", EXAMPLE_OUTPUT),
        ("msg-start", Start(6)),
        ("msg-accepted-start", Accepted(6, MessageType.START, 7, layout_id, 0, 12_000)),
        ("msg-samples-0", EXAMPLE_LAYOUT.pack({0: 2888, 1: 11_992, 2: 31_815}, 0, 12_100)),
        ("msg-samples-1", EXAMPLE_LAYOUT.pack({0: 2891}, 1, 12_200)),
        ("msg-samples-2", EXAMPLE_LAYOUT.pack({0: NoReading.OPEN_CIRCUIT, 2: -12}, 2, 12_300)),
        ("msg-samples-3", EXAMPLE_LAYOUT.pack({1: NoReading.OVER_RANGE, 2: NoReading.NOT_READY}, 3, 12_400)),
        ("msg-samples-none", EXAMPLE_LAYOUT.pack({}, 4, 12_500)),
        ("msg-samples-wrap", EXAMPLE_LAYOUT.pack({0: 32_767, 1: -8_388_592}, 0xFFFF_FFFF, 0xFFFF_FFFF)),
        ("msg-time-mark", TimeMark(7, 1_790_000_000_123_456_789)),
        ("msg-time-marked", TimeMarked(7, 7, 1_790_000_000_123_456_789, 12_600, 12_601)),
        ("msg-resend-from", ResendFrom(8, 1, 2)),
        ("msg-resend-from-all-there-can-be", ResendFrom(8, 0xFFFF_FFFF, 0xFFFF)),
        ("msg-resending", Resending(8, 7, 1, 2, 0, 5)),
        ("msg-set-period", SetPeriod(9, 250, 2)),
        ("msg-set-period-all", SetPeriod(10, 1000)),
        ("msg-permit-closed", Permit(11, 0, PermitAction.HOLD_CLOSED, 3000, 7, 12_500, layout_id, 2, 0, 32_000)),
        ("msg-permit-open", Permit(12, 0, PermitAction.OPEN, 0, 7, 12_500)),
        ("msg-permit-unguarded", Permit(
            16, 0, PermitAction.HOLD_CLOSED, 3000, 7, 12_500, 0xDEADBEEF, NO_GUARD, guard_low=1, guard_high=-1
        )),
        ("msg-permit-timeout-zero", Permit(18, 0, PermitAction.HOLD_CLOSED, 0, 7, 12_500)),
        ("msg-permit-open-other-fields-senseless", Permit(
            17, 0, PermitAction.OPEN, 0xFFFF, 0xFFFF_FFFF, 0xFFFF_FFFF, 0xDEADBEEF, 63, guard_low=1, guard_high=-1
        )),
        ("msg-request-status", RequestStatus(13)),
        (
            "msg-status",
            Status(
                13,
                12,
                7,
                DeviceState.STREAMING,
                layout_id,
                0,
                5,
                12_550,
                dropped=1,
                bad_frames=2,
                supply_mv=4980,
                battery_percent=87,
                faults=Fault.SUPPLY_LOW | Fault.WATCHDOG_RESET,
                outputs=((OutputState.CLOSED, OpenedBy.START_UP, 2950),),
            ),
        ),
        ("msg-status-opened-by-layout", Status(
            0, 90, 7, DeviceState.STREAMING, layout_id ^ 1, 0, 800, 90_000,
            outputs=((OutputState.OPEN, OpenedBy.LAYOUT_CHANGED, 0),),
        )),
        ("msg-status-least", Status(0, 0, 0, DeviceState.IDLE, layout_id, 0, 0, 0)),
        ("msg-error", ErrorMessage(14, ErrorCode.NO_SUCH_CHANNEL, "no channel 9", MessageType.REQUEST_DESCRIBE)),
        ("msg-error-no-outputs", ErrorMessage(16, ErrorCode.NOT_SUPPORTED, request_type=MessageType.PERMIT)),
        ("msg-stop", Stop(15)),
        ("msg-accepted-stop", Accepted(15, MessageType.STOP, 7, layout_id, 5, 13_000)),
        ("msg-describe-steinhart-hart", Describe(
            0, 0, Quantity.TEMPERATURE, "K", SampleType.I32, -1, 500,
            sensor_kind=SensorKind.NTC_STEINHART_HART,
            parameters=(1.129148e-3, 2.34125e-4, 8.76741e-8),
        )),
        ("msg-describe-logarithmic", Describe(
            0, 0, Quantity.ABSOLUTE_PRESSURE, "um[Hg]", SampleType.I24, -4, 500,
            sensor_kind=SensorKind.LOG_VOLTAGE,
            parameters=(1, 1, 7, 760_000),
            range_low=1, range_high=760_000,
        )),
        ("msg-describe-thermocouple", Describe(
            0, 1, Quantity.TEMPERATURE, "Cel", SampleType.I24, -8, 1000,
            sensor_kind=SensorKind.THERMOCOUPLE,
            parameters=(Thermocouple.K, 0),
            range_low=-60, range_high=400, accuracy=1.5,
        )),
        ("msg-request-hello-1-0", RequestHello(1, 1, 0)),
        ("msg-request-hello-of-another-major", RequestHello(1, 2, 3)),
        ("msg-hello-1-0", replace(EXAMPLE_HELLO, minor=0)),
        ("msg-hello-of-a-later-minor", replace(EXAMPLE_HELLO, minor=9, extra={40: True})),
        ("msg-describe-unknown-keys", Describe(
            0, 63, 200, "Pa", SampleType.I24, 18, 86_400_000,
            offset=-(2**31), sensor_kind=99, parameters=(1,), extra={40: [1, "two", b"\x03"], -1: None},
        )),
    ]  # fmt: skip


def valid_rows() -> list[str]:
    """Lines of valid.txt."""
    payloads: list[tuple[str, bytes]] = [
        ("frame-one-zero", b"\x00"),
        ("frame-two-zeros", b"\x00\x00"),
        ("frame-one-byte", b"\x7f"),
        ("frame-zero-inside", b"\x11\x22\x00\x33"),
        ("frame-zero-last", b"\x11\x22\x33\x00"),
        ("frame-crc-with-zero", _payload_whose_crc_has_a_zero()),
        ("frame-longest-counting", bytes(i % 255 + 1 for i in range(MAX_PAYLOAD))),
        ("frame-longest-zeros", bytes(MAX_PAYLOAD)),
        ("frame-longest-ff", b"\xff" * MAX_PAYLOAD),
    ]
    payloads += [(name, encode_message(message)) for name, message in messages()]
    return [f"{name} {payload.hex()} {encode_frame(payload).hex()}" for name, payload in payloads]


def invalid_rows() -> list[str]:
    """Lines of invalid.txt."""
    good = encode_frame(encode_message(RequestHello(1)))
    hello = cbor.loads(encode_message(EXAMPLE_HELLO)[2:])
    describe = cbor.loads(encode_message(EXAMPLE_CHANNELS[0])[2:])
    assert isinstance(hello, dict)
    status = cbor.loads(encode_message(Status(1, 0, 7, DeviceState.IDLE, EXAMPLE_LAYOUT.layout_id, 0, 0, 0))[2:])
    assert isinstance(describe, dict)
    assert isinstance(status, dict)
    low = cbor.dumps({**describe, 9: 0})
    rows: list[tuple[str, str, bytes]] = [
        ("too-short-text", "too-short", b"\r\nok" + DELIMITER),
        ("too-short-crc-only", "too-short", b"\x01\x01\x01\x01\x01" + DELIMITER),
        ("too-long-by-one", "too-long", b"\x01" * MAX_WIRE + DELIMITER),
        ("too-long-text", "too-long", b"boot: " * 60 + DELIMITER),
        ("cobs-code-past-end", "cobs", bytes((good[0] + 1,)) + good[1:]),
        ("cobs-code-ff", "cobs", b"\xff" * 240 + DELIMITER),
        ("cobs-text", "cobs", b"rst:0x1 (POWERON)" + DELIMITER),
        ("crc-one-bit", "crc", bytes((*good[:2], good[2] ^ 0x10, *good[3:]))),
        ("crc-big-endian", "crc", good[:5] + good[8:4:-1] + good[9:]),
        ("crc-wrong-length", "crc", b"\x0a" + good[1:5] + good[5:8] + b"\x22\x22" + DELIMITER),
        ("cbor-indefinite", "cbor", _frame(0x85, b"\xbf\x00\x01\xff")),
        ("cbor-cut-short", "cbor", _frame(0x85, b"\xa2\x00\x01\x01")),
        ("cbor-key-twice", "cbor", _frame(0x85, b"\xa2\x00\x01\x00\x01")),
        ("cbor-text-key", "cbor", _frame(0x85, b"\xa1\x61\x30\x01")),
        ("cbor-tag", "cbor", _frame(0x85, b"\xa1\x00\xc1\x01")),
        ("cbor-not-utf8", "cbor", _frame(0x85, b"\xa2\x00\x01\x01\x61\xff")),
        ("cbor-nan", "cbor", _frame(0x82, low.replace(b"\x09\x00", b"\x09\xf9\x7e\x00"))),
        (
            "cbor-infinity",
            "cbor",
            _frame(0x82, low.replace(b"\x09\x00", b"\x09\xf9\x7c\x00")),
        ),
        ("cbor-undefined", "cbor", _frame(0x85, b"\xa2\x00\x01\x01\xf7")),
        ("cbor-too-deep", "cbor", _frame(0x85, b"\xa2\x00\x01\x18\x28\x81\x81\x81\x81\x01")),
        ("cbor-huge-array", "cbor", _frame(0x85, b"\xa2\x00\x01\x18\x28\x9a\xff\xff\xff\xff")),
        ("cbor-more-after-end", "cbor", _frame(0x85, b"\xa1\x00\x01\x00")),
        ("message-not-a-map", "message", _frame(0x84, b"\x80")),
        ("message-key-missing", "message", _frame(0x81, cbor.dumps({k: v for k, v in hello.items() if k != 2}))),
        ("message-id-too-short", "message", _frame(0x81, cbor.dumps({**hello, 2: b"short"}))),
        ("message-sample-type-unknown", "message", _frame(0x82, cbor.dumps({**describe, 3: 9}))),
        ("message-period-zero", "message", _frame(0x82, cbor.dumps({**describe, 5: 0}))),
        ("message-channels-too-many", "message", _frame(0x81, cbor.dumps({**hello, 7: 65}))),
        ("message-tick-rate-zero", "message", _frame(0x81, cbor.dumps({**hello, 6: 0}))),
        ("message-output-state-of-two", "message", _frame(0x84, cbor.dumps({**status, 12: [[1, 0]]}))),
        ("message-unit-with-blank", "message", _frame(0x82, cbor.dumps({**describe, 2: "kg m"}))),
        ("message-label-too-long", "message", _frame(0x82, cbor.dumps({**describe, 13: "x" * 33}))),
        ("message-request-id-zero", "message", encode_frame(b"\x01\x00\x01\x00")),
        ("message-request-without-id", "message", encode_frame(b"\x04")),
        ("message-set-period-zero", "message", encode_frame(b"\x09\x01\x00\x00\x00\x00\x00")),
        ("message-request-cut-short", "message", encode_frame(b"\x07\x01\x00\x00\x00\x00")),
        ("message-permit-other-action", "message", _permit(action=2)),
        ("message-permit-low-above-high", "message", _permit(guard_channel=2, guard_low=1, guard_high=0)),
        ("message-permit-id-zero", "message", _permit(request_id=0)),
        ("message-resend-of-none", "message", encode_frame(b"\x07\x01\x00\x00\x00\x00\x00\x00")),
        ("message-samples-cut-short", "message", encode_frame(b"\x90\x01\x02\x03\x04\x05\x06\x07\x08\x09\x0a\x0b")),
        ("unknown-type-device", "unknown-type", encode_frame(b"\xa0\x01\x02\x03")),
        ("unknown-type-zero", "unknown-type", encode_frame(b"\x00\x01")),
        ("version-newer-major", "version", _frame(0x81, cbor.dumps({0: 2, 1: 0, 2: "no longer bytes"}))),
    ]
    return [f"{name} {reason} {data.hex()}" for name, reason, data in rows]


def write(directory: Path) -> None:
    """Write both files. Raises OSError."""
    for name, rows in (("valid.txt", valid_rows()), ("invalid.txt", invalid_rows())):
        (directory / name).write_text("\n".join(rows) + "\n", encoding="ascii", newline="\n")


def _frame(code: int, body: bytes) -> bytes:
    return encode_frame(bytes((code, 1)) + body)


def _permit(**fields: int) -> bytes:
    """The frame of a permit with fields that none may have, which `Permit` would not encode."""
    good = {"request_id": 11, "action": 1, "guard_channel": NO_GUARD, "guard_low": 0, "guard_high": 0} | fields
    return encode_frame(
        struct.pack(
            "<BBBBHIIIBii", MessageType.PERMIT, good["request_id"], 0, good["action"], 3000, 7, 12_500,
            EXAMPLE_LAYOUT.layout_id, good["guard_channel"], good["guard_low"], good["guard_high"],
        )
    )  # fmt: skip


def _payload_whose_crc_has_a_zero() -> bytes:
    """The CRC is stuffed too; a codec that stuffs the payload only fails on this row."""
    return next(p for p in (bytes((1, n)) for n in range(1, 256)) if _has_zero_in_crc(p))


def _has_zero_in_crc(payload: bytes) -> bool:
    # the first COBS code points at the first zero byte; past the payload it lies in the CRC
    return len(payload) < encode_frame(payload)[0] <= len(payload) + 4


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else DIRECTORY)
