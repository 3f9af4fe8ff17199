"""How the frames of many records are kept together in a closed file. Lossless, checked when it is written.

    "RB1" | deflate of:  varint records | varint devices, each: varint length, UTF-8
                         | column by column of the records: id, device, t0_ns, n (zigzag varints of differences)
                         | for each frame: change of its distance to the frame before (zigzag varint)
                         | for each frame: length (varint)
                         | digests, 32 bytes a record
                         | for each (device, length) in order of first appearance: all its frames as a table,
                           column by column, each byte as the difference to the one above (mod 256)

Slow values with a little noise differ by small numbers, and a column of those deflates to a few bits a value.
"""

import zlib
from collections.abc import Iterable, Iterator, Sequence
from itertools import accumulate, pairwise

from logger.evidence.chain import MAX_DEVICE, decode_offsets, encode_offsets
from logger.evidence.errors import ChainError
from logger.model.records import FRAMES, Record
from logger.store.errors import StoreDamaged

MAGIC = b"RB1"
RECORDS_A_BLOCK = 120
_MAX_BLOCK_BYTES = 64 << 20  # bytes of a block when inflated: far beyond what 120 records can hold
_MAX_VARINT = 12


def pack_block(records: Sequence[Record]) -> bytes:
    """Body of a block of frame records, ids rising. Raises ChainError for a record whose offsets are not regular."""
    devices = list(dict.fromkeys(r.device for r in records))
    entries = [decode_offsets(r.offsets) for r in records]
    out = bytearray()
    _write_varints(out, [len(records), len(devices)])
    for device in devices:
        name = device.encode("utf-8", "surrogateescape")
        _write_varints(out, [len(name)])
        out += name
    for column in (
        [r.id for r in records],
        [devices.index(r.device) for r in records],
        [r.t0_ns for r in records],
        [r.n for r in records],
    ):
        _write_varints(out, _zigzag(_differences(column)))
    for record, entry in zip(records, entries, strict=True):
        if len(entry) != record.n or sum(length for _, length in entry) != len(record.payload):
            raise ChainError(f"record {record.id}: the offsets do not fit the frames")
        _write_varints(out, _zigzag(_differences(_differences([us for us, _ in entry]))))
    _write_varints(out, [length for entry in entries for _, length in entry])
    for record in records:
        out += record.digest
    tables: dict[tuple[str, int], list[bytes]] = {}
    for record, entry in zip(records, entries, strict=True):
        at = 0
        for _, length in entry:
            tables.setdefault((record.device, length), []).append(record.payload[at : at + length])
            at += length
    for (_, width), frames in tables.items():
        table = _subtract_rows(b"".join(frames), width)
        for at in range(width):
            out += table[at::width]
    deflate = zlib.compressobj(9, zlib.DEFLATED, -15, 9)
    return MAGIC + deflate.compress(bytes(out)) + deflate.flush()


def unpack_block(body: bytes) -> list[Record]:
    """The records again. Raises StoreDamaged."""
    if not isinstance(body, bytes) or not body.startswith(MAGIC):
        raise StoreDamaged("a block of frames in a form this version does not know")
    try:
        inflate = zlib.decompressobj(-15)
        data = inflate.decompress(body[len(MAGIC) :], _MAX_BLOCK_BYTES)
        if not inflate.eof:
            raise StoreDamaged("a block of frames is cut short")
        return _records(_Reader(data))
    except (zlib.error, ValueError, IndexError, ChainError, OverflowError) as exc:
        raise StoreDamaged(f"a block of frames cannot be read: {exc}") from exc


