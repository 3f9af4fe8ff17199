"""From what was watched to the figures that are judged, and the page they are kept on."""

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.soak.record import Found
from tests.soak.run import Plan, Watched

RSS_WITHIN_BYTES = 5e6
P99_STEADY_S = 0.050  # a part's p99 may lie so far above the first part's
PARTS = 6
WARM_UP_S = 300.0  # of real time: histories and SQLite's page cache fill up meanwhile, most of it


@dataclass(frozen=True, slots=True)
class Row:
    what: str
    value: str
    target: str
    met: bool


def judge(plan: Plan, watched: Watched, found: Found) -> list[Row]:
    """The rows of the page. Looks taken while warming up do not count."""
    end_s = plan.record_s
    warm = [check for check in watched.checks if check.at_s >= min(WARM_UP_S * plan.speed, end_s / 4)]
    rss = _parts([(check.at_s, float(check.rss_bytes)) for check in warm], end_s)
    drift = max(rss) - min(rss)
    p99 = [_p99(part) for part in _split(watched.answers, end_s)]
    share = found.file_bytes / found.predicted_bytes
    gaps = ", ".join(f"{cause}: {count}" for cause, count in found.gaps.items()) or "none"
    stored = watched.checks[-1].lost_frames == 0 and found.missing_frames == 0
    spread_mb = (max(check.rss_bytes for check in warm) - min(check.rss_bytes for check in warm)) / 1e6
    return [
        Row("resident memory, median of each sixth after warming up", " ".join(f"{r / 1e6:.1f}" for r in rss) + " MB",
            f"within {RSS_WITHIN_BYTES / 1e6:.0f} MB", drift <= RSS_WITHIN_BYTES),
        Row("largest less smallest of all looks after warming up", f"{spread_mb:.1f} MB",
            f"within {RSS_WITHIN_BYTES / 1e6:.0f} MB", spread_mb <= RSS_WITHIN_BYTES / 1e6),
        Row("file against what its rows, frames unpacked, predict",
            f"{found.file_bytes / 1e6:.2f} MB of {found.predicted_bytes / 1e6:.2f} MB ({share:.0%})",
            "75 % to 105 %", 0.75 <= share <= 1.05),
        Row("frames that the devices made and the file lacks", str(found.missing_frames), "0", stored),
        Row("seconds of a device's time that lack their sample in the file", str(found.missed_s), "0",
            found.missed_s == 0),
        Row("gaps in the record", gaps, "none", not found.gaps),
        Row("answer to `status`, p99 of each sixth", " ".join(f"{p * 1e3:.0f}" for p in p99) + " ms",
            f"the first + {P99_STEADY_S * 1e3:.0f} ms", max(p99) <= p99[0] + P99_STEADY_S),
        Row("the hash chain and its checkpoints", found.chain_problem or "whole", "whole",
            found.chain_problem is None),
        Row("trouble on the way", "; ".join(watched.troubles) or "none", "none", not watched.troubles),
    ]  # fmt: skip


def page(title: str, command: str, notes: Sequence[str], rows: Sequence[Row]) -> str:
    lines = [f"## {title}", "", f"    {command}", "", *(f"- {note}" for note in notes), ""]
    lines += ["| what | measured | target | |", "|---|---|---|---|"]
    lines += [f"| {r.what} | {r.value} | {r.target} | {'met' if r.met else '**missed**'} |" for r in rows]
    return "\n".join(lines) + "\n"


HEAD = """\
# Soak

A simulated plant (invented) on pseudo-terminals and the logger, two processes; a third watches the logger from
outside and reads the finished file. Every number here was written by the commands named; targets that were missed say
so. Time of the faster run is the record's: logger and plant run on clocks that go faster than the computer's. Warming
up is the first five minutes of a run. The watcher asks five times a second, which is a good part of the CPU time.
"""


def write(path: Path, name: str, text: str) -> None:
    """Put `text` where the page keeps the run of that name."""
    pages = _previous(path)
    pages[name] = text
    body = "\n".join(f"<!-- {key} -->\n{pages[key]}" for key in sorted(pages))
    path.write_text(f"{HEAD}\n{body}", encoding="utf-8")


def _previous(path: Path) -> dict[str, str]:
    if not path.exists():
        return {}
    parts = path.read_text(encoding="utf-8").split("<!-- ")[1:]
    return {name: text.rstrip("\n") + "\n" for name, _, text in (part.partition(" -->\n") for part in parts)}


def _split(pairs: Sequence[tuple[float, float]], end_s: float) -> list[list[float]]:
    parts: list[list[float]] = [[] for _ in range(PARTS)]
    for at_s, value in pairs:
        parts[min(PARTS - 1, int(PARTS * at_s / end_s))].append(value)
    return [part for part in parts if part]


def _parts(pairs: Sequence[tuple[float, float]], end_s: float) -> list[float]:
    return [statistics.median(part) for part in _split(pairs, end_s)]


def _p99(values: Sequence[float]) -> float:
    return sorted(values)[int(0.99 * (len(values) - 1))]
