"""What nobody entered: noticed, shown, kept through a kill, confirmed by a key or a command, refused, corrected."""

import re
import sys
from pathlib import Path
from typing import Any

import pexpect

from tests.end_to_end.running import Daemon, Stored, daemon, environment, rimelog, simulated, until
from tests.end_to_end.small_job import SMALL_JOB
from tests.terminal import PTY, Terminal

SPEED = 10.0
JOB_TOML = """\
[job]
refrigerant = "R-407C"
full_charge = "4kg"
units = "si"
invented = true
""" + "".join(
    f"""
[[cylinder]]
name = "{one.name}"
tare = "{one.tare_kg}kg"
water_capacity = "{one.water_capacity_kg}kg"
service_pressure = "400psi"
"""
    for one in SMALL_JOB.cylinders
)


@PTY
def test_a_forgotten_recovery_is_asked_for_and_begun_as_of_then(tmp_path: Path) -> None:
    with simulated(tmp_path, "recovery", speed=SPEED, only=("scale", "recovery board")) as sim:
        with daemon(tmp_path, sim.rig_file, speed=SPEED) as logger:
            logger.ready()
            logger.when(lambda state: state["points"] != [] and sim.now_s > 60, "a minute passes")
            sim.do("start_recovery")
            logger.when(lambda state: state["proposals"] != [], "it is noticed")
            logger.when(lambda state: logger.alarm("flow-no-stage") is not None, "it rings")
            (one,) = logger.status()["proposals"]
            assert one["question"].startswith("Begin recovery as of ")
            assert rimelog(tmp_path, "next").startswith(one["question"])
            assert f"`rimelog yes {one['n']}`" in rimelog(tmp_path, "status")
            assert "no open proposal 7" in rimelog(tmp_path, "yes", "7", status=2)
            logger.kill()
        with daemon(tmp_path, sim.rig_file, "--continue", "job-1", speed=SPEED) as logger:
            logger.ready()
            assert [again["n"] for again in logger.status()["proposals"]] == [one["n"]]
            terminal = Terminal([sys.executable, "-m", "logger", "view"], tmp_path, 80, 24)
            try:
                terminal.shows("Begin recovery as of", "y yes", "Esc no", "WEIGHT CHANGING")
                terminal.press("y")
                terminal.shows("Begin recovery as of", "stage 1")
                terminal.shows("Recovered", "R-407C")
            finally:
                terminal.close()
            logger.when(lambda state: state["stage"] is not None and state["proposals"] == [], "it is begun")
            assert logger.status()["stage"]["begun_ns"] == one["as_of_ns"]
            logger.stop()
        stored = Stored(logger.file)
        assert stored.chain.holds
        (begun,) = stored.of_type("stage-begun")
        (answered,) = stored.of_type("proposal-answered")
        assert (begun["t_ns"], answered["answer"], answered["n"]) == (one["as_of_ns"], "yes", one["n"])
        assert len(stored.of_type("proposed")) == 1, "not asked again after the restart"


def in_window(place: Path, *words: str) -> str:
    """What a command says in a terminal of its own."""
    said, status = pexpect.run(
        " ".join([sys.executable, "-m", "logger", *words]), env=environment(place) | {"TERM": "xterm"}, cwd=str(place),
        encoding="utf-8", withexitstatus=True, timeout=60,
    )  # fmt: skip
    assert status == 0 and "Traceback" not in said, said
    return str(said)


def proposal(logger: Daemon, key: str) -> dict[str, Any]:
    return until(
        lambda: next((one for one in logger.status()["proposals"] if one["key"].startswith(key)), None),
        f"{key} noticed",
    )