def _records(reader: "_Reader") -> list[Record]:
    count, device_count = reader.varint(), reader.varint()
    if not 1 <= count <= len(reader.data) or not 1 <= device_count <= count:
        raise ValueError("its counts are wrong")
    devices: list[str] = []
    for _ in range(device_count):
        length = reader.varint()
        if length > MAX_DEVICE:
            raise ValueError("a device name is too long")
        devices.append(reader.take(length).decode("utf-8", "surrogateescape"))
    ids, which, t0s, ns = (_sums(reader.signed(count)) for _ in range(4))
    if min(ns) < 0 or sum(ns) > len(reader.data):
        raise ValueError("its frame counts are wrong")
    offsets_us = [_sums(_sums(reader.signed(n))) for n in ns]
    lengths = [[reader.varint() for _ in range(n)] for n in ns]
    digests = [reader.take(32) for _ in range(count)]
    tables: dict[tuple[int, int], int] = {}
    for device, row in zip(which, lengths, strict=True):
        for length in row:
            tables[device, length] = tables.get((device, length), 0) + 1
    frames = {key: iter(reader.table(key[1], rows)) for key, rows in tables.items()}
    if reader.at != len(reader.data):
        raise ValueError("it is longer than it says")
    records: list[Record] = []
    for k in range(count):
        payload = b"".join([next(frames[which[k], length]) for length in lengths[k]])
        offsets = encode_offsets(list(zip(offsets_us[k], lengths[k], strict=True)))
        records.append(Record(ids[k], FRAMES, devices[which[k]], t0s[k], ns[k], offsets, payload, digests[k]))
    return records


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, length: int) -> bytes:
        taken = self.data[self.at : self.at + length]
        if len(taken) != length:
            raise ValueError("it is cut short")
        self.at += length
        return taken

    def varint(self) -> int:
        number = shift = 0
        while True:
            byte = self.data[self.at]
            self.at += 1
            number |= (byte & 0x7F) << shift
            if byte < 0x80:
                return number
            shift += 7
            if shift > 7 * _MAX_VARINT:
                raise ValueError("a number is too long")

    def signed(self, count: int) -> list[int]:
        numbers = [self.varint() for _ in range(count)]
        return [-(number + 1 >> 1) if number & 1 else number >> 1 for number in numbers]

    def table(self, width: int, rows: int) -> list[bytes]:
        if width * rows > len(self.data):
            raise ValueError("a table is too large")
        table = bytearray(width * rows)
        for column in range(width):
            table[column::width] = self.take(rows)
        return _add_rows(bytes(table), width) if width else [b""] * rows


def _subtract_rows(table: bytes, width: int) -> bytes:
    """Each byte as the difference to the one a row above, mod 256; the first row as it is.

    All bytes at once in one long integer: the top bit of each is set to catch its borrow, then put right.
    """
    below, above = int.from_bytes(table[width:], "little"), int.from_bytes(table[:-width] if width else b"", "little")
    size = max(0, len(table) - width)
    tops, rest = _masks(size)
    difference = ((below | tops) - (above & rest)) ^ ((below ^ above) & tops) ^ tops
    return table[:width] + difference.to_bytes(size, "little")


def _add_rows(table: bytes, width: int) -> list[bytes]:
    """The reverse, as rows."""
    tops, rest = _masks(width)
    total, rows = 0, []
    for at in range(0, len(table), width):
        row = int.from_bytes(table[at : at + width], "little")
        total = ((total & rest) + (row & rest)) ^ ((total ^ row) & tops)
        rows.append(total.to_bytes(width, "little"))
    return rows


def _masks(size: int) -> tuple[int, int]:
    """The top bit of every byte, and the other seven."""
    return int.from_bytes(b"\x80" * size, "little"), int.from_bytes(b"\x7f" * size, "little")


def _write_varints(out: bytearray, numbers: Iterable[int]) -> None:
    for number in numbers:
        while number > 0x7F:
            out.append(number & 0x7F | 0x80)
            number >>= 7
        out.append(number)


def _zigzag(numbers: Iterable[int]) -> Iterator[int]:
    return (number << 1 if number >= 0 else (-number << 1) - 1 for number in numbers)


def _differences(numbers: Sequence[int]) -> list[int]:
    return [*numbers[:1], *(after - before for before, after in pairwise(numbers))]


def _sums(differences: Sequence[int]) -> list[int]:
    return list(accumulate(differences))
