"""Records read straight from the pages of a job file and its log, however damaged the rest is.

SQLite finds rows through its tree of pages; one bad page near the root hides all others. Here every page is looked at
by itself (https://www.sqlite.org/fileformat2.html, sections 1.6, 2 and 4): whatever reads as a row of `record` or
`block` is taken. Whether its content is right is for the hash chain to say.
"""

from collections.abc import Iterator
from pathlib import Path

from logger.model.records import Record
from logger.store.blocks import MAGIC, unpack_block
from logger.store.database import PAGE_BYTES
from logger.store.errors import StoreDamaged
from logger.store.packing import AS_RECEIVED
from logger.store.rows import Row, record_of

_TABLE_LEAF = 0x0D
_USABLE = PAGE_BYTES
_MAX_LOCAL = _USABLE - 35
_MIN_LOCAL = (_USABLE - 12) * 32 // 255 - 23
_LOG_HEAD, _FRAME_HEAD = 32, 24
_INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)  # by serial type

Pages = dict[int, bytes]


def carve(path: Path) -> Iterator[Record]:
    """Every record that can be read, in no order; the same record may come more than once, with different content."""
    main, log = pages_of_file(path), pages_of_log(path.with_name(path.name + "-wal"))
    newest = dict(main)
    newest.update(log)  # of several images of a page the last one wins
    for number, page in [*main.items(), *log]:
        for row in _rows(page, 100 if number == 1 else 0, newest):
            yield from _records(row)


def pages_of_file(path: Path) -> Pages:
    """Whole pages by number, from 1."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return {}
    whole = len(data) - len(data) % PAGE_BYTES
    return {at // PAGE_BYTES + 1: data[at : at + PAGE_BYTES] for at in range(0, whole, PAGE_BYTES)}


def pages_of_log(path: Path) -> list[tuple[int, bytes]]:
    """(page number, page) of each whole frame of a write-ahead log, oldest first, valid by its own sums or not."""
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return []
    step = _FRAME_HEAD + PAGE_BYTES
    return [
        (int.from_bytes(data[at : at + 4], "big"), data[at + _FRAME_HEAD : at + step])
        for at in range(_LOG_HEAD, len(data) - step + 1, step)
    ]


def _records(row: Row) -> list[Record]:
    """Of a row of `record` (as `record_of` takes it) or of `block` (its body alone)."""
    try:
        return unpack_block(row[0]) if len(row) == 1 else [record_of(row)]
    except StoreDamaged:
        # Frames that cannot be unpacked: the content is wrong anyway, but the digest may still link its neighbours.
        return [] if len(row) == 1 else [record_of((*row[:-1], AS_RECEIVED))]


def _rows(page: bytes, at: int, pages: Pages) -> Iterator[Row]:
    if page[at] != _TABLE_LEAF:
        return
    count = int.from_bytes(page[at + 3 : at + 5], "big")
    first = at + 8
    for slot in range(first, min(first + 2 * count, _USABLE - 1), 2):
        try:
            row = _row(page, int.from_bytes(page[slot : slot + 2], "big"), pages)
        except (IndexError, ValueError):
            continue
        if row is not None:
            yield row


def _row(page: bytes, at: int, pages: Pages) -> Row | None:
    """The row whose cell begins at `at`. Raises IndexError or ValueError for what is no cell."""
    size, at = _varint(page, at)
    row_id, at = _varint(page, at)
    content = _content(page, at, size, pages)
    head_size, head_at = _varint(content, 0)
    value_at = head_size
    values: list[int | bytes | str | None] = []
    while head_at < head_size:
        serial, head_at = _varint(content, head_at)
        value, value_at = _value(content, value_at, serial)
        values.append(value)
    match values:
        case [None, int(kind), str(device), int(t0), int(n), bytes(offsets), bytes(payload), bytes(digest), *codec]:
            form = codec[0] if codec else AS_RECEIVED
            if kind in (0, 1) and len(digest) == 32 and n >= 0 and isinstance(form, int):
                return (row_id, kind, device, t0, n, offsets, payload, digest, form)
        case [None, int(), bytes(body)] if body.startswith(MAGIC):
            return (body,)
    return None


def _content(page: bytes, at: int, size: int, pages: Pages) -> bytes:
    """The cell's content, followed over its overflow pages."""
    if size <= _MAX_LOCAL:
        content = page[at : at + size]
    else:
        local = _MIN_LOCAL + (size - _MIN_LOCAL) % (_USABLE - 4)
        local = local if local <= _MAX_LOCAL else _MIN_LOCAL
        parts = [page[at : at + local]]
        following = int.from_bytes(page[at + local : at + local + 4], "big")
        missing = size - local
        while missing > 0:
            if following not in pages:
                raise ValueError("an overflow page is missing")
            overflow = pages[following]
            following = int.from_bytes(overflow[:4], "big")
            parts.append(overflow[4 : 4 + missing])
            missing -= _USABLE - 4
            if len(parts) > len(pages) + 1:
                raise ValueError("overflow pages go in circles")
        content = b"".join(parts)
    if len(content) != size:
        raise ValueError("a cell reaches beyond its page")
    return content


def _value(content: bytes, at: int, serial: int) -> tuple[int | bytes | str | None, int]:
    if serial == 0:
        return None, at
    if serial in (8, 9):
        return serial - 8, at
    if serial < len(_INTEGER_BYTES):
        length = _INTEGER_BYTES[serial]
    elif serial >= 12:
        length = (serial - 12) // 2
    else:
        raise ValueError("a value of a kind no record has")
    raw = content[at : at + length]
    if len(raw) != length:
        raise ValueError("a value reaches beyond its row")
    if serial < 12:
        return int.from_bytes(raw, "big", signed=True), at + length
    return (raw if serial % 2 == 0 else raw.decode("utf-8", "surrogateescape")), at + length


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """SQLite's: big-endian, 7 bits a byte, the ninth byte whole."""
    number = 0
    for step in range(9):
        byte = data[at + step]
        if step == 8:
            return number << 8 | byte, at + 9
        number = number << 7 | byte & 0x7F
        if byte < 0x80:
            return number, at + step + 1
    raise ValueError("no varint")
