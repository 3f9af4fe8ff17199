"""The C codec on an emulated AVR, whose int has 16 bits, against the vectors and the Python codec."""

import struct
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from firmware_protocol import cbor
from firmware_protocol.codes import SampleType
from firmware_protocol.framing import BadFrameReason, decode_frame
from tests.firmware import board as emulation
from tests.firmware.board import Board, symbols
from tests.once import built_folder, once_a_run
from tests.protocol import reference
from tests.protocol.c import library
from tests.protocol.c.library import AVR_OPTIONS, BAD, SOURCE, STRICT
from tests.tools import needs

FIT, FRAME, RECEIVE, CHECK, NUMBER, INTEGER, CRC = range(1, 8)


class Codec:
    """Calls on the chip."""

    def __init__(self, chip: Board) -> None:
        self._chip, self._at = chip, symbols(chip.elf)

    def call(self, act: int, data: bytes, sample_type: int = 0) -> tuple[int, bytes]:
        """(result, the output buffer)"""
        self._chip.poke(self._at["input"], data)
        self._chip.poke(self._at["length"], struct.pack("<H", len(data)))
        self._chip.poke(self._at["type"], bytes((sample_type,)))
        self._chip.poke(self._at["act"], bytes((act,)))
        for _ in range(200):
            self._chip.run(1)
            if self._chip.peek(self._at["act"], 1) == b"\0":
                (result,) = struct.unpack("<h", self._chip.peek(self._at["result"], 2))
                return result, self._chip.peek(self._at["output"], 256)
        raise AssertionError("the chip does not come to an end")

    def item(self, act: int, data: bytes) -> bytes:
        """The payload of the frame that an item of CBOR was written to."""
        size, out = self.call(act, data)
        payload = decode_frame(out[:size])
        assert payload is not None
        return payload


@once_a_run
def _program() -> Path:
    elf = built_folder("firmware") / "codec.elf"
    subprocess.run(
        [needs("avr-gcc", "builds the codec for an AVR"), "-mmcu=atmega328p", *STRICT, *AVR_OPTIONS, "-I", SOURCE,
         Path(__file__).parent / "codec_avr.c", SOURCE / "rimelog.c", "-o", elf], check=True,
    )  # fmt: skip
    return elf


@pytest.fixture
def codec(monkeypatch: pytest.MonkeyPatch) -> Iterator[Codec]:
    elf = _program()
    monkeypatch.setattr(emulation, "program", lambda chip, extra: elf)
    with Board() as chip:
        chip.run(5)
        yield Codec(chip)


def test_vectors(codec: Codec) -> None:
    rows = list(reference.valid_rows())
    for name, payload, wire in rows:
        size, out = codec.call(FRAME, payload)
        assert out[:size] == wire, name
        size, out = codec.call(RECEIVE, wire)
        assert out[:size] == payload, name
        if name.startswith("msg-"):
            assert codec.call(CHECK, payload)[0] == (-3 if payload[0] & 0x80 else 0), name
    for name, reason, data in reference.invalid_rows():
        result, _ = codec.call(RECEIVE, data[:256])
        if reason in set(BadFrameReason):
            assert BAD[result] == reason, name
        else:
            assert result > 0, name
    assert len(rows) > 45


def test_raw_numbers_fit_their_type_as_on_a_computer(codec: Codec) -> None:
    edges = [0, 1, 15, 16, 17, 2**15, 2**23, 2**31]
    raws = sorted({s * e + d for e in edges for s in (-1, 1) for d in (-17, -1, 0, 1, 15, 16)})
    for sample_type in SampleType:
        for raw in (raw for raw in raws if -(2**31) <= raw < 2**31):
            _, out = codec.call(FIT, struct.pack("<i", raw), sample_type)
            assert struct.unpack("<i", out[:4])[0] == library.fit(sample_type, raw), (sample_type, raw)


def test_items_of_cbor(codec: Codec) -> None:
    for number in (0, 1, 23, 24, 255, 256, 65_535, 65_536, 2**31 - 1, -1, -24, -25, -256, -257, -65_537, -(2**31)):
        assert codec.item(INTEGER, struct.pack("<i", number)) == cbor.dumps(number)
    for real in (0.1, -15.0, 298.15, 1e-30, 3.4e38):  # 32 bits are all that this double has
        expected = b"\xfa" + struct.pack(">f", real)
        assert codec.item(NUMBER, struct.pack("<f", real)) == expected


def test_running_crc(codec: Codec) -> None:
    for data in (b"123456789", b"\0", bytes(range(256))[:250]):
        _, out = codec.call(CRC, data)
        assert int.from_bytes(out[:4], "little") == reference.crc32(data)
