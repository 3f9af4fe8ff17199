"""The bag and its archive: what we write is reproducible and plain, what an enemy writes is refused in words."""

import io
import struct
import subprocess
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence import bagit, safezip
from logger.evidence.bagit import Bag, digest_of, tag_files
from logger.evidence.errors import BundleError
from logger.evidence.safezip import FileSource, SafeZip, write_zip
from tests.tools import needs

PAYLOAD = {"readings.csv": b"time,a\n" * 1000, "records/segments.jsonl": b'{"id":1}\n', "empty.txt": b""}


def bag_files(payload: dict[str, bytes] = PAYLOAD) -> dict[str, bytes]:
    digests = {name: digest_of([data]) for name, data in payload.items()}
    tags = tag_files(digests, [("External-Identifier", "job-1")], {"README.txt": b"read me\n"})
    return {**tags, **{f"data/{name}": data for name, data in payload.items()}}


def packed(files: dict[str, bytes], top: str = "bag") -> bytes:
    out = io.BytesIO()
    write_zip(out, [FileSource(f"{top}/{name}", len(data), [data]) for name, data in files.items()])
    return out.getvalue()


def opened(data: bytes) -> Bag:
    return Bag(SafeZip(io.BytesIO(data)))


def foreign(*entries: tuple[str | zipfile.ZipInfo, bytes]) -> bytes:
    """An archive as any other program might write it."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return out.getvalue()


def test_same_contents_same_bytes_and_all_holds() -> None:
    data = packed(bag_files())
    assert data == packed(bag_files())
    bag = opened(data)
    assert bag.top == "bag"
    assert bagit.tag_problems(bag) == []
    assert bagit.payload_problems(bag) == []
    assert b"".join(bag.chunks("data/readings.csv")) == PAYLOAD["readings.csv"]
    assert bag.info()["Payload-Oxum"] == f"{sum(map(len, PAYLOAD.values()))}.3"


def test_stock_sha256sum_checks_both_manifests(tmp_path: Path) -> None:
    with zipfile.ZipFile(io.BytesIO(packed(bag_files()))) as archive:
        archive.extractall(tmp_path)
    command = [
        needs("sha256sum", "checks a bag with none of our code"),
        "--strict",
        "-c",
        "manifest-sha256.txt",
        "tagmanifest-sha256.txt",
    ]
    assert subprocess.run(command, cwd=tmp_path / "bag", capture_output=True).returncode == 0
    (tmp_path / "bag/data/empty.txt").write_text("no longer")
    assert subprocess.run(command, cwd=tmp_path / "bag", capture_output=True).returncode == 1


def test_a_changed_missing_or_added_payload_file_is_told() -> None:
    files = bag_files()
    assert (
        "data/readings.csv was changed"
        in bagit.payload_problems(opened(packed(files | {"data/readings.csv": b"x"})))[0]
    )
    less = {k: v for k, v in files.items() if k != "data/empty.txt"}
    assert "listed but missing" in bagit.payload_problems(opened(packed(less)))[0]
    more = bagit.payload_problems(opened(packed(files | {"data/extra.txt": b"x"})))
    assert "nothing vouches" in more[0] and "Payload-Oxum" in more[1]
    assert "nothing vouches" in bagit.tag_problems(opened(packed(files | {"LOOK.txt": b"x"})))[0]
    assert "README.txt was changed" in bagit.tag_problems(opened(packed(files | {"README.txt": b"x"})))[0]


def test_a_wrong_oxum_with_right_manifests_is_told() -> None:
    files = bag_files()
    info = files["bag-info.txt"].replace(b".3", b".4")
    problems = bagit.payload_problems(opened(packed(files | {"bag-info.txt": info})))
    assert len(problems) == 1 and "Payload-Oxum" in problems[0]


@pytest.mark.parametrize(
    ("manifest", "what"),
    [
        (b"nonsense\n", "line 1"),
        (b"a" * 64 + b"  data/x\n" + b"b" * 64 + b"  data/x\n", "listed twice"),
        (b"a" * 64 + b"  \xff\n", "UTF-8"),
    ],
)
def test_a_manifest_that_cannot_be_read(manifest: bytes, what: str) -> None:
    with pytest.raises(BundleError, match=what):
        bagit.parse_manifest(manifest, "manifest-sha256.txt")


def test_a_manifest_cannot_reach_outside_the_payload() -> None:
    files = bag_files() | {"manifest-sha256.txt": b"a" * 64 + b"  ../../etc/passwd\n"}
    assert "not under data/" in bagit.payload_problems(opened(packed(files)))[0]


@pytest.mark.parametrize(
    "name",
    ["../x", "bag/../../x", "/etc/x", "bag//x", "bag/./x", "C:/x", "bag\\x", "bag/x\x1b[2J", "bag/a\x00b", "bag/x.",
     "bag/ x", "bag/é", "bag/" + "x" * 300, "a/b/c/d/e/f/g/h/i", "bag/=cmd", "", "bag/.hidden"],
)  # fmt: skip
def test_names_that_play_tricks_are_refused(name: str) -> None:
    info = zipfile.ZipInfo("placeholder")
    info.filename = name
    with pytest.raises(BundleError, match=r"refused|not a zip"):
        SafeZip(io.BytesIO(foreign((info, b"x"))))


def test_links_encryption_odd_methods_and_special_files_are_refused() -> None:
    link = zipfile.ZipInfo("bag/link")
    link.external_attr = 0o120777 << 16
    with pytest.raises(BundleError, match="link"):
        SafeZip(io.BytesIO(foreign((link, b"/etc/passwd"))))
    data = bytearray(foreign(("bag/x", b"x")))
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1
    with pytest.raises(BundleError, match="encrypted"):
        SafeZip(io.BytesIO(bytes(data)))
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_LZMA) as archive:
        archive.writestr("bag/x", b"x")
    with pytest.raises(BundleError, match="method"):
        SafeZip(out)


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_one_name_twice_also_in_other_case_is_refused() -> None:
    for second in ("bag/x", "bag/X"):
        with pytest.raises(BundleError, match="twice"):
            SafeZip(io.BytesIO(foreign(("bag/x", b"1"), (second, b"2"))))


def test_bombs_are_refused_before_unpacking(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BundleError, match="zip bomb"):
        SafeZip(io.BytesIO(foreign(("bag/zeros", bytes(10_000_000)))))
    with pytest.raises(BundleError, match="up to"):
        SafeZip(io.BytesIO(foreign(*((f"bag/{i}", b"") for i in range(safezip.MAX_ENTRIES + 1)))))
    monkeypatch.setattr(safezip, "MAX_BYTES", 5000)
    with pytest.raises(BundleError, match="zip bomb"):
        SafeZip(io.BytesIO(foreign(*((f"bag/{i}", bytes(999)) for i in range(6)))))


def test_a_file_that_lies_about_its_size_is_refused() -> None:
    """Header and directory say 5 bytes, the data go on (and the other way round)."""
    for stated, what in ((5, "longer"), (500, "shorter")):
        data = bytearray(foreign(("bag/x", b"0123456789")))
        for at in (data.index(b"PK\x01\x02") + 24, data.index(b"PK\x03\x04") + 22):
            data[at : at + 4] = struct.pack("<I", stated)
        archive = SafeZip(io.BytesIO(bytes(data)))
        with pytest.raises(BundleError, match=what):
            archive.read("bag/x", 1000)


def test_overlapping_files_are_refused() -> None:
    data = bytearray(foreign(("bag/x", b"1" * 50), ("bag/y", b"1" * 50)))
    second = data.index(b"PK\x01\x02", data.index(b"PK\x01\x02") + 1)
    data[second + 42 : second + 46] = struct.pack("<I", 0)
    with pytest.raises(BundleError, match="overlaps"):
        SafeZip(io.BytesIO(bytes(data)))


def test_bytes_before_or_after_the_archive_are_refused() -> None:
    good = foreign(("bag/x", b"1"))
    for data in (b"#!/bin/sh\n" + good, good + b"\n", b"", b"PK"):
        with pytest.raises(BundleError):
            SafeZip(io.BytesIO(data))


# Archives in which different readers find different files. `scanned` is a reader of its own kind: it looks for headers
# wherever they stand and goes by nothing else, as tools for damaged archives and for streams do.


def scanned(data: bytes) -> list[tuple[str, bytes]]:
    found: list[tuple[str, bytes]] = []
    at = -1
    while (at := data.find(b"PK\x03\x04", at + 1)) >= 0:
        name_size, extra_size = struct.unpack_from("<HH", data, at + 26)
        name = data[at + 30 : at + 30 + name_size]
        body = data[at + 30 + name_size + extra_size :]
        try:
            method = struct.unpack_from("<H", data, at + 8)[0]
            size = struct.unpack_from("<I", data, at + 18)[0]
            found.append((name.decode("latin-1"), zlib.decompressobj(-15).decompress(body) if method else body[:size]))
        except zlib.error:
            continue
    return found


def local(name: bytes, body: bytes, extra: bytes = b"") -> bytes:
    crc = zlib.crc32(body)
    fields = (20, 0, 0, 0, 0x21, crc, len(body), len(body), len(name), len(extra))
    return struct.pack("<4s5H3L2H", b"PK\x03\x04", *fields) + name + extra + body


def central(name: bytes, body: bytes, offset: int, extra: bytes = b"", comment: bytes = b"") -> bytes:
    fields = (20, 20, 0, 0, 0, 0x21, zlib.crc32(body), len(body), len(body), len(name), len(extra), len(comment))
    return struct.pack("<4s6H3L5H2L", b"PK\x01\x02", *fields, 0, 0, 0, offset) + name + extra + comment


def end(count: int, directory: bytes, start: int) -> bytes:
    return struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, count, count, len(directory), start, 0)


TRUE, FORGED = b"the true report", b"a forged report"
NAME = b"bag/report.pdf"
HIDDEN = local(NAME, FORGED)


def with_a_gap() -> bytes:
    first = local(b"bag/x", b"1")
    directory = central(b"bag/x", b"1", 0) + central(NAME, TRUE, len(first + HIDDEN))
    body = first + HIDDEN + local(NAME, TRUE)
    return body + directory + end(2, directory, len(body))


def with_a_gap_before_the_directory() -> bytes:
    body, directory = local(NAME, TRUE) + HIDDEN, central(NAME, TRUE, 0)
    return body + directory + end(1, directory, len(body))


def in_an_extra_field() -> bytes:
    extra = struct.pack("<HH", 0x5244, len(HIDDEN)) + HIDDEN
    body, directory = local(NAME, TRUE, extra), central(NAME, TRUE, 0)
    return body + directory + end(1, directory, len(body))


def in_an_extra_field_of_the_directory() -> bytes:
    extra = struct.pack("<HH", 0x5244, len(HIDDEN)) + HIDDEN
    body, directory = local(NAME, TRUE), central(NAME, TRUE, 0, extra)
    return body + directory + end(1, directory, len(body))


def in_a_comment_of_the_directory() -> bytes:
    body, directory = local(NAME, TRUE), central(NAME, TRUE, 0, comment=HIDDEN)
    return body + directory + end(1, directory, len(body))


def after_the_stream() -> bytes:
    """Packed bytes that end before the entry does: what stands behind their end is read by nobody but a scanner."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = packer.compress(TRUE) + packer.flush() + HIDDEN
    fields = (20, 0, 8, 0, 0x21, zlib.crc32(TRUE), len(packed), len(TRUE), len(NAME), 0)
    body = struct.pack("<4s5H3L2H", b"PK\x03\x04", *fields) + NAME + packed
    directory = struct.pack("<4s6H3L5H2L", b"PK\x01\x02", 20, *fields, 0, 0, 0, 0, 0) + NAME
    return body + directory + end(1, directory, len(body))


