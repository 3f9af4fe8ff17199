"""Zip archives: written so that the same contents give the same bytes, read as if an enemy had made them.

Format: PKWARE APPNOTE 6.3. Pure: works on an open binary file that the caller gives.
Nothing is ever unpacked to disk; a name from an archive is used as a key, never as a path.
"""

import re
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

from logger.evidence.errors import BundleError

MAX_BYTES = 2**31 - 1  # of the archive and of all contents together: no ZIP64 needed
MAX_ENTRIES = 100
MAX_NAME = 200
MAX_RATIO = 250  # contents to archive; our own reach some 60, a bomb 1000 and more
RATIO_FROM = 1_000_000  # bytes of contents below which the ratio does not matter
CHUNK = 1 << 18

_PART = re.compile(r"[A-Za-z0-9_](?:[A-Za-z0-9 ._-]*[A-Za-z0-9_-])?")
_END_RECORD = struct.Struct("<4s4H2LH")
_LOCAL = struct.Struct("<4s5H3L2H")  # APPNOTE 4.3.7
_CENTRAL = struct.Struct("<4s6H3L5H2L")  # 4.3.12
_STORED, _DEFLATED = zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED
_FLAGS = 0x0806  # how hard it was packed, and that names are UTF-8


@dataclass(frozen=True, slots=True)
class FileSource:
    """One file to write. size: bytes the chunks add up to."""

    name: str
    size: int
    chunks: Iterable[bytes]


def write_zip(out: BinaryIO, sources: Iterable[FileSource]) -> None:
    """Raises BundleError when a name, or the amount, could not be read back by SafeZip."""
    total = 0
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for source in sources:
            _check_name(source.name)
            total += source.size
            if total > MAX_BYTES:
                raise BundleError(f"the contents pass {MAX_BYTES:,} bytes, the most one bundle can hold")
            info = zipfile.ZipInfo(source.name, (1980, 1, 1, 0, 0, 0))
            info.compress_type, info.create_system = zipfile.ZIP_DEFLATED, 3
            info.external_attr = (stat.S_IFREG | 0o644) << 16
            info.file_size = source.size
            written = 0
            with archive.open(info, "w") as entry:
                for chunk in source.chunks:
                    written += entry.write(chunk)
            if written != source.size:
                raise BundleError(f"{source.name}: {written} bytes written where {source.size} were announced")


@dataclass(frozen=True, slots=True)
class _Entry:
    """packed, size: bytes in the archive and unpacked. at: where the packed bytes begin."""

    name: str
    method: int
    crc: int
    packed: int
    size: int
    at: int


class SafeZip:
    """A checked archive. `names`: the files in it, in order. Raises BundleError on anything out of the ordinary.

    Every byte belongs to an entry, and is said the same by the header before it and by the directory at the end: so a
    reader that goes by either, or only looks for headers, finds the same files. Nothing is allocated by what the
    archive says before that was bounded.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        size, count, directory = _directory(file)
        begin = size - _END_RECORD.size - len(directory)
        entries: dict[str, _Entry] = {}
        seen: set[str] = set()
        at = total = 0
        while directory:
            entry, directory = _entry(file, directory, at)
            at = entry.at + entry.packed
            key = entry.name.removesuffix("/").casefold()
            if key in seen:
                raise BundleError(f"{entry.name!r} is in the archive twice")
            seen.add(key)
            total += entry.size
            if entry.size > RATIO_FROM and entry.size > MAX_RATIO * entry.packed:
                times = f"over {MAX_RATIO} times its size"
                raise BundleError(f"{entry.name!r} would unpack to {times}: refused as a zip bomb")
            if not entry.name.endswith("/"):
                entries[entry.name] = entry
        if total > MAX_BYTES or (total > RATIO_FROM and total > MAX_RATIO * size):
            raise BundleError(f"the archive of {size:,} bytes would unpack to {total:,}: refused as a zip bomb")
        if len(seen) != count or at != begin:
            raise BundleError("the archive's directory does not fit its files")
        self._entries = entries

    @property
    def names(self) -> list[str]:
        return list(self._entries)

    def size(self, name: str) -> int:
        return self._entries[name].size

    def chunks(self, name: str) -> Iterator[bytes]:
        """The file's bytes, never more than announced. Raises BundleError when damaged or cut short."""
        entry = self._entries[name]
        left, crc = entry.size, 0
        for chunk in self._unpacked(entry):
            left -= len(chunk)
            if left < 0:
                raise BundleError(f"{name!r} is longer than the archive says")
            crc = zlib.crc32(chunk, crc)
            yield chunk
        if left:
            raise BundleError(f"{name!r} is shorter than the archive says")
        if crc != entry.crc:
            raise BundleError(f"{name!r} is damaged in the archive: its checksum does not fit")

    def read(self, name: str, limit: int) -> bytes:
        """All of a small file. Raises BundleError when it has more than `limit` bytes."""
        if self.size(name) > limit:
            raise BundleError(f"{name!r} has {self.size(name):,} bytes; up to {limit:,} are expected")
        return b"".join(self.chunks(name))

    def _unpacked(self, entry: _Entry) -> Iterator[bytes]:
        """The packed bytes must be one stream to their last byte: nothing stands behind its end."""
        if entry.method == _STORED:
            yield from self._packed(entry)
            return
        stream = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            for packed in self._packed(entry):
                while packed:
                    if stream.eof:
                        raise BundleError(f"{entry.name!r} is damaged in the archive: bytes follow its end")
                    yield stream.decompress(packed, CHUNK)
                    packed = stream.unconsumed_tail or stream.unused_data
            while not stream.eof and (rest := stream.decompress(b"", CHUNK)):
                yield rest
        except zlib.error as exc:
            raise BundleError(f"{entry.name!r} is damaged in the archive: {ascii(str(exc))[:120]}") from exc
        if not stream.eof:
            raise BundleError(f"{entry.name!r} is damaged in the archive: it is cut short")

    def _packed(self, entry: _Entry) -> Iterator[bytes]:
        """Seeks before each read: two files may be read in turns."""
        for at in range(0, entry.packed, CHUNK):
            yield _read(self._file, entry.at + at, min(CHUNK, entry.packed - at))