@PTY
def test_no_is_kept_yes_is_entered_and_a_yes_that_was_wrong_is_corrected(tmp_path: Path) -> None:
    with simulated(
        tmp_path, "small-job", speed=SPEED, link="pty", program="tests.end_to_end.small_job"
    ) as sim, daemon(tmp_path, sim.rig_file, speed=SPEED, job_toml=JOB_TOML) as logger:  # fmt: skip
        logger.ready()
        until(lambda: sim.now_s > 60, "a minute passes")
        sim.do("start_recovery")
        one = proposal(logger, "recovery.started")
        assert "not so" in in_window(tmp_path, "no", str(one["n"]), "--operator", "tester")
        assert logger.status()["proposals"] == []
        assert "nothing is proposed" in rimelog(tmp_path, "yes", str(one["n"]), status=2)
        rimelog(tmp_path, "stage", "begin", "recovery")
        until(lambda: sim.truth["cylinders_kg"]["cylinder A"] > 1.0, "something is in cylinder A")
        sim.do("stop_recovery")
        stopped_s = sim.now_s
        until(lambda: sim.now_s > stopped_s + 40, "the scale is at rest")
        sim.do("swap_cylinder", to="cylinder B")
        other = proposal(logger, "scale.cylinder_changed")
        said = in_window(tmp_path, "yes", str(other["n"]), "--cylinder", "'charging cylinder'")
        assert "charging cylinder" in said
        logger.when(lambda state: state["cylinder"]["name"] == "charging cylinder", "it is entered")
        # It was another one than he said.
        rimelog(tmp_path, "correct", "swap", "2", "cylinder", "cylinder B", "--again", "yes", "--why", "read again")
        logger.when(
            lambda state: state["cylinder"]["name"] == "cylinder B" and state["live"]["recovered"]["value"] is not None,
            "it is corrected, and worked in", 300.0,
        )  # fmt: skip
        in_the_view(tmp_path, logger)
        logger.stop()
    stored = Stored(logger.file)
    assert stored.chain.holds
    answers = {event["n"]: event["answer"] for event in stored.of_type("proposal-answered")}
    assert answers[one["n"]] == "no" and answers[other["n"]] == "yes"
    (_, swap) = stored.of_type("cylinder-on-scale")
    assert swap["t_ns"] == other["as_of_ns"]
    assert [event["about"]["key"] for event in stored.of_type("proposed")].count("recovery.started") == 1
    begun = stored.of_type("stage-begun")[-1]
    assert (begun["kind"], begun["settings"]) == ("charging", {"target": 4.0, "direction": "supply"})


def in_the_view(place: Path, logger: Daemon) -> None:
    """A stage with settings is begun by keys."""
    terminal = Terminal([sys.executable, "-m", "logger", "view"], place, 80, 24)
    try:
        terminal.shows("Recovery", "b begin")
        terminal.press("b")
        number = re.search(r"(\d): Charging", terminal.shows("Begin which stage?"))
        assert number is not None
        terminal.press(number[1])
        terminal.shows("Begin charging, which ends recovery?", "s a setting")
        terminal.press("s")
        terminal.shows("Which setting?", "1: target: the mass to weigh in", "6: high-side limit")
        terminal.press("1")
        terminal.shows("target: the mass to weigh in", "Enter set it")
        terminal.press("4", "Enter")
        terminal.shows("has no unit")
        terminal.press("k", "g", "Enter")
        terminal.shows("Begin charging with target 4.00 kg, which ends recovery?")
        terminal.press("s", "2")
        terminal.shows("1: supply", "2: receiver")
        terminal.press("1")
        terminal.shows("target 4.00 kg, direction supply, which ends")
        assert all(len(line) <= 80 for line in terminal.lines())
        terminal.press("Enter")
        until(lambda: _charging(logger) or "all the same?" in terminal.text, "it is begun, or asked once more")
        if not _charging(logger):  # the recovery has not reached its level
            terminal.press("Enter")
        until(lambda: _charging(logger), "it is begun")
    finally:
        terminal.close()


def _charging(logger: Daemon) -> bool:
    return bool(logger.status()["stage"]["kind"] == "charging")