def under_two_names() -> bytes:
    body = local(b"bag/report.txt", TRUE) + local(NAME, FORGED)
    directory = central(NAME, TRUE, 0)[:-1] + b"f" + central(b"bag/other.pdf", FORGED, len(local(NAME, TRUE)))
    return body + directory + end(2, directory, len(body))


def with_two_directories() -> bytes:
    """Both whole, one over the forged file and one over the true."""
    first, first_directory = HIDDEN, central(NAME, FORGED, 0)
    body = first + first_directory + end(1, first_directory, len(first)) + local(NAME, TRUE)
    directory = central(NAME, TRUE, len(body) - len(local(NAME, TRUE)))
    return body + directory + end(1, directory, len(body))


def in_the_end_records_comment() -> bytes:
    body, directory = local(NAME, TRUE), central(NAME, TRUE, 0)
    record = bytearray(end(1, directory, len(body)))
    record[-2:] = struct.pack("<H", len(HIDDEN))
    return body + directory + bytes(record) + HIDDEN


def out_of_order() -> bytes:
    body = HIDDEN + local(NAME, TRUE)
    directory = central(NAME, TRUE, len(HIDDEN)) + central(NAME, FORGED, 0)
    return body + directory + end(2, directory, len(body))


def as_a_stream() -> bytes:
    """Sizes after the data: a reader has to guess where the file ends."""
    fields = (20, 8, 0, 0, 0x21, 0, 0, 0, len(NAME), 0)
    described = struct.pack("<4sLLL", b"PK\x07\x08", zlib.crc32(TRUE), len(TRUE), len(TRUE))
    body = struct.pack("<4s5H3L2H", b"PK\x03\x04", *fields) + NAME + TRUE + described
    directory = bytearray(central(NAME, TRUE, 0))
    directory[8:10] = struct.pack("<H", 8)
    return body + bytes(directory) + end(1, bytes(directory), len(body))


