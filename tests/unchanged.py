"""Are the results what they were? `python -m tests.unchanged` replays kept records and compares, line by line.

`fixtures/kept/<version>/` holds records made by that version of the program and, beside each, what it made of them:
`name.zip` (a whole bundle) or `name.jsonl.xz` (records alone, without digests) and `name.json`. Compared are the bytes
of readings.csv and events.csv, and every finding's stage, key, verdict and numbers in order. Wording is not, nor are
numbers that a finding has besides those kept. Exit status 1 with the first differences when something changed.

`--out FOLDER` writes the files made, to be compared with another commit's. `--keep FILE` writes `name.json` for a new
record: only once, when a version is released, never to make a difference go away.
"""

import argparse
import hashlib
import json
import lzma
import math
import sys
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

from logger.evidence.bagit import PAYLOAD, Bag
from logger.evidence.chain import GENESIS, chained
from logger.evidence.record_lines import parse_records
from logger.evidence.safezip import SafeZip
from logger.export.bundle.across_versions import Found, Number, found_in
from logger.export.bundle.derived import FINDINGS, READINGS, Derived
from logger.export.bundle.write import RECORDS
from logger.export.replayed import replay_job
from logger.export.story import Story
from logger.model.records import FRAMES, NewRecord, Record
from logger.pipeline.engine import Engine

KEPT = Path(__file__).parent / "fixtures" / "kept"
EVENTS = "events.csv"
BLOCK_LINES = 50  # a hash and the first line of each such block are kept of a file
RELATIVE = 1e-7  # two computers may round a logarithm differently
MAX_SHOWN = 5


@dataclass(frozen=True, slots=True)
class Made:
    """files: name -> lines. total_s, analysis_s: what replay and analyses took, and the analyses of it."""

    files: dict[str, list[bytes]]
    found: list[Found]
    frames: int
    total_s: float
    analysis_s: float


def fixture_records() -> list[Path]:
    return sorted([*KEPT.glob("*/*.zip"), *KEPT.glob("*/*.jsonl.xz")])


def name_of(path: Path) -> str:
    return path.name.removesuffix(".zip").removesuffix(".jsonl.xz")


def read_records(path: Path) -> tuple[Record, ...]:
    """Records of a bundle as they are; records alone are chained here, since digests cannot be packed."""
    if path.suffix == ".zip":
        with path.open("rb") as file:
            return tuple(parse_records(Bag(SafeZip(file)).chunks(PAYLOAD + RECORDS)))
    records: list[Record] = []
    for r in parse_records([lzma.decompress(path.read_bytes())]):
        new = NewRecord(r.kind, r.device, r.t0_ns, r.n, r.offsets, r.payload)
        records.append(chained(records[-1].digest if records else GENESIS, new, len(records) + 1))
    return tuple(records)


def make(records: tuple[Record, ...]) -> Made:
    """What this tree makes of the records."""
    story, analysis_s = Story(), 0.0
    for _ in story.passing(records):
        pass
    analysed = Engine.final_result

    def timed(*args: Any) -> Any:
        nonlocal analysis_s
        begin = time.perf_counter()
        try:
            return analysed(*args)
        finally:
            analysis_s += time.perf_counter() - begin

    begin = time.perf_counter()
    with patch.object(Engine, "final_result", timed):
        derived = Derived(story, lambda: iter(records), replay_job)
    total_s = time.perf_counter() - begin
    small = derived.small()
    files = {READINGS: list(derived.readings()), EVENTS: small[EVENTS].splitlines(keepends=True)}
    frames = sum(record.n for record in records if record.kind == FRAMES)
    # A stage's own verdict follows from its findings'.
    found = [one for one in found_in(json.loads(small[FINDINGS])) if one[1] != "verdict"]
    return Made(files, found, frames, total_s, analysis_s)


def digest_of(lines: Iterable[bytes]) -> str:
    return hashlib.sha256(b"".join(lines)).hexdigest()


def summary(made: Made) -> dict[str, Any]:
    """As kept beside the records."""
    files = {}
    for name, lines in made.files.items():
        blocks = [lines[i : i + BLOCK_LINES] for i in range(0, len(lines), BLOCK_LINES)]
        files[name] = {
            "sha256": digest_of(lines),
            "lines": len(lines),
            "blocks": [[digest_of(block)[:12], block[0].decode().rstrip()] for block in blocks],
        }
    return {"files": files, "found": made.found}


