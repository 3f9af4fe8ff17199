"""A second, slow implementation of the framing, written from the published algorithms only."""

from collections.abc import Iterator
from pathlib import Path

VECTORS = Path(__file__).parents[2] / "firmware_protocol" / "vectors"


def crc32(data: bytes) -> int:
    """CRC-32/ISO-HDLC bit by bit (check value in the tests)."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def stuff(data: bytes) -> bytes:
    """COBS with all its cases, 0xFF blocks too (Cheshire and Baker, 1999), without a delimiter."""
    out, code_at, code = bytearray(b"\x00"), 0, 1
    for byte in data:
        if byte:
            out.append(byte)
            code += 1
        if not byte or code == 0xFF:
            out[code_at] = code
            code_at, code = len(out), 1
            out.append(0)
    out[code_at] = code
    return bytes(out)


def frame(payload: bytes) -> bytes:
    return stuff(payload + crc32(payload).to_bytes(4, "little")) + b"\x00"


def valid_rows() -> Iterator[tuple[str, bytes, bytes]]:
    for line in (VECTORS / "valid.txt").read_text().splitlines():
        name, payload, wire = line.split(" ")
        yield name, bytes.fromhex(payload), bytes.fromhex(wire)


def invalid_rows() -> Iterator[tuple[str, str, bytes]]:
    for line in (VECTORS / "invalid.txt").read_text().splitlines():
        name, reason, data = line.split(" ")
        yield name, reason, bytes.fromhex(data)