POLYGLOTS = (
    with_a_gap, with_a_gap_before_the_directory, in_an_extra_field, in_an_extra_field_of_the_directory,
    in_a_comment_of_the_directory, after_the_stream, under_two_names, with_two_directories,
    in_the_end_records_comment, out_of_order, as_a_stream,
)  # fmt: skip


@pytest.mark.parametrize("made", POLYGLOTS, ids=lambda made: made.__name__)
def test_an_archive_that_two_readers_may_read_differently_is_refused(made: Callable[[], bytes]) -> None:
    data = made()
    if made is not as_a_stream:
        assert FORGED in [body for _, body in scanned(data)], "the other reader finds the forged file"
    with pytest.raises(BundleError):
        archive = SafeZip(io.BytesIO(data))
        assert archive.read("bag/report.pdf", 1000) == TRUE
    plain, directory = local(NAME, TRUE), central(NAME, TRUE, 0)
    honest = plain + directory + end(1, directory, len(plain))
    assert SafeZip(io.BytesIO(honest)).read("bag/report.pdf", 1000) == TRUE


LOCAL, CENTRAL, END = b"PK\x03\x04", b"PK\x01\x02", b"PK\x05\x06"
HONEST = local(NAME, TRUE) + central(NAME, TRUE, 0) + end(1, central(NAME, TRUE, 0), len(local(NAME, TRUE)))
FOLDER = b"bag/data/"
A_FOLDER = local(FOLDER, b"") + central(FOLDER, b"", 0) + end(1, central(FOLDER, b"", 0), len(local(FOLDER, b"")))


