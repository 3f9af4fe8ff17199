"""`python -m tests`: every check of the project, fast ones first. Exit status 0 only if all pass.

Arguments are passed to pytest: `python -m tests -k decay`.
"""

import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CHECKS = (
    ("style", ["ruff", "check", "."]),
    ("layers", ["lint-imports", "--no-cache"]),
    ("types", ["mypy"]),
)


def main() -> int:
    here = Path(sys.executable).parent
    failed = []
    for name, command in CHECKS:
        begun = time.monotonic()
        tool = [str(here / command[0]), *command[1:]]
        done = subprocess.run(tool, cwd=ROOT, capture_output=True, text=True, check=False)
        verdict = "FAILED" if done.returncode else "passed"
        print(f"{name}: {verdict} ({time.monotonic() - begun:.0f} s)", flush=True)
        if done.returncode:
            print(done.stdout + done.stderr)
            failed.append(name)
    tests = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "3", "--dist", "worksteal", *sys.argv[1:]], cwd=ROOT, check=False
    )
    if failed:
        print("failed:", ", ".join(failed))
    return 1 if failed or tests.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
