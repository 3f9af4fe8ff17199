"""The program's own files never take the place of something else (modes: tests/cli/test_modes.py)."""

import os
import stat
from pathlib import Path

import pytest

from logger.config.private_files import write_private

pytestmark = pytest.mark.skipif(os.name == "nt", reason="modes, links and pipes of a POSIX system")


def test_what_a_link_points_to_is_written_and_the_link_stays(tmp_path: Path) -> None:
    (tmp_path / "synced").mkdir()
    link = tmp_path / "file"
    link.symlink_to(tmp_path / "synced" / "file")
    write_private(link, "text\n")
    assert link.is_symlink()
    assert (tmp_path / "synced" / "file").read_text() == "text\n"


def test_a_pipe_or_device_is_never_replaced(tmp_path: Path) -> None:
    """An administrator could replace /dev/null so."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(FileExistsError):
        write_private(pipe, "text\n")
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert [each.name for each in tmp_path.iterdir()] == ["pipe"]