def patched(data: bytes, *patches: tuple[bytes, int, str, int]) -> io.BytesIO:
    """Each: (record, offset in it, form of the field, value)."""
    out = bytearray(data)
    for magic, offset, form, value in patches:
        struct.pack_into(form, out, data.rindex(magic) + offset, value)
    return io.BytesIO(bytes(out))


def flags(value: int) -> tuple[tuple[bytes, int, str, int], ...]:
    return (LOCAL, 6, "<H", value), (CENTRAL, 8, "<H", value)


def mode(value: int) -> tuple[tuple[bytes, int, str, int], ...]:
    return ((CENTRAL, 38, "<L", value << 16),)


@pytest.mark.parametrize(
    ("data", "patches", "why"),
    [
        (HONEST, (), None), (A_FOLDER, (), None),
        (HONEST, flags(0x0002), None), (HONEST, flags(0x0004), None), (HONEST, flags(0x0800), None),
        (HONEST, flags(0x0001), "encrypted"), (HONEST, flags(0x0040), "encrypted"),
        (HONEST, flags(0x2000), "encrypted"), (HONEST, flags(0x0008), "as a stream"),
        (HONEST, flags(0x0020), "not read"), (HONEST, flags(0x8000), "not read"),
        (HONEST, mode(0o100644), None), (A_FOLDER, mode(0o040755), None),
        (HONEST, mode(0o040755), "special file"), (A_FOLDER, mode(0o100644), "special file"),
        (HONEST, mode(0o120777), "link"), (HONEST, mode(0o020666), "special file"),
        (A_FOLDER, ((LOCAL, 22, "<L", 1), (CENTRAL, 24, "<L", 1)), "contents of its own"),
        (A_FOLDER, ((LOCAL, 18, "<L", 1), (CENTRAL, 20, "<L", 1)), "contents of its own"),
        (HONEST, ((LOCAL, 22, "<L", 99), (CENTRAL, 24, "<L", 99)), "in another size"),
        (HONEST, ((CENTRAL, 30, "<H", 1),), "extra fields"), (HONEST, ((CENTRAL, 32, "<H", 1),), "a comment"),
        (HONEST, ((CENTRAL, 34, "<H", 1),), "extra fields"), (HONEST, ((CENTRAL, 42, "<L", 1),), "overlaps"),
        (HONEST, ((END, 4, "<H", 1),), "several parts"), (HONEST, ((END, 6, "<H", 1),), "several parts"),
        (HONEST, ((END, 8, "<H", 2),), "several parts"), (HONEST, ((END, 10, "<H", 2),), "several parts"),
        (HONEST, ((END, 8, "<H", 2), (END, 10, "<H", 2)), "does not fit its files"),
        (HONEST, ((END, 20, "<H", 1),), "end record is missing"),
        (HONEST, ((END, 0, "<H", 1),), "end record is missing"),
        (HONEST, ((END, 16, "<L", 1),), "before, between or after"),
        (HONEST, ((END, 12, "<L", 1),), "before, between or after"),
        (HONEST, ((END, 12, "<L", 2**20),), "names too long"),
        (end(0, b"", 0), (), None), (end(0, b"", 0)[1:], (), "cut short"),
    ],
)  # fmt: skip
def test_each_field_that_is_out_of_the_ordinary_is_refused(
    data: bytes, patches: tuple[tuple[bytes, int, str, int], ...], why: str | None
) -> None:
    if why is None:
        assert SafeZip(patched(data, *patches)).names == ([NAME.decode()] if data is HONEST else [])
        return
    with pytest.raises(BundleError, match=why):
        SafeZip(patched(data, *patches))


