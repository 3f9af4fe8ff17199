"""Small bundles that would take much memory to check: each holds one thing that grows when it is unpacked or parsed.

Signed with a key of the enemy's own and with manifests that fit, so that every check up to the one meant is passed.
"""

import json
import random
from collections.abc import Callable, Iterator
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from logger.evidence.chain import chained, new_event
from logger.evidence.record_lines import parse_records, record_line
from logger.model.codec import event_from_json
from logger.model.records import NOTE, NewRecord
from tests.export.rebag import Files, put_together, signed_again, taken_apart

ENEMY = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
BYTES = 95_000_000  # unpacked; packed about a two-hundredth
RECORDS = "data/raw/records.jsonl"
CHECKPOINTS = "data/raw/checkpoints.jsonl"


def filled(begin: bytes, again: bytes, end: bytes, size: int = BYTES, odd: bytes = b",%d") -> bytes:
    """`again` repeated, with a long number in `odd` now and then, so that it packs no better than what is allowed."""
    out, chance = bytearray(begin), random.Random(1)
    while len(out) < size:
        out += again * (20_000 // len(again))
        out += odd % chance.randrange(10**150, 10**160)
    return bytes(out + end)


def appended(files: Files, records: Iterator[NewRecord]) -> Files:
    """More records at the end of the chain."""
    *_, last = parse_records([files[RECORDS]])
    lines = [files[RECORDS]]
    head, number = last.digest, last.id
    for record in records:
        number += 1
        made = chained(head, record, number)
        head = made.digest
        lines.append(record_line(made))
    return {**files, RECORDS: b"".join(lines)}


def _t_ns(files: Files) -> int:
    *_, last = parse_records([files[RECORDS]])
    return last.t0_ns


def numbers_in_findings(files: Files) -> Files:
    return {**files, "data/findings.json": filled(b"[0", b",0", b"]")}


def lists_in_job(files: Files) -> Files:
    return {**files, "data/job.json": filled(b"[0", b",[]", b"]")}


def one_line_of_events(files: Files) -> Files:
    return {**files, "data/events.csv": filled(b"", b",0", b"\n")}


def cells_in_readings(files: Files) -> Files:
    return {**files, "data/readings.csv": filled(b"", b",0", b"\n")}


def lines_in_readings(files: Files) -> Files:
    return {**files, "data/readings.csv": filled(b"", b"0\n", b"", odd=b"%d\n")}


def lines_of_checkpoints(files: Files) -> Files:
    line = files[CHECKPOINTS].splitlines(keepends=True)[0]
    return {**files, CHECKPOINTS: line * (BYTES // len(line))}


def empty_lines_of_checkpoints(files: Files) -> Files:
    return {**files, CHECKPOINTS: files[CHECKPOINTS] + filled(b"", b"\n", b"", odd=b"%d\n")}


def nonsense_in_checkpoints(files: Files) -> Files:
    return {**files, CHECKPOINTS: files[CHECKPOINTS] + filled(b"", b"0\n", b"", odd=b"%d\n")}


def a_long_record(files: Files) -> Files:
    return {**files, RECORDS: files[RECORDS] + filled(b'{"id":1', b"0", b"}\n", odd=b"%d")}


def lists_in_a_record(files: Files) -> Files:
    return {**files, RECORDS: files[RECORDS] + filled(b'{"id":[', b"[],", b"0]}\n", 3_900_000, odd=b"%d,")}


def a_note_of_lists(files: Files) -> Files:
    t_ns, many = _t_ns(files), json.loads("[" + "[]," * 300_000 + "0]")
    note = {"type": NOTE, "t_ns": t_ns, "text": "x", "author": "", "more": many}
    return appended(files, iter([new_event(event_from_json(note))]))


def many_notes(files: Files) -> Files:
    t_ns = _t_ns(files)
    note = {"type": NOTE, "text": "x" * 2000, "author": ""}
    return appended(files, (new_event(event_from_json(note | {"t_ns": t_ns + n})) for n in range(10_000)))


def many_small_events(files: Files) -> Files:
    t_ns = _t_ns(files)
    return appended(files, (new_event(event_from_json({"type": "later", "t_ns": t_ns + n})) for n in range(110_000)))


def a_long_report(files: Files) -> Files:
    return {**files, "data/report.pdf": filled(b"", b"0", b"", odd=b"%d")}


HOSTILE: tuple[Callable[[Files], Files], ...] = (
    numbers_in_findings, lists_in_job, one_line_of_events, cells_in_readings, lines_in_readings, lines_of_checkpoints,
    empty_lines_of_checkpoints, nonsense_in_checkpoints, a_long_record, lists_in_a_record, a_note_of_lists, many_notes,
    many_small_events, a_long_report,
)  # fmt: skip


def made_hostile(bundle: Path, change: Callable[[Files], Files], out: Path) -> Path:
    top, files = taken_apart(bundle)
    return put_together(top, signed_again(change(files), ENEMY), out)
