"""`python -m tests`: every check of the project. Exit status 0 only if all pass.

The suite, then in a job of their own the tests that run whole programs against the clock. Arguments are passed to
pytest, which then runs once: `python -m tests -k decay`.
"""

import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from subprocess import PIPE, STDOUT

ROOT = Path(__file__).resolve().parent.parent
HOW = """Set up and run the checks, in the clone's own directory, by (README, "Run the tests"):
    python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/python -m tests
Windows PowerShell:
    py -3 -m venv .venv; .venv\\Scripts\\pip install -q -e '.[test]'; .venv\\Scripts\\python -m tests"""
PROGRAM = ("logger", "firmware_protocol", "sim_device")
CHECKS = (
    ("style", ["ruff", "check", "."]),
    ("layers", ["lint-imports", "--no-cache"]),
    ("types", ["mypy"]),
    # What each system is said to have; each with the cache of its own that a change of system needs.
    ("types on Windows", ["mypy", "--platform", "win32", "--cache-dir", ".mypy_cache/win32", *PROGRAM]),
    ("types on macOS", ["mypy", "--platform", "darwin", "--cache-dir", ".mypy_cache/darwin", *PROGRAM]),
)
FAILED = 1  # pytest's exit status for tests that failed, and nothing worse
REAL_TIME = tuple(f"tests/{room}/" for room in ("annunciate", "api", "app", "cli", "end_to_end", "firmware", "link"))
MAX_AGAIN = 5
WHOLE_PROGRAMS = ("tests/end_to_end", "tests/firmware", "tests/link/ble/test_ble_end_to_end.py")
BY_FILES = ("--dist", "loadfile", "--no-loadscope-reorder")  # what a file's tests share is made once
JOBS = {
    "suite": [*BY_FILES, *(f"--ignore={place}" for place in WHOLE_PROGRAMS)],
    "whole programs": ["-n", "3", *BY_FILES, *WHOLE_PROGRAMS],  # each is several processes
}


def main() -> int:
    here = str(Path(sys.executable).parent)
    tools = {command[0]: shutil.which(command[0], path=here) for _, command in CHECKS}
    missing = [name for name, found in tools.items() if found is None]
    missing += [name for name in ("pytest", "xdist", "hypothesis") if importlib.util.find_spec(name) is None]
    if missing:
        print(f"Not installed for {sys.executable}: {', '.join(missing)}. {HOW}", file=sys.stderr)
        return 2
    # Compiled once, not by each worker and each program that a test starts.
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    begun = time.monotonic()
    running = [
        (
            name,
            subprocess.Popen(
                [tools[command[0]] or command[0], *command[1:]], cwd=ROOT, text=True, stdout=PIPE, stderr=STDOUT
            ),
        )
        for name, command in CHECKS
    ]
    if not any(ROOT.glob("tests/__pycache__/*-pytest-*.pyc")):
        compiles = [sys.executable, "-m", "pytest", "-q", "--collect-only"]
        subprocess.run(compiles, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, check=False)
    failed = []
    for name, process in running:
        said, _ = process.communicate()
        print(f"{name}: {'FAILED' if process.returncode else 'passed'} ({time.monotonic() - begun:.0f} s)", flush=True)
        if process.returncode:
            print(said)
            failed.append(name)
    for name, chosen in {"tests": sys.argv[1:]}.items() if sys.argv[1:] else JOBS.items():
        job_begun = time.monotonic()
        status = _tests(env, chosen)
        print(f"{name}: {'FAILED' if status else 'passed'} ({time.monotonic() - job_begun:.0f} s)", flush=True)
        if status:
            failed.append(name)
    if failed:
        print("failed:", ", ".join(failed))
    return 1 if failed else 0


def _tests(env: dict[str, str], chosen: list[str]) -> int:
    """Exit status of pytest; a few that failed in real time, beside four others, have a second try by themselves."""
    pytest = [sys.executable, "-m", "pytest", "-q"]
    with tempfile.TemporaryDirectory() as cache:  # what failed this time, not in an earlier run
        command = [*pytest, "-n", "4", "--dist", "worksteal", "-o", f"cache_dir={cache}", *chosen]
        status = subprocess.run(command, cwd=ROOT, env=env, check=False).returncode
        found = Path(cache, "v", "cache", "lastfailed")
        failures = sorted(json.loads(found.read_text("utf-8"))) if found.is_file() else []
    if status != FAILED or not 0 < len(failures) <= MAX_AGAIN or not all(map(in_real_time, failures)):
        return status
    status = subprocess.run([*pytest, *failures], cwd=ROOT, env=env, check=False).returncode
    if status == 0:
        print("passed by themselves, failed beside others:", ", ".join(failures))
    return status


def in_real_time(test: str) -> bool:
    """Whether it runs programs against the clock, where a busy computer can be too slow for it."""
    return test.startswith(REAL_TIME)


if __name__ == "__main__":
    sys.exit(main())
