"""The C library from Python: compiled once a run, called through ctypes by way of shim.c."""

import ctypes
import functools
import subprocess
from collections.abc import Sequence
from ctypes import c_char_p, c_double, c_int16, c_int32, c_size_t, c_uint8, c_uint16, c_uint32, c_void_p
from pathlib import Path

from firmware_protocol.codes import RESERVED_CODES, NoReading
from firmware_protocol.framing import BadFrameReason
from firmware_protocol.layout import Reading
from firmware_protocol.messages import Describe, Hello, OutputDescription
from tests.once import built_folder, once_a_run
from tests.tools import needs

SOURCE = Path(__file__).parents[3] / "firmware_protocol" / "c"
HERE = Path(__file__).parent
STRICT = ["-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wshadow", "-Werror"]
# avr-gcc 5.4: what these options leave out is code, not speed. The reference firmware is built with the same ones.
AVR_OPTIONS = ["-Os", "-mcall-prologues", "-mrelax", "-mstrict-X", "-fno-move-loop-invariants", "-fno-gcse"]
AVR_OPTIONS += ["-fira-algorithm=priority", "-ffunction-sections", "-fdata-sections", "-Wl,--gc-sections"]
MAX_LINE = 65536
MAX_PARAMETERS = 4

BAD = {-4: BadFrameReason.TOO_SHORT, -5: BadFrameReason.TOO_LONG, -6: BadFrameReason.COBS, -7: BadFrameReason.CRC}


@once_a_run
def _compiled() -> Path:
    """The library and shim.c with the undefined-behaviour sanitizer, which ends the process at the first finding."""
    compiler = needs("gcc", "compiles the C library for ctypes")
    target = built_folder("c-library") / "rimelog.so"
    sources = [HERE / "shim.c", SOURCE / "rimelog.c"]
    ubsan = ["-fsanitize=undefined", "-fno-sanitize-recover=all"]
    subprocess.run(
        [compiler, *STRICT, "-O1", "-g", *ubsan, "-shared", "-fPIC", "-I", SOURCE, *sources, "-o", target], check=True
    )
    return target


@functools.cache
def library() -> ctypes.CDLL:
    found = ctypes.CDLL(str(_compiled()))
    found.bench_new.restype = c_void_p
    found.bench_take.restype = c_size_t
    found.bench_layout_id.restype = c_uint32
    found.bench_frame.restype = found.bench_number.restype = found.bench_int.restype = found.bench_head.restype = (
        c_uint8
    )
    found.bench_receive.restype = found.bench_ram.restype = c_size_t
    found.rl_crc32.restype = c_uint32
    found.rl_fit.restype = c_int32
    found.rl_check_request.restype = ctypes.c_int8
    return found


def frame(payload: bytes, room: int = 242) -> bytes | None:
    out = ctypes.create_string_buffer(256)
    n = library().bench_frame(payload, c_size_t(len(payload)), out, c_uint8(room))
    return out.raw[:n] if n else None


def received(data: bytes, block_size: int = 241) -> list[bytes | BadFrameReason]:
    """What a receiver makes of the bytes: payloads, and why blocks are bad."""
    results = (c_int16 * (len(data) + 1))()
    payloads = ctypes.create_string_buffer(len(data) + 1)
    n = library().bench_receive(data, c_size_t(len(data)), c_uint8(block_size), results, payloads)
    out: list[bytes | BadFrameReason] = []
    at = 0
    for result in results[:n]:
        if result > 0:
            out.append(payloads.raw[at : at + result])
            at += result
        else:
            out.append(BAD[result])
    return out


def fit(sample_type: int, reading: Reading) -> int:
    raw = -(2**31) + reading.value if isinstance(reading, NoReading) else reading
    fitted: int = library().rl_fit(c_uint8(sample_type), c_int32(raw))
    return fitted


def raw_of(reading: Reading) -> int:
    """What a device's read function gives for it."""
    assert RESERVED_CODES == 16
    return -(2**31) + reading.value if isinstance(reading, NoReading) else reading


