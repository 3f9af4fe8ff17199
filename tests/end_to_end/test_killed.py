"""The daemon killed outright, ten times in the middle of a recovery: what was committed stays, the job goes on.

RIMELOG_EXAMPLES=20 makes it two hundred times. Judged by a reader of its own (tests/plain_reader.py).
"""

import random
from pathlib import Path
from typing import Any

from logger.api.client import DaemonError
from logger.model.units import NS_PER_S
from tests.conftest import TIMES
from tests.end_to_end.running import Daemon, Stored, daemon, rimelog, simulated, until
from tests.plain_reader import Record, notes_in, records_in

KILLS = 10 * TIMES
SEGMENT_S = 1.0
BUSY_S = 9.0  # how late a loaded machine may be once in ten with a second's work: a lost minute is still found


def test_killed_ten_times_in_a_recovery(tmp_path: Path) -> None:
    chance = random.Random(9)
    committed: list[Record] = []
    answered: list[str] = []
    lost_s = []
    with simulated(tmp_path, "recovery") as sim:
        words: tuple[str, ...] = ()
        for kill in range(KILLS):
            with daemon(tmp_path, sim.rig_file, *words) as logger:
                logger.ready()
                if kill == 0:
                    sim.do("start_recovery")
                    rimelog(tmp_path, "stage", "begin", "recovery")
                else:
                    assert logger.status()["stage"]["label"] == "Recovery"
                words = ("--continue", "job-1")
                kill_s = sim.now_s + chance.uniform(0.5, 2.0)
                until(lambda: sim.now_s >= kill_s, "time")  # noqa: B023
                told = logger.status()
                seen = told["store"]["last_id"]
                if logger.client.act("note", text=f"note {kill}")["stored"]:
                    answered.append(f"note {kill}")
                logger.kill()
            after = records_in(logger.file)
            assert len(after) >= seen, "a commit that was told is gone"
            assert after[: len(committed)] == committed, "what was committed before has changed"
            assert notes_in(logger.file) == answered
            committed = after
            lost_s.append(_lost_s(committed, told))
        with daemon(tmp_path, sim.rig_file, *words) as logger:
            logger.ready()
            until(lambda: _ended(logger), "the record of before the last kill is read again")
            newest = int(sim.now_s)
            until(lambda: _has_all(logger.file, newest), "what the devices kept is fetched")
            logger.stop()
    assert max(lost_s) < SEGMENT_S + BUSY_S and sorted(lost_s)[KILLS // 2] < 1.5 * SEGMENT_S, lost_s
    stored = Stored(logger.file)
    assert stored.chain.holds
    for key in stored.samples:
        sequences = stored.sequences(*key)
        assert sorted(sequences) == list(range(max(sequences) + 1))  # none missing, none twice
    assert len(stored.samples) == 2
    assert len(stored.of_type("run-begun")) == KILLS + 1
    assert rimelog(tmp_path, "export", "job-1", "--out", tmp_path / "out")
    assert "Everything was checked, and holds." in rimelog(tmp_path, "verify", next((tmp_path / "out").glob("*.zip")))


def test_killed_while_fetching_what_was_missed_it_fetches_the_rest_next_time(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim:
        with daemon(tmp_path, sim.rig_file) as logger:
            logger.ready()
            _until_stored(logger, 10)
            logger.kill()
        sim.ask(speed=1000)  # some minutes go by without a logger
        begun_s = sim.now_s
        until(lambda: sim.now_s > begun_s + 700, "time")
        sim.ask(speed=1)
        with daemon(tmp_path, sim.rig_file, "--continue", "job-1") as logger:
            logger.ready()
            sim.fault("rates", "scale", dropped=0.03)  # fetching takes its time on such a line
            until(lambda: _holes(logger.file) > 100, "the newest is stored, and not yet all before it")
            logger.kill()
        assert _holes(logger.file) > 100, "killed too late to show anything"
        sim.fault("mend", "scale")
        with daemon(tmp_path, sim.rig_file, "--continue", "job-1") as logger:
            until(lambda: not _holes(logger.file), "what is missing is fetched")
            logger.stop()
    stored = Stored(logger.file)
    (key,) = stored.samples
    assert len(set(stored.sequences(*key))) == len(stored.sequences(*key))
    assert {e["cause"] for e in stored.of_type("gap")} == {"the program was not running"}


def _until_stored(logger: Daemon, frames: int) -> None:
    until(lambda: sum(map(len, Stored(logger.file).samples.values())) >= frames, f"{frames} frames are stored")


def _holes(file: Path) -> int:
    """Frames missing between the first and the newest."""
    found = Stored(file)
    return sum(max(found.sequences(*k)) + 1 - len(set(found.sequences(*k))) for k in found.samples)


def _ended(logger: Daemon) -> bool:
    """Whether the stage could be ended."""
    try:
        return bool(logger.client.act("stage-end"))
    except DaemonError:
        return False


def _lost_s(records: list[Record], status: dict[str, Any]) -> float:
    """Seconds from the newest frame in the file to the newest reading that the daemon had told of, less the time for
    which it said that its disk had kept it waiting."""
    ages_s = [p["age_s"] for p in status["points"] if p["age_s"] is not None]
    newest_ns = max(t_ns for record in records for t_ns, _ in record.frames)
    return float((status["t_ns"] - newest_ns) / NS_PER_S - min(ages_s) - status["store"]["unsaved_s"])


def _has_all(file: Path, until_s: int) -> bool:
    """Everything that the devices made until then."""
    newest_s = [max(s.tick for _, s, _ in frames) / 1000 for frames in Stored(file).samples.values()]
    return min(newest_s) >= until_s and not _holes(file)