def differences(recorded: dict[str, Any], made: Made) -> Iterator[str]:
    for name, file in recorded["files"].items():
        yield from _file_differences(name, file, made.files[name])
    yield from _found_differences([(s, k, v, [(x, u) for x, u in n]) for s, k, v, n in recorded["found"]], made.found)


def _file_differences(name: str, recorded: dict[str, Any], lines: list[bytes]) -> Iterator[str]:
    if digest_of(lines) == recorded["sha256"]:
        return
    if len(lines) != recorded["lines"]:
        yield f"{name}: {len(lines)} lines, kept are {recorded['lines']}"
    for i, (digest, first) in enumerate(recorded["blocks"]):
        begin = i * BLOCK_LINES
        block = lines[begin : begin + BLOCK_LINES]
        if digest_of(block)[:12] == digest:
            continue
        now = block[0].decode().rstrip() if block else "nothing"
        if now != first:
            yield f"{name} line {begin + 1}: kept {first!r}, now {now!r}"
        else:
            yield f"{name} lines {begin + 1} to {begin + len(block)}: changed after the first (see --out)"


def _found_differences(recorded: list[Found], made: list[Found]) -> Iterator[str]:
    a, b = ([(stage, key, verdict) for stage, key, verdict, _ in found] for found in (recorded, made))
    if a != b:
        i = next((i for i, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), min(len(a), len(b)))
        yield f"finding {i + 1}: kept {a[i] if i < len(a) else None}, now {b[i] if i < len(b) else None}"
        return
    for (stage, key, _, before), (_, _, _, now) in zip(recorded, made, strict=True):
        missing = first_missing(before, now)
        if missing is not None:
            yield f"stage {stage}, {key}: kept {before[missing]} (value {missing + 1}) is not among {now}, in order"


def first_missing(recorded: list[Number], made: list[Number]) -> int | None:
    """The first value of `recorded` that does not follow in `made`, which may have others between them."""
    rest = iter(made)
    for i, pair in enumerate(recorded):
        if not any(_same(pair, other) for other in rest):
            return i
    return None


def _same(a: Number, b: Number) -> bool:
    return all(
        x is y if x is None or y is None else math.isclose(x, y, rel_tol=RELATIVE) for x, y in zip(a, b, strict=True)
    )


def expected_path(path: Path) -> Path:
    return path.with_name(name_of(path) + ".json")


def expected(path: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(expected_path(path).read_text(encoding="utf-8"))
    return data


def keep(path: Path) -> None:
    """Raises FileExistsError: what a version made of a record is written once."""
    with expected_path(path).open("x", encoding="utf-8") as file:
        text = json.dumps(summary(make(read_records(path))), separators=(",", ":"), ensure_ascii=False)
        file.write(text.replace('["', '\n["').replace("[null,", "\n[null,") + "\n")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.unchanged", description=str(__doc__).partition("\n")[0])
    parser.add_argument("--out", type=Path, help="folder for the files made")
    parser.add_argument("--keep", type=Path, help="record whose results are to be kept from now on")
    args = parser.parse_args()
    if args.keep is not None:
        keep(args.keep)
        return 0
    changed = False
    frames, total_s, analysis_s = 0, 0.0, 0.0
    for path in fixture_records():
        made = make(read_records(path))
        frames, total_s, analysis_s = frames + made.frames, total_s + made.total_s, analysis_s + made.analysis_s
        if args.out is not None:
            folder = args.out / path.parent.name / name_of(path)
            folder.mkdir(parents=True, exist_ok=True)
            for name, lines in made.files.items():
                (folder / name).write_bytes(b"".join(lines))
            (folder / "found.txt").write_text("\n".join(map(str, made.found)) + "\n", encoding="utf-8")
        found = list(differences(expected(path), made))
        changed = changed or bool(found)
        print(f"{path.parent.name}/{name_of(path)}: {'CHANGED' if found else 'the same'}, {made.frames} frames")
        for line in found[:MAX_SHOWN]:
            print(f"    {line}")
        if len(found) > MAX_SHOWN:
            print(f"    and {len(found) - MAX_SHOWN} more differences")
    print(f"analyses {analysis_s * 1000:.0f} ms; replay {frames / max(total_s - analysis_s, 1e-9):,.0f} frames/s")
    return 1 if changed else 0


if __name__ == "__main__":
    sys.exit(main())
