"""Frames on a byte stream: COBS, a 0x00 delimiter, and a CRC-32 (SPEC.md section 2).

A frame carries at most 240 bytes before stuffing, so a COBS code byte never reaches 0xFF and
stuffing never changes the length by more than the one leading byte. Both directions use that:
a decoder follows the chain of code bytes, writes 0x00 over each, and drops the first.
"""

import zlib
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from firmware_protocol.errors import PayloadSizeError

DELIMITER: Final = b"\x00"
CRC_BYTES: Final = 4
MAX_RAW: Final = 240  # payload and CRC, before COBS
MAX_PAYLOAD: Final = MAX_RAW - CRC_BYTES
MAX_WIRE: Final = MAX_RAW + 2  # one COBS byte in front, one delimiter behind

# CRC-32/ISO-HDLC run over any message followed by its own little-endian CRC leaves this constant.
_CRC_RESIDUE: Final = 0x2144DF1C
_MIN_BLOCK: Final = 1 + 1 + CRC_BYTES  # COBS byte, one byte of payload, CRC
_HEADS: Final = tuple(bytes((n,)) for n in range(256))


class BadFrameReason(StrEnum):
    """Why bytes between two delimiters were refused; the words are those of vectors/invalid.txt."""

    TOO_SHORT = "too-short"
    TOO_LONG = "too-long"
    COBS = "cobs"
    CRC = "crc"


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame whose CRC holds. raw: the exact bytes on the wire, delimiter included."""

    payload: bytes
    raw: bytes


@dataclass(frozen=True, slots=True)
class BadFrame:
    """Bytes that are no frame. raw: as on the wire; of an endless run only the first MAX_WIRE bytes."""

    reason: BadFrameReason
    raw: bytes


def encode_frame(payload: bytes) -> bytes:
    """Bytes to put on the wire for `payload` (1 to 236 bytes). Raises PayloadSizeError."""
    if not 1 <= len(payload) <= MAX_PAYLOAD:
        raise PayloadSizeError(f"a payload has 1 to {MAX_PAYLOAD} bytes, not {len(payload)}")
    raw = payload + zlib.crc32(payload).to_bytes(CRC_BYTES, "little")
    return b"".join([_HEADS[len(run) + 1] + run for run in raw.split(DELIMITER)]) + DELIMITER


def decode_frame(raw: bytes) -> bytes | None:
    """Payload of one whole frame with its delimiter, such as `Frame.raw`; None for anything else."""
    block = raw.strip(DELIMITER)
    if not raw.endswith(DELIMITER) or not _MIN_BLOCK <= len(block) < MAX_WIRE or DELIMITER in block:
        return None
    payload = _unstuffed(block)
    return None if isinstance(payload, BadFrameReason) else payload


def _unstuffed(block: bytes) -> bytes | BadFrameReason:
    """Payload of what stands between two delimiters, or what is wrong with it."""
    raw = unstuff(block)
    if raw is None:
        return BadFrameReason.COBS
    if zlib.crc32(raw) != _CRC_RESIDUE:
        return BadFrameReason.CRC
    return bytes(raw[:-CRC_BYTES])


def unstuff(block: bytes) -> bytearray | None:
    """Payload and CRC of what stands between two delimiters; None when its code bytes do not lead to its end."""
    decoded, size, at = bytearray(block), len(block), 0
    while at < size:
        code = block[at]
        decoded[at] = 0
        at += code
    return decoded[1:] if at == size else None


class FrameDecoder:
    """Cuts a byte stream into frames. Never raises on input, holds at most MAX_WIRE bytes of it.

    The same bytes give the same results however they are cut into calls of `feed`.
    """

    __slots__ = ("_skipping", "_tail", "bad_frames", "bytes_discarded", "bytes_in", "frames")

    def __init__(self) -> None:
        self.bytes_in = 0
        self.frames = 0
        self.bad_frames: dict[BadFrameReason, int] = dict.fromkeys(BadFrameReason, 0)
        self.bytes_discarded = 0  # bytes of endless runs that no BadFrame carries
        self._tail = b""
        self._skipping = False  # inside a run already reported as too long

    @property
    def tail(self) -> bytes:
        """Bytes held back because their delimiter has not arrived."""
        return self._tail

    def reset(self) -> None:
        """Forget a half-received frame (the link was opened anew); counters stay."""
        self._tail = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[Frame | BadFrame]:
        """All frames completed by `data` (any length, also none), good and bad, in order of arrival."""
        self.bytes_in += len(data)
        if self._skipping:
            end = data.find(0)
            if end < 0:
                self.bytes_discarded += len(data)
                return []
            self.bytes_discarded += end + 1
            self._skipping = False
            data = data[end + 1 :]
        blocks = (self._tail + data).split(DELIMITER)
        tail = blocks.pop()
        out: list[Frame | BadFrame] = []
        for block in blocks:
            size = len(block)
            if size < _MIN_BLOCK or size >= MAX_WIRE:
                if size >= MAX_WIRE:
                    self.bytes_discarded += size + 1 - MAX_WIRE
                    out.append(self._bad(BadFrameReason.TOO_LONG, block[:MAX_WIRE]))
                elif size:  # delimiters in a row are idle line, not frames
                    out.append(self._bad(BadFrameReason.TOO_SHORT, block + DELIMITER))
                continue
            payload = _unstuffed(block)
            if isinstance(payload, BadFrameReason):
                out.append(self._bad(payload, block + DELIMITER))
            else:
                self.frames += 1
                out.append(Frame(payload, block + DELIMITER))
        if len(tail) >= MAX_WIRE:
            self.bytes_discarded += len(tail) - MAX_WIRE
            out.append(self._bad(BadFrameReason.TOO_LONG, tail[:MAX_WIRE]))
            tail = b""
            self._skipping = True
        self._tail = tail
        return out

    def _bad(self, reason: BadFrameReason, raw: bytes) -> BadFrame:
        self.bad_frames[reason] += 1
        return BadFrame(reason, raw)
