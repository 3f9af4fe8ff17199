"""A recovery that nobody began: noticed, shown, the logger killed, and then confirmed by a key of the view."""

import sys
from pathlib import Path

from tests.end_to_end.running import Stored, daemon, rimelog, simulated
from tests.terminal import PTY, Terminal

SPEED = 10.0


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
