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
_UNREADABLE = (  # what zipfile and zlib raise on damaged or hostile bytes
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    NotImplementedError,
    OSError,
    OverflowError,
    RuntimeError,
    ValueError,
    struct.error,
)
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)


@dataclass(frozen=True, slots=True)
class Source:
    """One file to write. size: bytes the chunks add up to."""

    name: str
    size: int
    chunks: Iterable[bytes]


def write_zip(out: BinaryIO, sources: Iterable[Source]) -> None:
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


class SafeZip:
    """A checked archive. `names`: the files in it, in order. Raises BundleError on anything out of the ordinary."""

    def __init__(self, file: BinaryIO) -> None:
        size = _check_end(file)
        try:
            self._zip = zipfile.ZipFile(file)
            infos = self._zip.infolist()
        except _UNREADABLE as exc:
            raise BundleError(f"not a zip archive that can be read, or cut short: {_short(exc)}") from exc
        seen: set[str] = set()
        total = 0
        for info in infos:
            name = info.orig_filename  # zipfile cuts `filename` at a NUL and turns backslashes round
            _check_name(name.removesuffix("/"))
            _check_kind(info)
            key = name.removesuffix("/").casefold()
            if key in seen:
                raise BundleError(f"{name!r} is in the archive twice")
            seen.add(key)
            total += info.file_size
            if info.file_size > RATIO_FROM and info.file_size > MAX_RATIO * info.compress_size:
                raise BundleError(f"{name!r} would unpack to over {MAX_RATIO} times its size: refused as a zip bomb")
        if total > MAX_BYTES or (total > RATIO_FROM and total > MAX_RATIO * size):
            raise BundleError(f"the archive of {size:,} bytes would unpack to {total:,}: refused as a zip bomb")
        _check_places(infos, size)
        self._infos = {info.filename: info for info in infos if not _is_folder(info)}

    @property
    def names(self) -> list[str]:
        return list(self._infos)

    def size(self, name: str) -> int:
        return self._infos[name].file_size

    def chunks(self, name: str) -> Iterator[bytes]:
        """The file's bytes, never more than announced. Raises BundleError when damaged or cut short."""
        info = self._infos[name]
        left = info.file_size
        try:
            with self._zip.open(info) as entry:
                while chunk := entry.read(CHUNK):
                    left -= len(chunk)
                    if left < 0:
                        raise BundleError(f"{name!r} is longer than the archive says")
                    yield chunk
        except _UNREADABLE as exc:
            raise BundleError(f"{name!r} is damaged in the archive: {_short(exc)}") from exc
        if left:
            raise BundleError(f"{name!r} is shorter than the archive says")

    def read(self, name: str, limit: int) -> bytes:
        """All of a small file. Raises BundleError when it has more than `limit` bytes."""
        if self.size(name) > limit:
            raise BundleError(f"{name!r} has {self.size(name):,} bytes; at most {limit:,} are expected")
        return b"".join(self.chunks(name))


def _check_end(file: BinaryIO) -> int:
    """The archive's size, after a look at its last record, before anything is parsed or allocated by it."""
    size = file.seek(0, 2)
    if size > MAX_BYTES:
        raise BundleError(f"the archive has {size:,} bytes; at most {MAX_BYTES:,} are read")
    if size < _END_RECORD.size:
        raise BundleError("not a zip archive, or cut short")
    file.seek(size - _END_RECORD.size)
    magic, disk, first_disk, here, entries, length, start, comment = _END_RECORD.unpack(file.read(_END_RECORD.size))
    file.seek(0)
    if magic != b"PK\x05\x06" or comment:
        raise BundleError("not a zip archive, or cut short (its end record is missing)")
    if disk or first_disk or here != entries:
        raise BundleError("an archive of several parts is not read")
    if entries > MAX_ENTRIES:
        raise BundleError(f"{entries} files in the archive; at most {MAX_ENTRIES} are read")
    if start + length + _END_RECORD.size != size:
        raise BundleError("the archive has bytes before, between or after its parts")
    return size


def _check_name(name: str) -> None:
    parts = name.split("/")
    if len(name) > MAX_NAME or len(parts) > 8 or not all(_PART.fullmatch(part) for part in parts):
        raise BundleError(
            f"file name {name[:MAX_NAME]!a} is refused: relative names of letters, digits, space and ._- only"
        )


def _is_folder(info: zipfile.ZipInfo) -> bool:
    return info.orig_filename.endswith("/")


def _check_kind(info: zipfile.ZipInfo) -> None:
    name, mode = info.filename, info.external_attr >> 16
    if info.flag_bits & 0x2041:
        raise BundleError(f"{name!r} is encrypted")
    if info.compress_type not in _METHODS:
        raise BundleError(f"{name!r} is packed by a method that is not read (stored and deflated are)")
    if stat.S_IFMT(mode) not in (0, stat.S_IFDIR if _is_folder(info) else stat.S_IFREG):
        raise BundleError(f"{name!r} is a link or a special file")
    if _is_folder(info) and info.file_size:
        raise BundleError(f"{name!r} is a folder with contents of its own")


def _check_places(infos: list[zipfile.ZipInfo], size: int) -> None:
    """Entries one after another from the first byte on: none overlaps another, none lies outside."""
    at = 0
    for info in sorted(infos, key=lambda i: i.header_offset):
        if info.header_offset < at or (at == 0 and info.header_offset):
            raise BundleError(f"{info.filename!r} overlaps another file of the archive, or something stands before it")
        at = info.header_offset + 30 + len(info.filename) + info.compress_size
    if at > size:
        raise BundleError("the archive is cut short")


def _short(exc: Exception) -> str:
    return ascii(str(exc) or type(exc).__name__)[:120]
