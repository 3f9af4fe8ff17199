"""What a stage's analysis is given: only what belongs to the stage."""

from functools import partial

import pytest

from logger.model.events import JobOpened
from logger.model.finding import Verdict
from logger.model.job import Job
from logger.model.sample import PointSample
from logger.model.units import MICRON_PA, NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.replay import replay
from logger.pipeline.stage_inputs import conclude, interim
from logger.statistics.history import History
from tests.export.simulated import simulated_job

T0 = 1_772_467_200_000_000_000
MINUTE = 60 * NS_PER_S


def readings(engine: Engine, begin_ns: int, end_ns: int, micron: float) -> None:
    for t in range(begin_ns, end_ns, 2 * NS_PER_S):
        flicker = 1.0 if (t // NS_PER_S) % 4 else 0.0
        model = engine.model
        model.take(
            [PointSample(t, "vacuum", (micron + flicker) * MICRON_PA), PointSample(t, "ambient_temperature", 293)]
        )


def test_a_second_decay_test_is_not_judged_by_the_isolation_of_the_first() -> None:
    """Ten minutes held; the pump opened again; a second test begun and its isolation not marked: nothing passes."""
    engine = Engine()
    engine.apply(JobOpened(t_ns=T0, job=Job("j", "R-407C", 98.0)))
    settings = {"profile": "iec-60335-2-40"}
    do(engine, "stage-begin", {"kind": "decay-test", "settings": settings}, T0)
    do(engine, "mark", {"act": "isolated"}, T0 + MINUTE)
    readings(engine, T0, T0 + 13 * MINUTE, 400.0)
    stages = engine.model.state.stages
    first = conclude(engine.model, stages[0], T0 + 12 * MINUTE)
    assert first.result.isolation.how == "marked"
    do(engine, "stage-end", {}, T0 + 13 * MINUTE)
    do(engine, "stage-begin", {"kind": "decay-test", "settings": settings}, T0 + 20 * MINUTE)
    readings(engine, T0 + 20 * MINUTE, T0 + 32 * MINUTE, 200.0)
    second = conclude(engine.model, stages[1], T0 + 32 * MINUTE)
    assert second.result.isolation.t_s is None
    assert second.findings[0].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize("width_s", [1.0, 16.0])
def test_the_rise_since_isolation_outlives_an_analysis_and_a_long_night_before(
    monkeypatch: pytest.MonkeyPatch, width_s: float
) -> None:
    monkeypatch.setattr("logger.pipeline.job_model.SKETCH_BUCKETS", 20)  # as wide as those of a stage of hours
    monkeypatch.setattr("logger.pipeline.job_model.History", partial(History, width_s=width_s))  # after a night: 16 s
    engine = replay(simulated_job("tight", 1000.0, ("vacuum board",)))
    model, stage = engine.model, engine.model.state.stage
    assert stage is not None and stage.kind == "decay-test"
    interim(model, stage, model.now_ns)
    rise = engine.live_values.values(model, stage, {})["vacuum_rise"]
    assert rise.number is not None, rise.problem
    assert abs(rise.number) < 10 * MICRON_PA
