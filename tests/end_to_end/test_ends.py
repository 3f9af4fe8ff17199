"""How a daemon ends, and when it does not begin: signals, a job already running, a wrong rig file."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.end_to_end.running import Stored, daemon, environment, rimelog, simulated, until

WRONG_RIG = """\
[rig]
name = "wrong"
colour = "green"

[[device]]
name = "board"
url = "socket://127.0.0.1:1"
id = "xyz"
period = "1 parsec"

  [[device.channel]]
  index = 0
  point = "suction_presure"

  [[device.channel]]
  index = 900
  point = "vacuum"

[[device]]
name = "scale"

  [[device.channel]]
  index = 0
  point = "cylinder_mass"
  zero = "4 psi"
"""


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT], ids=["SIGTERM", "Ctrl-C"])
def test_a_signal_ends_it_with_everything_stored(tmp_path: Path, number: signal.Signals) -> None:
    with simulated(tmp_path, "recovery") as sim, daemon(tmp_path, sim.rig_file) as logger:
        logger.ready()
        rimelog(tmp_path, "note", "the last word")
        told_s = sim.now_s
        said = logger.stop(number)
        assert "job job-1 is stored in" in said
        assert not (logger.directory / "daemon.json").exists()
        stored = Stored(logger.file)
        newest_s = {key: max(s.tick for _, s, _ in frames) / 1000 for key, frames in stored.samples.items()}
        assert len(newest_s) == 2
        assert min(newest_s.values()) > told_s - 4.0  # it lost nothing it had received
        for key in stored.samples:
            assert stored.sequences(*key) == list(range(len(stored.sequences(*key))))
        assert stored.events[-1]["type"] == "run-ended"
        assert stored.of_type("note")[0]["text"] == "the last word"
        assert stored.chain.holds
        assert stored.chain.checkpoints >= 1  # a last one, signed
        said = rimelog(tmp_path, "status", status=2)
        assert said.startswith("rimelog: not logging")


def test_a_second_daemon_on_the_same_job_is_refused_and_harms_nothing(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", only=("scale",)) as sim, daemon(tmp_path, sim.rig_file) as logger:
        logger.ready()
        for words in (["--continue", "job-1"], ["--refrigerant", "R-407C", "--job", "job-1"]):
            said = rimelog(tmp_path, "run", sim.rig_file, *words, status=2)
            assert re.search(rf"process {logger.process.pid}\b", said), said
        records = logger.status()["store"]["last_id"]
        logger.when(lambda state: state["store"]["last_id"] > records + 2, "the first one goes on")
        logger.stop()
    stored = Stored(logger.file)
    assert stored.chain.holds
    assert len(stored.of_type("run-begun")) == 1


def test_a_wrong_rig_file_is_told_whole_with_every_key(tmp_path: Path) -> None:
    rig = tmp_path / "wrong.toml"
    rig.write_text(WRONG_RIG, encoding="utf-8")
    said = rimelog(tmp_path, "run", rig, "--refrigerant", "R-407C", status=2)
    assert sorted(re.findall(r"^  (\S+): ", said, re.MULTILINE)) == [
        "device[1].channel[1].point", "device[1].channel[2].index", "device[1].id", "device[1].period", "device[2]",
        "device[2].channel[1].zero", "rig.colour",
    ]  # fmt: skip
    assert not (tmp_path / "data" / "jobs").exists()  # no empty job is left behind


@pytest.mark.parametrize(
    ("text", "answer"),
    [("[rig\n", "TOML"), ("", "device"), ("\xff\xfe", ""), ("[[device]]\nname = 'a'\nurl = 3\n", "device[1].url")],
)
def test_no_file_makes_a_traceback(tmp_path: Path, text: str, answer: str) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_bytes(text.encode("latin-1"))
    assert answer in rimelog(tmp_path, "run", rig, "--refrigerant", "R-407C", status=2)


def test_a_wrong_job_file_leaves_no_job_behind(tmp_path: Path) -> None:
    rig, job = tmp_path / "rig.toml", tmp_path / "job.toml"
    rig.write_text('[[device]]\nname = "scale"\nurl = "socket://127.0.0.1:1"\n', encoding="utf-8")
    job.write_text('[job]\nrefrigerant = "R-999"\nfull_charge = "12 feet"\ncolour = 1\n', encoding="utf-8")
    said = rimelog(tmp_path, "run", rig, "--job-file", job, status=2)
    assert "job.colour" in said
    job.write_text('[job]\nrefrigerant = "R-999"\nfull_charge = "12 feet"\n', encoding="utf-8")
    said = rimelog(tmp_path, "run", rig, "--job-file", job, status=2)
    assert "job.refrigerant" in said
    assert "job.full_charge" in said
    assert not list(tmp_path.glob("data/jobs/*/job.rimelog"))


def test_a_port_that_is_not_there_is_waited_for(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text('[[device]]\nname = "scale"\nurl = "/dev/ttyNOTHERE"\n', encoding="utf-8")
    with daemon(tmp_path, rig) as logger:
        logger.when(lambda state: "NOTHERE" in state["devices"][0]["text"], "it is told")
        assert "device lost" in until(lambda: rimelog(tmp_path, "status"), "status")
        logger.stop()


NOT_THERE = """
[[device]]
name = "scale"
url = "/dev/ttyNOTHERE"
  [[device.channel]]
  index = 0
  point = "cylinder_mass"
