"""A night of 12 h, 16 channels at ten scans a second, exported and verified with the commands a user would type."""

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from logger.evidence.sshsig import CHECKPOINT_NAMESPACE, sign
from logger.export.bundle.trusted_keys import signing_key
from tests.benchmarks.replay import record

Row = tuple[str, str, str, bool]
ROOT = Path(__file__).resolve().parent.parent.parent
HOURS = 12


def run() -> list[Row]:
    """Rows of name, value, target, whether it was met."""
    with tempfile.TemporaryDirectory(prefix="rimelog-bench-") as directory:
        place = Path(directory)
        job, out = place / "job.rimelog", place / "out"
        key = signing_key(place / "data")
        record(job, HOURS * 3600, ended=True, sign=lambda message: sign(key, message, CHECKPOINT_NAMESPACE))
        exported_s, exported_mb = _command(place, "export", str(job), "--out", str(out))
        bundle = next(out.glob("*.zip"))
        verified_s, verified_mb = _command(place, "verify", str(bundle))
        size = bundle.stat().st_size
    return [
        _row(f"export of {HOURS} h: bundle of {size / 1e6:.0f} MB", exported_s, exported_mb),
        _row(f"verify that bundle: {HOURS} h computed again", verified_s, verified_mb),
    ]


def _row(what: str, seconds: float, peak_mb: float) -> Row:
    times = HOURS * 3600 / seconds
    return what, f"{seconds:.0f} s, {times:,.0f} x real time, {peak_mb:.0f} MB of memory", "none set", True


def _command(place: Path, *words: str) -> tuple[float, float]:
    """Seconds and MB of memory at most (of this process's children so far) of `rimelog` with these words."""
    environment = {**os.environ, "RIMELOG_DATA": str(place / "data"), "HOME": str(place)}
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-m", "logger", *words], cwd=ROOT, env=environment, check=True, capture_output=True)
    took_s = time.perf_counter() - begun
    return took_s, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
