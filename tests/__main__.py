"""`python -m tests`: every check of the project. Exit status 0 only if all pass.

Arguments are passed to pytest: `python -m tests -k decay`.
"""

import importlib.util
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from subprocess import PIPE, STDOUT

ROOT = Path(__file__).resolve().parent.parent
HOW = """Set up and run the checks, in the clone's own directory, by (README, "Run the tests"):
    python3 -m venv .venv && .venv/bin/pip install -q -e '.[test]' && .venv/bin/python -m tests
Windows PowerShell:
    py -3 -m venv .venv; .venv\\Scripts\\pip install -q -e '.[test]'; .venv\\Scripts\\python -m tests"""
CHECKS = (
    ("style", ["ruff", "check", "."]),
    ("layers", ["lint-imports", "--no-cache"]),
    ("types", ["mypy"]),
)


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
    workers = ["-n", "4", "--dist", "worksteal"]
    tests = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *workers, *sys.argv[1:]], cwd=ROOT, env=env, check=False
    )
    if failed:
        print("failed:", ", ".join(failed))
    return 1 if failed or tests.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
