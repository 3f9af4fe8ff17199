"""Small bundles that would take gigabytes to check are refused in words, and in little memory."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from logger.export.bundle.outcome import EXIT_STATUS, Result
from tests.export.hostile import HOSTILE, made_hostile
from tests.export.invented import short_job
from tests.export.test_bundle import checkpoint_at, exported

MAX_MB = 200
CHECK = """
import sys
from pathlib import Path
from logger.export.bundle.verify import verify_bundle
from tests.export.invented import replay
for name in sys.argv[1:]:
    report = verify_bundle(Path(name), replay)
    peak = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    print(report.exit_status, peak.split()[1], Path(name).stem)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="asks /proc for its peak")
def test_no_small_bundle_takes_much_memory(tmp_path: Path) -> None:
    rec = short_job()
    honest = exported(tmp_path, rec, checkpoint_at(rec, 20)).bundle
    bundles = [made_hostile(honest, change, tmp_path / f"{change.__name__}.zip") for change in HOSTILE]
    done = subprocess.run(
        [sys.executable, "-c", CHECK, honest, *bundles], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    lines = [line.split() for line in done.stdout.splitlines()]
    assert lines[0][0] == str(EXIT_STATUS[Result.HOLDS_BUT])  # it has no report
    assert {status for status, *_ in lines[1:]} == {str(EXIT_STATUS[Result.FAILS])}
    assert len(lines) == len(HOSTILE) + 1 and all(int(kilobytes) < MAX_MB * 1000 for _, kilobytes, _ in lines), lines
