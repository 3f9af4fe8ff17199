"""What a running stage still waits for: the next step by its own readings; a stage that is left before it is done."""

from typing import Any

import pytest

from logger.api.next_step import next_step
from logger.model.events import JobOpened, RigLoaded
from logger.model.finding import Verdict
from logger.model.job import Job
from logger.model.units import NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from tests.pipeline.text_rig import text_rig

T0 = 1_772_467_200_000_000_000
UNITS = {"system_pressure": "psia", "vacuum": "micron", "cylinder_mass": "kg"}
RIG = text_rig({point: (point, unit) for point, unit in UNITS.items()})


class Running:
    """A job whose readings are given by hand."""

    def __init__(self) -> None:
        self.engine = Engine()
        self.engine.apply(RigLoaded(t_ns=T0, rig=RIG))
        self.engine.apply(JobOpened(t_ns=T0, job=Job("j", "R-407C", 98.0)))
        self.now_ns = T0

    def do(self, action: str, **body: Any) -> dict[str, Any]:
        return do(self.engine, action, body, self.now_ns)

    def read(self, point: str, shown: float, lasts_s: int = 1) -> None:
        """So it stays, so long, in the gauge's unit."""
        until_ns = self.now_ns + lasts_s * NS_PER_S
        while self.now_ns < until_ns:
            self.now_ns += min(5 * NS_PER_S, until_ns - self.now_ns)
            self.engine.frame(f"text:{point}", self.now_ns, f"{shown} {UNITS[point]}".encode())
            self.engine.tick(self.now_ns)

    @property
    def next(self) -> dict[str, str | None]:
        stages = self.engine.model.state.stages
        return next_step(stages[-1] if stages else None, True, self.engine.pending())

    def refused(self, kind: str) -> str:
        """The key of the question that comes back."""
        before = len(self.engine.model.state.stages)
        with pytest.raises(NotNow) as refusal:
            self.do("stage-begin", kind=kind)
        assert len(self.engine.model.state.stages) == before
        return refusal.value.why[0].key


@pytest.mark.parametrize(("psia", "wait_s", "verdict"), [(8.7, 400, "pass"), (24.7, 400, "fail"), (24.7, 60, "fail"),
                                                         (8.7, 60, "cannot tell")])  # fmt: skip
def test_without_a_scale_the_recovery_level_is_judged_too(psia: float, wait_s: int, verdict: str) -> None:
    job = Running()
    job.do("stage-begin", kind="recovery")
    job.read("system_pressure", 8.7, 30)
    job.do("mark", act="machine-stopped")
    job.read("system_pressure", psia, wait_s)
    job.do("stage-end")
    job.engine.conclude_now()
    level = job.engine.results[1].findings[0]
    assert (level.key, level.verdict) == ("recovery.level", Verdict(verdict))


def test_a_recovery_goes_on_until_its_level_holds() -> None:
    job = Running()
    job.do("stage-begin", kind="recovery")
    job.read("cylinder_mass", 40.0)
    job.read("system_pressure", 72.5)
    assert job.next["command"] == "rimelog mark machine-stopped" and job.next["begin"] is None
    assert job.refused("pressure-test") == "stage.not_done"  # far above the level of 10 in. Hg
    job.read("system_pressure", 8.7)
    job.do("mark", act="machine-stopped")
    job.read("system_pressure", 8.7, 200)
    assert "3:20 of 5 min" in str(job.next["text"]) and job.next["command"] is None
    job.read("system_pressure", 8.9, 101)
    assert job.next["begin"] == "pressure-test"
    job.read("system_pressure", 24.7)
    assert job.next["command"] == "rimelog mark machine-started"
    assert job.refused("pressure-test") == "stage.not_done"
    job.do("mark", act="machine-started")
    assert job.next["command"] == "rimelog mark machine-stopped"
    answer = job.do("stage-begin", kind="pressure-test", anyway=True)
    assert answer["ended"] == 1 and answer["findings"]
    assert [s.kind for s in job.engine.model.state.stages] == ["recovery", "pressure-test"]


def test_a_failed_stage_that_was_ended_is_not_passed_over_either() -> None:
    job = Running()
    job.do("stage-begin", kind="recovery")
    job.read("cylinder_mass", 40.0)
    job.read("system_pressure", 8.7, 60)
    job.do("mark", act="machine-stopped")
    job.read("system_pressure", 24.7, 400)
    job.do("stage-end")
    assert job.next["command"] == "rimelog stage begin recovery"
    assert job.refused("pressure-test") == "stage.not_done"
    job.do("stage-begin", kind="recovery")  # back: no question


def test_a_pressure_test_is_filled_settles_and_is_held() -> None:
    job = Running()
    job.do("stage-begin", kind="pressure-test")
    job.read("system_pressure", 14.7, 120)
    assert job.next["command"] == "rimelog mark holding"
    job.read("system_pressure", 164.7, 5)
    job.do("mark", act="holding")
    job.read("system_pressure", 164.7, 8 * 60 + 20)
    assert "8 min of 24 h" in str(job.next["text"]) and job.next["command"] is None and job.next["begin"] is None


def test_an_evacuation_goes_on_until_its_target_and_a_decay_test_until_its_hold_is_over() -> None:
    job = Running()
    job.do("stage-begin", kind="evacuation")
    job.read("system_pressure", 14.7)
    assert job.next["begin"] is None  # no vacuum gauge reads
    job.read("vacuum", 4200)
    assert job.refused("decay-test") == "stage.not_done"
    job.do("stage-begin", kind="pressure-test")  # a leak was heard: back, no question
    job.read("vacuum", 4200)
    job.do("stage-begin", kind="evacuation", anyway=True)
    job.read("vacuum", 4200)
    job.do("mark", act="isolated")  # the test is on, though nobody has begun it
    assert job.next["begin"] == "decay-test"
    job.read("vacuum", 4200)
    job.do("mark", act="pump-started")  # it is over
    job.read("vacuum", 200)
    assert job.next["begin"] == "decay-test"
    job.do("stage-begin", kind="decay-test")
    assert job.next["command"] == "rimelog mark isolated"
    job.do("mark", act="isolated")
    job.read("vacuum", 200, 130)
    assert "2 of 60 min" in str(job.next["text"]) and job.next["begin"] is None


def test_a_start_up_runs_until_it_can_be_judged() -> None:
    job = Running()
    job.do("stage-begin", kind="start-up")
    job.read("system_pressure", 72.5, 250)
    assert "4 of 15 min" in str(job.next["text"]) and job.next["command"] is None
    job.read("system_pressure", 72.5, 660)
    assert job.next["command"] == "rimelog finish"


def test_a_second_stage_of_the_kind_that_runs_is_asked_about() -> None:
    job = Running()
    job.do("stage-begin", kind="charging")
    job.read("system_pressure", 72.5)
    assert job.next["begin"] is None
    assert job.refused("charging") == "stage.same_runs"
    assert job.do("stage-begin", kind="charging", anyway=True)["number"] == 2