class CDevice:
    """A device of the C library with the descriptions given, stepped as the simulated one is."""

    def __init__(
        self, hello: Hello, channels: Sequence[Describe], outputs: Sequence[OutputDescription] = (), *,
        ring_size: int = 2000, frame_size: int = 243, resend_shift: int = 2, min_period_ms: int = 10,
    ) -> None:  # fmt: skip
        self._c = c = library()
        self._bench = c_void_p(c.bench_new(len(channels), len(outputs), c_uint16(ring_size), c_uint8(frame_size)))
        self._now_ms = 0
        self._out = ctypes.create_string_buffer(MAX_LINE)
        c.bench_firmware(
            self._bench, hello.firmware_name.encode(), hello.firmware_version.encode(), hello.model.encode()
        )
        c.bench_identity(
            self._bench, hello.device_id, len(hello.device_id), c_uint32(hello.boot_count), c_uint16(min_period_ms),
            resend_shift,
        )  # fmt: skip
        for channel in channels:
            self._describe(channel)
        for output in outputs:
            c.bench_output(
                self._bench, output.index, c_uint16(output.longest_timeout_ms), c_uint32(output.reopen_delay_ms),
                int(output.reads_back), c_char_p(output.label.encode()),
            )  # fmt: skip

    def __del__(self) -> None:
        self._c.bench_free(self._bench)

    def _describe(self, channel: Describe) -> None:
        parameters = [float(number) for number in channel.parameters]
        numbers = parameters + [0.0] * (MAX_PARAMETERS - len(parameters))
        numbers += [channel.range_low or 0.0, channel.range_high or 0.0, channel.accuracy or 0.0]
        numbers += [channel.accuracy_of_reading or 0.0]
        self._c.bench_channel(
            self._bench, channel.index, int(channel.quantity), channel.unit.encode(), int(channel.sample_type),
            channel.exponent, c_uint32(channel.period_ms), c_int32(channel.offset), int(channel.sensor_kind),
            len(parameters), (c_double * len(numbers))(*numbers), channel.label.encode(),
        )  # fmt: skip

    def start_up(self, now_ms: int = 0) -> int:
        self._now_ms = now_ms
        code: int = self._c.bench_start_up(self._bench, c_uint32(now_ms))
        return code

    def check_settings(self) -> int:
        code: int = self._c.bench_check_settings(self._bench)
        return code

    def poll(self, now_ms: int) -> bytes:
        """One call at this time; what it sent."""
        self._now_ms = now_ms
        self._c.bench_poll(self._bench, c_uint32(now_ms))
        return self._take()

    def step(self, data: bytes, now_s: float, every_ms: int = 1) -> bytes:
        """Polled every millisecond until now_s, then `data` received, and polled once more."""
        until_ms = round(now_s * 1000)
        self._c.bench_run(self._bench, c_uint32(self._now_ms), c_uint32(until_ms), c_uint32(every_ms))
        self._now_ms = until_ms
        self.input(data)
        return self.poll(until_ms)

    def input(self, data: bytes) -> None:
        self._c.bench_input(self._bench, data, c_size_t(len(data)))

    def _take(self) -> bytes:
        n = self._c.bench_take(self._bench, self._out)
        return self._out.raw[:n]

    def set_line(self, room: int = MAX_LINE) -> None:
        """From now on the line takes so many bytes during each `poll` or `step`."""
        self._c.bench_set_room(self._bench, c_size_t(room))

    def set_reading(self, channel: int, reading: Reading) -> None:
        self._c.bench_set_raw(self._bench, channel, c_int32(raw_of(reading)))

    def set_health(self, faults: int, supply_mv: int, battery_percent: int) -> None:
        self._c.bench_health(self._bench, faults, supply_mv, battery_percent)

    def set_made(self, sequence: int) -> None:
        self._c.bench_set_made(self._bench, c_uint32(sequence))

    def closed(self, output: int = 0) -> bool:
        """The contact itself."""
        return bool(self._c.bench_closed(self._bench, output))

    def trip(self, output: int = 0) -> None:
        self._c.bench_trip(self._bench, output)

    def link_up(self) -> None:
        self._c.bench_link_up(self._bench)

    @property
    def layout_id(self) -> int:
        layout_id: int = self._c.bench_layout_id(self._bench)
        return layout_id
