"""The job's folder is taken away from under the running program: commands find it, and nothing is missing."""

import shutil
import sys
from pathlib import Path

import pytest

from sim_device.rig import device_id
from tests.end_to_end.running import Stored, daemon, rimelog, simulated, until
from tests.plain_reader import notes_in

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="Windows lets nobody take an open file away")


def test_a_job_whose_folder_is_taken_away_again_and_again_loses_nothing(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim, daemon(tmp_path, sim.rig_file) as logger:
        logger.ready()
        rimelog(tmp_path, "note", "before")
        shutil.rmtree(logger.directory)
        logger.when(lambda state: "was deleted" in state["store"]["text"], "it is told")
        until(lambda: logger.file.is_file(), "it is written again")
        until(lambda: (logger.directory / "daemon.json").is_file(), "commands can find it")
        assert "was deleted or moved away" in " ".join(rimelog(tmp_path, "status").split())
        until(lambda: logger.alarm("store-trouble"), "the alarm")
        rimelog(tmp_path, "note", "after it was deleted")
        away = tmp_path / "away"
        logger.directory.rename(away)
        shutil.copytree(away, logger.directory)
        until(lambda: (logger.directory / "replaced-1").is_dir(), "the copy is put aside")
        rimelog(tmp_path, "run", str(sim.rig_file), "--continue", "job-1", status=2)  # one is running
        rimelog(tmp_path, "note", "after it was replaced")
        logger.stop()
    stored = Stored(logger.file)
    assert stored.chain.holds
    assert notes_in(logger.file) == ["before", "after it was deleted", "after it was replaced"]
    sequences = stored.sequences(device_id("scale", 3).hex())
    assert sorted(sequences) == list(range(max(sequences) + 1))
    assert "whole" in rimelog(tmp_path, "doctor", "job-1")
