"""The vector files bind the code, the script makes the files, and SPEC.md quotes them truly."""

import re
import subprocess
from pathlib import Path

import pytest

from firmware_protocol import codes, vectors
from firmware_protocol.errors import (
    CborError,
    MessageError,
    ProtocolError,
    UnknownMessageError,
    UnsupportedVersionError,
)
from firmware_protocol.framing import MAX_PAYLOAD, MAX_WIRE, BadFrame, Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import Samples, decode_payload, encode_message
from firmware_protocol.vectors import EXAMPLE_LAYOUT
from tests.protocol import reference
from tests.tools import needs

VALID = list(reference.valid_rows())
INVALID = list(reference.invalid_rows())
SPEC = (reference.VECTORS.parent / "SPEC.md").read_text(encoding="utf-8")
ERROR_BY_REASON: dict[str, type[ProtocolError]] = {
    "cbor": CborError,
    "message": MessageError,
    "unknown-type": UnknownMessageError,
    "version": UnsupportedVersionError,
}


@pytest.mark.parametrize("chunk", [1, 2, 7, 4096])
@pytest.mark.parametrize(("name", "payload", "wire"), VALID, ids=[row[0] for row in VALID])
def test_valid_rows(name: str, payload: bytes, wire: bytes, chunk: int) -> None:
    assert encode_frame(payload) == wire == reference.frame(payload)
    decoder = FrameDecoder()
    out = [item for i in range(0, len(wire), chunk) for item in decoder.feed(wire[i : i + chunk])]
    assert out == [Frame(payload, wire)]
    if name.startswith("msg-"):
        assert encode_message(decode_payload(payload)) == payload


@pytest.mark.parametrize(("name", "reason", "data"), INVALID, ids=[row[0] for row in INVALID])
def test_invalid_rows(name: str, reason: str, data: bytes) -> None:
    (item,) = FrameDecoder().feed(data)
    if reason not in ERROR_BY_REASON:
        assert isinstance(item, BadFrame)
        assert item.reason == reason
        return
    assert isinstance(item, Frame)
    with pytest.raises(ERROR_BY_REASON[reason]):
        decode_payload(item.payload)


def test_the_files_cover_every_type_and_reason() -> None:
    types = {payload[0] for name, payload, _ in VALID if name.startswith("msg-")}
    assert types == set(codes.MessageType)
    assert {reason for _, reason, _ in INVALID} == {"too-short", "too-long", "cobs", "crc", *ERROR_BY_REASON}
    assert len({row[0] for row in VALID + INVALID}) == len(VALID) + len(INVALID)


def test_the_script_makes_the_files_byte_for_byte(tmp_path: Path) -> None:
    vectors.write(tmp_path)
    for name in ("valid.txt", "invalid.txt"):
        assert (tmp_path / name).read_bytes() == (reference.VECTORS / name).read_bytes()


def quoted() -> list[tuple[str, bytes, bytes, bytes]]:
    """Examples of SPEC.md: lines `[> ]msg-name hex...`, going on over the lines that begin with hex."""
    known = {name: (payload, wire) for name, payload, wire in VALID}
    found = []
    for block in re.findall(r"^```\n(.*?)^```", re.sub(r"```c.*?```", "", SPEC, flags=re.S), re.S | re.M):
        for part in re.split(r"\n(?=[<>] |msg-)|\n(?=  \.\.\.)", block):
            match = re.match(r"(?:[<>] )?(msg-[a-z0-9-]+)(.*)", part, re.S)
            if not match:
                continue
            hex_text = ""
            for line in match[2].split("\n"):
                run = re.match(r"[ ]*((?:[0-9a-f]{2}(?:[ ]+|$))*)", line)
                assert run
                hex_text += run[1]
            if hex_text:
                found.append((match[1], bytes.fromhex(hex_text), *known[match[1]]))
    return found


def test_the_hex_in_the_spec_is_that_of_the_vectors() -> None:
    examples = quoted()
    assert len(examples) >= 24
    for name, shown, payload, wire in examples:
        assert shown in (payload, wire), name