@pytest.mark.parametrize(
    ("name", "read"),
    [("x" * 200, True), ("x" * 201, False), ("x" * 200 + "/", True), ("x" * 201 + "/", False),
     ("a/b/c/d/e/f/g/h", True), ("a/b/c/d/e/f/g/h/i", False), ("a", True), ("a b", True), ("a ", False),
     ("a.b", True), ("a.", False), ("_", True), ("-", False)],
)  # fmt: skip
def test_how_long_and_deep_a_name_may_be(name: str, read: bool) -> None:
    raw = name.encode()
    body = local(raw, b"")
    data = io.BytesIO(body + central(raw, b"", 0) + end(1, central(raw, b"", 0), len(body)))
    if read:
        assert SafeZip(data).names == ([] if name.endswith("/") else [name])
        return
    with pytest.raises(BundleError, match="refused"):
        SafeZip(data)


def test_what_is_no_bomb_and_what_is_one_in_many_small_files() -> None:
    """Half a megabyte of nothing is packed a thousandfold, and harmless; ten times as much in parts is not."""
    assert (safezip.MAX_BYTES, safezip.MAX_RATIO) == (2**31 - 1, 250)  # no ZIP64; our own reach some 60
    small = packed({"zeros": bytes(500_000)})
    assert sum(map(len, SafeZip(io.BytesIO(small)).chunks("bag/zeros"))) == 500_000
    with pytest.raises(BundleError, match="would unpack to 5,400,000: refused as a zip bomb"):
        SafeZip(io.BytesIO(packed({f"{i}": bytes(900_000) for i in range(6)})))
    many = packed({f"{i}": b"" for i in range(safezip.MAX_ENTRIES)})
    assert len(SafeZip(io.BytesIO(many)).names) == safezip.MAX_ENTRIES == 100


def test_no_more_is_read_than_was_asked_for() -> None:
    archive = SafeZip(io.BytesIO(HONEST))
    assert archive.size(NAME.decode()) == len(TRUE)
    assert archive.read(NAME.decode(), len(TRUE)) == TRUE
    with pytest.raises(BundleError, match=f"has {len(TRUE)} bytes; up to {len(TRUE) - 1} are expected"):
        archive.read(NAME.decode(), len(TRUE) - 1)


