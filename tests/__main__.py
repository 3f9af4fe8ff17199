"""`python -m tests`: every check of the project, fast ones first. Exit status 0 only if all pass.

Arguments are passed to pytest: `python -m tests -k decay`.
"""

import importlib.util
import shutil
import subprocess
import sys
import time
from pathlib import Path

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
    failed = []
    for name, command in CHECKS:
        begun = time.monotonic()
        tool = [tools[command[0]] or command[0], *command[1:]]
        done = subprocess.run(tool, cwd=ROOT, capture_output=True, text=True, check=False)
        verdict = "FAILED" if done.returncode else "passed"
        print(f"{name}: {verdict} ({time.monotonic() - begun:.0f} s)", flush=True)
        if done.returncode:
            print(done.stdout + done.stderr)
            failed.append(name)
    tests = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-n", "4", "--dist", "worksteal", *sys.argv[1:]], cwd=ROOT, check=False
    )
    if failed:
        print("failed:", ", ".join(failed))
    return 1 if failed or tests.returncode else 0


if __name__ == "__main__":
    sys.exit(main())