[alarms.device-scale]
on_delay = "0s"
[alarms.fill-unknown]
on_delay = "0s"
"""


def test_a_recovery_with_nothing_plugged_in_is_told_and_one_alarm_is_put_away_and_back(tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text(NOT_THERE, encoding="utf-8")
    with daemon(tmp_path, rig) as logger:
        logger.when(lambda state: True, "it answers")
        logger.client.act("stage-begin", kind="recovery")
        logger.when(lambda state: {"device-scale", "fill-unknown"} <= {a["key"] for a in state["alarms"]}, "both told")
        out = ("alarms", "out-of-service", "device-scale", "--reason", "left at home", "--operator", "me")
        assert "taken out of service" in rimelog(tmp_path, *out)
        shown = rimelog(tmp_path, "status")
        assert "out of service: scale OFFLINE. left at home." in shown and "[fill-unknown]" in shown
        assert "cannot be taken out" in rimelog(tmp_path, *out[:2], "fill-unknown", *out[3:], status=2)
        rimelog(tmp_path, "alarms", "return-to-service", "device-scale")
        logger.when(lambda state: not (logger.alarm("device-scale") or {"acknowledged": True})["acknowledged"], "again")
        logger.client.act("shelve", key="device-scale", seconds=300, reason="fetching it")
        rimelog(tmp_path, "alarms", "unshelve", "device-scale")
        logger.when(lambda state: not (logger.alarm("device-scale") or {"acknowledged": True})["acknowledged"], "again")
        logger.stop()


def test_a_demonstration_killed_leaves_nothing_running(tmp_path: Path) -> None:
    guide = subprocess.Popen(
        [sys.executable, "-m", "logger", "demo", "--no-view", "--speed", "20", "--out", str(tmp_path / "demo")],
        env=environment(tmp_path), cwd=tmp_path, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    run_file = tmp_path / "demo" / "data" / "jobs" / "invented-brewery" / "daemon.json"
    try:
        until(run_file.exists, "the daemon is there")
        assert len(_running(guide.pid)) == 3
        guide.kill()
        guide.wait()
        until(lambda: not _running(guide.pid), "plant and daemon have ended", why=lambda: str(_running(guide.pid)))
        assert not run_file.exists()  # the daemon ended in good order
    finally:
        if _running(guide.pid):
            os.killpg(guide.pid, signal.SIGKILL)
        guide.wait()


def _running(group: int) -> list[str]:
    """Processes of a group, but those that have ended and only wait to be counted."""
    told = subprocess.run(["ps", "-A", "-o", "pgid=,stat=,args="], capture_output=True, text=True, check=True).stdout
    found = [line.split(None, 2) for line in told.splitlines()]
    return [" ".join(words) for pgid, stat, *words in found if int(pgid) == group and not stat.startswith("Z")]
