"""`python -m tests.soak`: hours of logging, watched from outside; the figures go into docs/soak.md.

    python -m tests.soak --hours 72 --speed 120       three nights in 36 minutes
    python -m tests.soak --real-minutes 20            in real time, at the devices' own rates

Exit status 0 only if every target was met. Linux only (it reads /proc).
"""

import argparse
import platform
import sys
import tempfile
from pathlib import Path

from logger import __version__
from tests.soak.figures import judge, page, write
from tests.soak.record import read_through
from tests.soak.run import Plan, soak

PAGE = Path(__file__).resolve().parent.parent.parent / "docs" / "soak.md"


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.soak", description=__doc__.splitlines()[0])
    length = parser.add_mutually_exclusive_group(required=True)
    length.add_argument("--hours", type=float, help="of the record, at --speed")
    length.add_argument("--real-minutes", type=float, help="in real time")
    parser.add_argument("--speed", type=float, default=120.0, help="times real time, with --hours (default 120)")
    parser.add_argument("--out", type=Path, default=PAGE, help="page to write (default docs/soak.md)")
    args = parser.parse_args()
    fast = args.hours is not None
    plan = Plan(args.hours * 3600, args.speed, 1.0, False) if fast else Plan(args.real_minutes * 60, 1.0, None, True)
    with tempfile.TemporaryDirectory(prefix="rimelog-soak-") as directory:
        watched, file = soak(plan, Path(directory), lambda text: print(text, flush=True))
        found = read_through(file)
    rows = judge(plan, watched, found)
    length_words = f"--hours {args.hours:g} --speed {args.speed:g}" if fast else f"--real-minutes {args.real_minutes:g}"
    per_hour = watched.cpu_s / (plan.record_s / 3600)
    how = "one scan a second" if fast else "the devices' own rates, the recovery machine's relay held closed"
    notes = [
        f"rimelog {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}",
        f"four devices, {found.frames:,} frames, {found.readings:,} readings, {found.events:,} events, "
        f"{found.records:,} records; {how}",
        f"{found.file_bytes / max(1, found.readings):.1f} bytes of the file for each reading; with so few readings a "
        "second the rows of the record and of its overviews are most of it (16 channels at 10 Hz: the benchmark)",
        f"resident memory from the first look to the last, warming up included: "
        f"{watched.checks[0].rss_bytes / 1e6:.1f} to {watched.checks[-1].rss_bytes / 1e6:.1f} MB",
        f"took {watched.took_s / 60:.1f} min; the logger used {watched.cpu_s:.0f} s of a core, {per_hour:.1f} s an "
        f"hour of the record; {len(watched.answers):,} questions asked",
    ]
    title = f"{args.hours:g} h, {args.speed:g} times real time" if fast else f"{args.real_minutes:g} min in real time"
    text = page(title, f"python -m tests.soak {length_words}", notes, rows)
    write(args.out, "faster" if fast else "real time", text)
    print(text)
    return 0 if all(row.met for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
