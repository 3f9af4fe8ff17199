"""The register of ten thousand jobs: made anew from sealed jobs, asked, its size, and `rimelog --help` beside it."""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from logger.clock import local_day
from logger.register.ready_questions import QUESTIONS, put
from logger.register.register import asked, mend, rebuild, register_path
from tests.register.shop import jobs, store

Row = tuple[str, str, str, bool]
JOBS = 10_000
MIN_JOBS_A_S, MAX_QUESTION_S, MAX_MB, MAX_HELP_S = 200.0, 0.2, 100.0, 0.3
ROUNDS = 3


def run() -> list[Row]:
    with tempfile.TemporaryDirectory(prefix="rimelog-register-") as folder:
        data = Path(folder)
        for made in jobs(JOBS):
            store(data, made)
        return [*_made(data), *_asked(data), _help()]


def _made(data: Path) -> list[Row]:
    before_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    begun_s, begun_cpu_s = time.perf_counter(), time.process_time()
    done = rebuild(data)
    took_s, cpu_s = time.perf_counter() - begun_s, time.process_time() - begun_cpu_s
    assert done.jobs == JOBS
    file_mb = register_path(data).stat().st_size / 1e6
    memory_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    a_second = JOBS / took_s
    return [
        (f"register: {JOBS:,} sealed jobs entered", f"{a_second:,.0f} jobs/s ({JOBS / cpu_s:,.0f} by processor time)",
         f"> {MIN_JOBS_A_S:.0f} jobs/s", a_second > MIN_JOBS_A_S),
        ("register: its file", f"{file_mb:.1f} MB", f"< {MAX_MB:.0f} MB", file_mb < MAX_MB),
        ("register: memory to make it", f"{memory_mb:.0f} MB ({memory_mb - before_mb:.0f} more than before)",
         f"< {MAX_MB:.0f} MB", memory_mb < MAX_MB),
    ]  # fmt: skip


def _asked(data: Path) -> list[Row]:
    rows = [("register: looking whether any job changed", _best(lambda: mend(data)))]
    for question in QUESTIONS.values():
        more = {"today": local_day().isoformat()} if "today" in question.options else {}
        rows.append((f"register: ask {question.name}, that look included", _best(
            lambda q=question, m=more: asked(lambda c: put(c, q, **m), data))))  # fmt: skip
    return [(what, f"{s:.3f} s", f"< {MAX_QUESTION_S:g} s", s < MAX_QUESTION_S) for what, s in rows]


def _best(act: object) -> float:
    assert callable(act)
    times = []
    for _ in range(ROUNDS):
        begun_s = time.perf_counter()
        act()
        times.append(time.perf_counter() - begun_s)
    return min(times)


def _help() -> Row:
    command = [sys.executable, "-m", "logger", "--help"]
    took_s = _best(lambda: subprocess.run(command, capture_output=True, check=True))
    loaded = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "logger", "--help"], capture_output=True, text=True, check=True
    ).stderr
    met = took_s < MAX_HELP_S and "sqlite_utils" not in loaded
    return (
        "rimelog --help, with the register's commands",
        f"{took_s:.2f} s",
        f"< {MAX_HELP_S} s, no sqlite-utils",
        met,
    )