def _read(file: BinaryIO, at: int, count: int) -> bytes:
    try:
        file.seek(at)
        data = file.read(count)
    except OSError as exc:
        raise BundleError(f"the archive cannot be read: {exc.strerror}") from exc
    if len(data) != count:
        raise BundleError("the archive is cut short")
    return data


def _directory(file: BinaryIO) -> tuple[int, int, bytes]:
    """The archive's size, how many entries it says it has, and its directory."""
    try:
        size = file.seek(0, 2)
    except OSError as exc:
        raise BundleError(f"not a file that can be read as an archive: {exc.strerror}") from exc
    if size > MAX_BYTES:
        raise BundleError(f"the archive has {size:,} bytes; up to {MAX_BYTES:,} are read")
    if size < _END_RECORD.size:
        raise BundleError("not a zip archive, or cut short")
    end = _END_RECORD.unpack(_read(file, size - _END_RECORD.size, _END_RECORD.size))
    magic, disk, first_disk, here, entries, length, start, comment = end
    if magic != b"PK\x05\x06" or comment:
        raise BundleError("not a zip archive, or cut short (its end record is missing)")
    if disk or first_disk or here != entries:
        raise BundleError("an archive of several parts is not read")
    if entries > MAX_ENTRIES:
        raise BundleError(f"{entries} files in the archive; up to {MAX_ENTRIES} are read")
    if length > entries * (_CENTRAL.size + MAX_NAME + 1):
        raise BundleError("the archive's directory is refused: names too long, or more in it than files")
    if start + length + _END_RECORD.size != size:
        raise BundleError("the archive has bytes before, between or after its parts")
    return size, entries, _read(file, start, length)


def _entry(file: BinaryIO, directory: bytes, at: int) -> tuple[_Entry, bytes]:
    """The first entry of the directory, whose header must be the same and stand at `at`; the rest of the directory."""
    if len(directory) < _CENTRAL.size:
        raise BundleError("the archive's directory is cut short")
    magic, _made_by, *fields, extra, comment, disk, _internal, mode, offset = _CENTRAL.unpack_from(directory)
    _version, flags, method, _time, _date, crc, packed, size, name_size = fields
    raw = directory[_CENTRAL.size : _CENTRAL.size + name_size]
    name = raw.decode("latin-1")
    if magic != b"PK\x01\x02" or len(raw) != name_size:
        raise BundleError("the archive's directory cannot be read")
    _check_name(name.removesuffix("/"))
    _check_kind(name, flags, method, mode >> 16, packed, size)
    if extra or comment or disk:
        raise BundleError(f"{name!r} has extra fields or a comment in the archive: Rimelog writes none")
    if offset != at:
        raise BundleError(f"{name!r} overlaps another file of the archive, or something is before it")
    header = _LOCAL.unpack(_read(file, at, _LOCAL.size))
    if header != (b"PK\x03\x04", *fields, 0) or _read(file, at + _LOCAL.size, name_size) != raw:
        raise BundleError(f"{name!r} is described in two ways in the archive: its header and the directory differ")
    entry = _Entry(name, method, crc, packed, size, at + _LOCAL.size + name_size)
    return entry, directory[_CENTRAL.size + name_size :]


def _check_name(name: str) -> None:
    parts = name.split("/")
    if len(name) > MAX_NAME or len(parts) > 8 or not all(_PART.fullmatch(part) for part in parts):
        raise BundleError(
            f"file name {name[:MAX_NAME]!a} is refused: relative names of letters, digits, space and ._- only"
        )


def _check_kind(name: str, flags: int, method: int, mode: int, packed: int, size: int) -> None:
    is_folder = name.endswith("/")
    if flags & 0x2041:
        raise BundleError(f"{name!r} is encrypted")
    if method not in (_STORED, _DEFLATED):
        raise BundleError(f"{name!r} is packed by a method that is not read (stored and deflated are)")
    if flags & ~_FLAGS:
        raise BundleError(f"{name!r} is written as a stream or in a way that is not read (flags {flags:#06x})")
    if stat.S_IFMT(mode) not in (0, stat.S_IFDIR if is_folder else stat.S_IFREG):
        raise BundleError(f"{name!r} is a link or a special file")
    if is_folder and (size or packed):
        raise BundleError(f"{name!r} is a folder with contents of its own")
    if method == _STORED and packed != size:
        raise BundleError(f"{name!r} is stored as it is, but in another size")