@pytest.mark.parametrize("size", [safezip.CHUNK - 1, safezip.CHUNK, safezip.CHUNK + 1, 2 * safezip.CHUNK])
def test_files_stored_and_packed_are_read_chunk_by_chunk(size: int) -> None:
    body = (bytes(range(251)) * (size // 251 + 1))[:size]
    stored = local(NAME, body) + central(NAME, body, 0) + end(1, central(NAME, body, 0), len(local(NAME, body)))
    for data, name in ((stored, NAME.decode()), (packed({"x": body}), "bag/x")):
        chunks = list(SafeZip(io.BytesIO(data)).chunks(name))
        assert b"".join(chunks) == body
        assert max(map(len, chunks)) <= safezip.CHUNK


def test_an_archive_is_written_in_one_form() -> None:
    with zipfile.ZipFile(io.BytesIO(packed({"x": b"1"}))) as archive:
        (info,) = archive.infolist()
    assert (info.date_time, info.create_system, info.compress_type) == ((1980, 1, 1, 0, 0, 0), 3, zipfile.ZIP_DEFLATED)
    assert info.external_attr == 0o100644 << 16
    assert (info.extra, info.comment) == (b"", b"")


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_headers_and_directory_say_the_same_or_the_archive_is_refused(data: st.DataObject) -> None:
    """Any one field of either changed; only what no reader goes by may differ (versions, attributes)."""
    good = packed({"x": b"1" * 50, "y": b"2" * 50})
    at = good.index(b"PK\x01\x02")
    where = data.draw(st.sampled_from([*range(30), *range(at, len(good))]))
    bad = good[:where] + bytes([good[where] ^ data.draw(st.integers(1, 255))]) + good[where + 1 :]
    unread = {4, 5, 36, 37, 38, 39, 40, 41}  # made by, internal and external attributes
    second = good.index(b"PK\x01\x02", at + 1)
    try:
        archive = SafeZip(io.BytesIO(bad))
    except BundleError:
        return
    assert where - at in unread or where - second in unread
    assert [archive.read(name, 100) for name in archive.names] == [b"1" * 50, b"2" * 50]


@given(st.lists(st.tuples(st.binary(max_size=60), st.integers(0, 40)), min_size=1, max_size=5))
@settings(max_examples=60, deadline=None)
def test_whatever_is_read_the_scanner_reads_too(parts: list[tuple[bytes, int]]) -> None:
    files = {f"f{number}": body * times for number, (body, times) in enumerate(parts)}
    data = packed(files)
    archive = SafeZip(io.BytesIO(data))
    assert [(name, archive.read(name, 10_000)) for name in archive.names] == scanned(data)


def test_two_files_can_be_read_in_turns() -> None:
    one, two = bytes(range(256)) * 4000, bytes(reversed(range(256))) * 4000
    archive = SafeZip(io.BytesIO(packed({"one": one, "two": two})))
    pairs = list(zip(archive.chunks("bag/one"), archive.chunks("bag/two"), strict=True))
    assert b"".join(a for a, _ in pairs) == one and b"".join(b for _, b in pairs) == two


@given(st.data())
@settings(max_examples=150, deadline=None)
def test_cut_or_flipped_archives_give_only_the_stated_error(data: st.DataObject) -> None:
    good = packed(bag_files())
    if data.draw(st.booleans()):
        bad = good[: data.draw(st.integers(0, len(good) - 1))]
    else:
        at = data.draw(st.integers(0, len(good) - 1))
        bad = good[:at] + bytes([good[at] ^ data.draw(st.integers(1, 255))]) + good[at + 1 :]
    try:
        bag = opened(bad)
        found = bagit.tag_problems(bag) + bagit.payload_problems(bag)
        contents = {name: b"".join(bag.chunks(name)) for name in bag.names} if not found else {}
    except BundleError:
        return
    assert found or contents == bag_files()  # what is called whole, is


@given(
    st.dictionaries(st.from_regex(r"[a-z0-9_][a-z0-9_-]{0,20}", fullmatch=True), st.binary(max_size=200), max_size=8)
)
@settings(max_examples=50, deadline=None)
def test_any_payload_comes_back(payload: dict[str, bytes]) -> None:
    bag = opened(packed(bag_files(payload)))
    assert bagit.tag_problems(bag) == bagit.payload_problems(bag) == []
    assert {n[5:]: bag.read(n) for n in bag.names if n.startswith("data/")} == payload


def test_a_zip_that_holds_no_bag_is_refused() -> None:
    for files in ({}, {"bagit.txt": b"x"}):
        with pytest.raises(BundleError):
            opened(packed(files))
    with pytest.raises(BundleError, match="one folder"):
        opened(foreign(("a/x", b""), ("b/x", b"")))
    with pytest.raises(BundleError, match="declare"):
        opened(packed(bag_files() | {"bagit.txt": b"BagIt-Version: 9\n"}))


def test_writing_what_could_not_be_read_back_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BundleError, match="refused"):
        write_zip(io.BytesIO(), [FileSource("../x", 0, [])])
    with pytest.raises(BundleError, match="announced"):
        write_zip(io.BytesIO(), [FileSource("x/y", 3, [b"12"])])
    monkeypatch.setattr(safezip, "MAX_BYTES", 2)
    with pytest.raises(BundleError, match="most one bundle"):
        write_zip(io.BytesIO(), [FileSource("x/y", 3, [b"123"])])
