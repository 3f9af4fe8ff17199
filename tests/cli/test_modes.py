"""Whatever the umask: what the program makes for itself is its user's alone, and nothing can be written by others."""

import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from tests.end_to_end.running import environment, until

pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX permissions")


def rimelog(place: Path, *words: str) -> None:
    command = [sys.executable, "-c", "import os; os.umask(0); from logger.cli import main; main()", *words]
    done = subprocess.run(command, env=environment(place), cwd=place, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_a_umask_of_nothing_opens_nothing(tmp_path: Path) -> None:
    rimelog(tmp_path, "cylinder", "add", "yellow 1", "--tare", "25lb", "--water-capacity", "47.6lb",
            "--service-pressure", "400psi")  # fmt: skip
    rig = tmp_path / "rig.toml"
    rig.write_text('[rig]\nname = "none"\n\n[[device]]\nname = "scale"\nurl = "socket://127.0.0.1:1"\n')
    command = [
        sys.executable, "-c", "import os; os.umask(0); from logger.cli import main; main()", "run", str(rig),
        "--refrigerant", "R-407C", "--job", "job-1", "--no-sound",
    ]  # fmt: skip
    jobs = tmp_path / "data" / "jobs" / "job-1"
    with subprocess.Popen(command, env=environment(tmp_path), cwd=tmp_path, stdout=subprocess.DEVNULL) as daemon:
        until(lambda: (jobs / "daemon.json").is_file() and (jobs / "checkpoints.jsonl").is_file(), "it runs")
        _all_private(tmp_path / "data")
        daemon.terminate()
    rimelog(tmp_path, "copy", "job-1", "backup/of/it")
    rimelog(tmp_path, "close", "job-1")
    rimelog(tmp_path, "export", "job-1", "--out", "bundles")
    _all_private(tmp_path / "data")
    _all_private(tmp_path / "backup")
    assert all(not _mode(path) & 0o022 for path in (tmp_path / "bundles", *(tmp_path / "bundles").iterdir()))


def _mode(path: Path) -> int:
    return stat.S_IMODE(path.lstat().st_mode)


def _all_private(folder: Path) -> None:
    there = [folder, *folder.rglob("*")]
    assert [(str(path), oct(_mode(path))) for path in there if path.is_dir() and _mode(path) != 0o700] == []
    assert [(str(path), oct(_mode(path))) for path in there if _mode(path) & 0o022] == []
    if folder.name != "data":
        return
    secret = [path for path in there if path.name in ("cylinders.toml", "signing_key", "daemon.json")]
    assert secret and [path for path in secret if _mode(path) != 0o600] == []
