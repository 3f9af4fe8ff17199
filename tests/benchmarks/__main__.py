"""`python -m tests.benchmarks [name ...]`: every figure that the project promises, beside its target.

Each module here with a `run()` gives rows of (what, measured, target, met); each runs in a process of its own. Where a
target is a ratio both sides are measured in the same run. Exit status 0 only if every target was met.
"""

import argparse
import json
import os
import platform
import sqlite3
import subprocess
import sys
import textwrap
from datetime import UTC, datetime
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
NAMES = (
    "codec", "store", "replay", "daemon", "latency", "refrigerant", "live", "compute", "vacuum", "alarms", "ble",
    "evidence", "register",
)  # fmt: skip
HEADINGS = {"daemon": "logger"}
Row = tuple[str, str, str, bool]
HEAD = """\
# Benchmarks

Written by `python -m tests.benchmarks --markdown docs/benchmarks.md`; `python -m tests.benchmarks NAME` runs a part.
Times are of the best of several rounds where other work on the machine only ever adds; where a target is a ratio, both
sides are measured in turns in the same run. The rig is one device with 16 channels at ten scans a second, of the
sensors in common use; what it measures is invented.

Ingest: both sides get the same readings, each in the form it takes, and commit as often, with `synchronous=FULL`. The
records hold every sample and are what the target is for; overviews can be made from them again, and cost as much once
more because Python looks at every number. At a commit a second most of the time is the disk's, on both sides.
"All of it on": sound, a push to a server, autostop armed, an active alarm, the screen watching.
"""


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="name", help=f"which of: {', '.join(NAMES)} (default: all)")
    parser.add_argument("--markdown", type=Path, metavar="FILE", help="write the table and the machine's facts there")
    args = parser.parse_args()
    unknown = [name for name in args.names if name not in NAMES]
    if unknown:
        parser.error(f"no benchmark {unknown[0]!r}; there are {', '.join(NAMES)}")
    facts, found = machine(), dict[str, list[Row]]()
    for name in args.names or NAMES:
        found[name] = run(name)
        for row in found[name]:
            print("\n".join(_lines(row)), flush=True)
    facts.append(_load("at the end"))
    if args.markdown:
        args.markdown.write_text(page(facts, found), encoding="utf-8")
    missed = [row for rows in found.values() for row in rows if not row[3]]
    print(f"{len(missed)} of {sum(map(len, found.values()))} targets missed" if missed else "every target met")
    return 1 if missed else 0


def run(name: str) -> list[Row]:
    """The rows of one module; what goes wrong in it is a row too."""
    code = f"import json; from tests.benchmarks import {name}; print(json.dumps({name}.run()))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        why = done.stderr.strip().rpartition("\n")[2] or f"status {done.returncode}"
        return [(f"{name}: could not be measured", why, "", False)]
    return [(what, measured, target, met) for what, measured, target, met in json.loads(done.stdout.splitlines()[-1])]


def _lines(row: Row) -> list[str]:
    """Two columns and what follows, in 120."""
    what, measured, target, met = row
    left, right = textwrap.wrap(what, 44) or [""], textwrap.wrap(f"{measured}   [{target}]", 62) or [""]
    size = max(len(left), len(right))
    mark = ["ok" if met else "MISSED"] + [""] * (size - 1)
    left, right = left + [""] * (size - len(left)), right + [""] * (size - len(right))
    return [f"{a:46}{b:64}{m}".rstrip() for a, b, m in zip(left, right, mark, strict=True)]


def machine() -> list[str]:
    """What the figures depend on."""
    return [
        f"{_processor()}, {os.cpu_count()} processors, {_memory()}",
        f"{platform.system()} {platform.release()}, Python {platform.python_version()}, SQLite "
        f"{sqlite3.sqlite_version}",
        f"measured {datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
        _load("at the start"),
    ]  # fmt: skip


def _load(when: str) -> str:
    """How busy the machine was with other work: 0 is quiet."""
    if not hasattr(os, "getloadavg"):
        return f"load {when}: not known here"
    return f"load average {when}: {os.getloadavg()[0]:.1f} of {os.cpu_count()} processors"


def _processor() -> str:
    path = Path("/proc/cpuinfo")
    lines = path.read_text().splitlines() if path.exists() else []
    model = next((line.partition(":")[2].strip() for line in lines if line.startswith("model name")), "")
    return model or platform.processor() or platform.machine()


def _memory() -> str:
    try:
        return f"{os.sysconf('SC_PHYS_PAGES') * os.sysconf('SC_PAGE_SIZE') / 1e9:.0f} GB"
    except (AttributeError, ValueError, OSError):
        return "memory not known"


def page(facts: list[str], found: dict[str, list[Row]]) -> str:
    lines = [HEAD, *(f"- {fact}" for fact in facts)]
    for name, rows in found.items():
        lines += ["", f"## {HEADINGS.get(name, name)}", "", "| what | measured | target | |", "|---|---|---|---|"]
        lines += [f"| {row[0]} | {row[1]} | {row[2]} | {'met' if row[3] else '**missed**'} |" for row in rows]
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    sys.exit(main())