def test_the_readings_worked_in_the_spec() -> None:
    rows = {name: payload for name, payload, _ in VALID}
    first, third = decode_payload(rows["msg-samples-0"]), decode_payload(rows["msg-samples-2"])
    assert isinstance(first, Samples)
    assert isinstance(third, Samples)
    assert EXAMPLE_LAYOUT.unpack(first) == [(0, 2888), (1, 11_992), (2, 31_815)]
    assert EXAMPLE_LAYOUT.unpack(third) == [(0, codes.NoReading.OPEN_CIRCUIT), (2, -12)]
    from firmware_protocol.conversion import measured

    shown = [measured(EXAMPLE_LAYOUT.channels[i], raw) for i, raw in ((0, 2888), (1, 11_992), (2, 31_815))]
    assert shown == [pytest.approx(118.0), pytest.approx(20.97, abs=0.005), 31.815]
    assert measured(EXAMPLE_LAYOUT.channels[2], -12) == -0.012


def test_the_numbers_of_the_spec_are_those_of_the_code() -> None:
    for text in (
        f"| payload | 1 to {MAX_PAYLOAD} bytes |",
        f"| frame on the wire | at most {MAX_WIRE} bytes |",
        f"| channels, outputs | at most {codes.MAX_CHANNELS}, {codes.MAX_OUTPUTS} |",
        f"within {codes.REPLY_WITHIN_S * 1000:.0f} ms",
        f"after {codes.REPLY_TIMEOUT_S:.0f} s, tried 3 times",
        f"at least every {codes.STATUS_INTERVAL_S:.0f} s",
    ):
        assert text in SPEC, text
    longest = {name: len(wire) for name, _, wire in VALID if name in ("msg-permit-closed", "msg-time-mark")}
    assert longest == {"msg-permit-closed": 33, "msg-time-mark": 16}


def test_the_c_functions_printed_in_the_spec_agree_with_the_vectors(tmp_path: Path) -> None:
    """What a stranger pastes from SPEC.md must work: compile it and run every framing row through it."""
    cc = needs("cc", "compiles what SPEC.md prints")
    (functions,) = re.findall(r"```c\n(.*?)```", SPEC, re.S)
    error = next(payload.hex() for name, payload, _ in VALID if name == "msg-error")
    writer = ["1863", "3818", "1a000f4240", "fa42f6e979", "6474657874"]  # 99, -25, 1000000, 123.456, "text"
    source = tmp_path / "spec.c"
    source.write_text(
        "#include <stdio.h>\n#include <stdint.h>\n#include <stddef.h>\n#include <string.h>\n"
        + functions
        + """
static size_t unhex(const char *s, uint8_t *out)
{
    size_t n = 0;
    unsigned v;
    for (; sscanf(s, "%2x", &v) == 1; s += 2) out[n++] = (uint8_t)v;
    return n;
}
int main(void)
{
    static char name[80], a[600], b[600];
    static uint8_t raw[300], wire[300], out[300];
    int rows = 0;
    size_t pieces = error_reply(out, 14, 3, "no channel 9", 2);
    if (pieces != unhex("ERROR", raw) || memcmp(out, raw, pieces)) { printf("error reply\\n"); return 1; }
    if (~crc32_add(crc32_add(0xFFFFFFFFu, raw, 5), raw + 5, pieces - 5) != crc32(raw, pieces)) return 1;
    uint8_t *p = cbor_int(cbor_int(cbor_int(out, 99), -25), 1000000);
    p = cbor_text(cbor_float(p, 123.456f), "text");
    pieces = (size_t)(p - out);
    if (pieces != unhex("WRITER", raw) || memcmp(out, raw, pieces)) { printf("CBOR\\n"); return 1; }
    while (scanf("%79s %599s %599s", name, a, b) == 3) {
        size_t n = unhex(a, raw), w = unhex(b, wire);
        uint32_t crc = crc32(raw, n);
        for (int i = 0; i < 4; i++) raw[n + i] = (uint8_t)(crc >> 8 * i);
        if (stuff(raw, n + 4, out) != w || memcmp(out, wire, w)) { printf("stuff %s\\n", name); return 1; }
        if (unstuff(wire, w - 1) != n + 4 || memcmp(wire + 1, raw, n + 4)) { printf("unstuff %s\\n", name); return 1; }
        rows++;
    }
    printf("%d", rows);
    return 0;
}
""".replace("ERROR", error).replace("WRITER", "".join(writer))
    )
    program = tmp_path / "spec"
    subprocess.run([cc, "-std=c99", "-Wall", "-Wextra", "-Werror", "-o", program, source], check=True)
    with (reference.VECTORS / "valid.txt").open() as rows:
        done = subprocess.run([program], stdin=rows, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, str(len(VALID)))
