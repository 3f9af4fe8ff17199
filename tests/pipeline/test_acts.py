"""Acts of people: refused with words when they make no sense, recorded when they do."""

from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from logger.evidence.chain import event_of, new_event
from logger.model.cylinder import Cylinder
from logger.model.events import Event, JobOpened, StageBegun, StageEnded
from logger.model.job import Job
from logger.model.units import NS_PER_S
from logger.model.version import ANALYSIS, SOFTWARE
from logger.pipeline.acts import _ACTS, do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.words import refusal_of
from tests.worded import values_of

T0 = 1_772_467_200_000_000_000


def opened() -> Engine:
    engine = Engine()
    job = Job("j", "R-407C", 98.0)
    cylinder = Cylinder("A", tare_kg=29.4, water_capacity_kg=59.9)
    engine.apply(JobOpened(t_ns=T0, job=job, cylinders=(cylinder,)))
    return engine


@pytest.mark.parametrize(
    ("action", "body", "key", "given"),
    [
        ("stage-begin", {"kind": "lunch"}, "stage.no_such_kind", {"recovery"}),
        ("stage-begin", {"kind": "charging", "settings": {"colour": 3}}, "setting.not_of_stage", {"colour", "target"}),
        ("stage-begin", {"kind": "charging", "settings": {"target": "98"}}, "setting.number", {"target"}),
        ("stage-begin", {"kind": "charging", "settings": {"target": -1}}, "setting.above_zero", {"target"}),
        ("stage-begin", {"kind": "charging", "settings": [1]}, "stage.settings", set()),
        ("stage-begin", {"kind": "charging", "settings": {"purpose": 3}}, "setting.text", {"purpose"}),
        ("stage-begin", {"kind": "charging", "settings": {"direction": "up"}}, "setting.one_of", {"supply", "up"}),
        ("stage-begin", {"kind": "recovery", "settings": {"target": 9}}, "setting.not_of_stage", {"recovery"}),
        ("stage-begin", {"kind": "evacuation", "settings": {"evacuations": 0}}, "setting.count", {"evacuations"}),
        (
            "stage-begin",
            {"kind": "decay-test", "settings": {"profile": "500"}},
            "setting.profile",
            {"500", "ufgs-15182"},
        ),
        ("stage-begin", {"kind": "pressure-test", "settings": {"test_pressure": 15e6}}, "setting.unusual", {15e6}),
        (
            "cylinder",
            {"name": "B", "cylinder": {"name": "B", "tare_kg": 12.5, "water_capacity_kg": 47.6}},
            "marking.tare",
            {"water_capacity", "other_unit"},
        ),
        ("setting", {"key": "volume_m3", "value": 260.0}, "charge.too_little", {98.0, 260.0}),
        ("stage-end", {}, "stage.none_running", set()),
        ("mark", {}, "mark.empty", set()),
        ("note", {"text": "  "}, "note.empty", set()),
        ("note", {"text": 3}, "act.text", {"text"}),
        ("cylinder", {"name": "B"}, "cylinder.unknown", {"B", "A"}),
        ("cylinder", {"name": "B", "cylinder": {"name": "B"}}, "cylinder.unreadable", set()),
        ("acknowledge", {"key": "nothing"}, "alarm.unknown", {"nothing"}),
        ("shelve", {"key": "overfill", "seconds": 60, "reason": "noise"}, "alarm.not_shelvable", set()),
        ("setting", {"key": "barometer_pa", "value": 5}, "correct.impossible", {"job.barometer_pa", 5.0}),
        ("setting", {"key": "job_id", "value": "x"}, "job_setting.unknown", set()),
        ("fly", {}, "act.unknown", {"fly"}),
    ],
)
def test_what_makes_no_sense_is_refused_and_changes_nothing(
    action: str, body: dict[str, Any], key: str, given: set[Any]
) -> None:
    engine = opened()
    engine.tick(T0 + NS_PER_S)
    engine.take_events()
    with pytest.raises(NotNow) as refused:
        do(engine, action, body, T0 + 2 * NS_PER_S)
    (why,) = refused.value.why
    assert why.key == key and given <= values_of(why)
    assert engine.take_events() == []


def test_why_it_is_charged_is_kept_without_what_could_steer_a_terminal() -> None:
    engine = opened()
    do(engine, "stage-begin", {"kind": "charging", "settings": {"purpose": "\x1b[31mseasonal\n" * 30}}, T0 + NS_PER_S)
    stage = engine.model.state.stage
    assert stage is not None and stage.settings["purpose"].startswith("[31mseasonal")
    assert len(stage.settings["purpose"]) <= 121 and "\x1b" not in stage.settings["purpose"]


def test_nothing_can_be_done_without_a_job() -> None:
    with pytest.raises(NotNow, match=r"^act\.no_job$"):
        do(Engine(), "note", {"text": "x"}, T0)


def test_a_stage_ends_the_one_before() -> None:
    engine = opened()
    do(engine, "stage-begin", {"kind": "recovery"}, T0 + NS_PER_S)
    do(engine, "stage-begin", {"kind": "evacuation"}, T0 + 9 * NS_PER_S)
    events = engine.take_events()
    ended = events[1]
    assert isinstance(ended, StageEnded)
    assert (ended.analysis, ended.software) == (ANALYSIS, SOFTWARE)  # by whom it was concluded
    kinds = [type(event) for event in events]
    assert kinds[:2] == [StageBegun, StageEnded] and kinds[-1] is StageBegun
    first, second = engine.model.state.stages
    assert (first.kind, first.ended_ns, second.ended_ns) == ("recovery", T0 + 9 * NS_PER_S, None)


def test_an_act_told_late_stands_where_it_was_done() -> None:
    engine = opened()
    do(engine, "stage-begin", {"kind": "recovery"}, T0 + 100 * NS_PER_S)
    do(engine, "mark", {"act": "isolated"}, T0 + 50 * NS_PER_S)
    assert engine.take_events()[-1].t_ns == T0 + 50 * NS_PER_S


def test_a_forgotten_stage_is_entered_before_the_running_one() -> None:
    engine = opened()
    do(engine, "stage-begin", {"kind": "evacuation"}, T0 + 100 * NS_PER_S)
    answer = do(engine, "stage-begin", {"kind": "recovery"}, T0 + 50 * NS_PER_S)
    assert answer["number"] == 1
    one, two = engine.model.state.stages
    assert (one.kind, one.ended_ns, two.kind, two.ended_ns) == ("recovery", T0 + 100 * NS_PER_S, "evacuation", None)
    with pytest.raises(NotNow, match=r"^act\.catching_up, "):  # before the record was read again, no other
        do(engine, "stage-begin", {"kind": "charging"}, T0 + 70 * NS_PER_S)
    engine.catching_up_reason = None
    with pytest.raises(NotNow, match=r"^stage\.another_then, number 1, stage recovery, "):
        do(engine, "stage-begin", {"kind": "charging"}, T0 + 70 * NS_PER_S)


JSON = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-(2**40), 2**40), st.floats(allow_nan=False), st.text(max_size=12)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=8,
)
KEYS = st.sampled_from(
    ["kind", "settings", "operator", "act", "text", "name", "cylinder", "key", "seconds", "reason", "value", "author"]
)


@drawn(st.lists(st.tuples(st.sampled_from(sorted(_ACTS)), st.dictionaries(KEYS, JSON, max_size=5)), max_size=8))
@settings(max_examples=200, deadline=None)
def test_whatever_is_sent_is_done_or_refused(acts: list[tuple[str, dict[str, Any]]]) -> None:
    """And the record it makes can be replayed into the same job."""
    engine, now = opened(), T0
    made: list[Event] = []
    for action, body in acts:
        now += NS_PER_S
        try:
            do(engine, action, body, now)
        except NotNow as refusal:
            assert refusal_of(refusal, engine.shown)
        made += engine.take_events()
    engine.snapshot()
    again = opened()
    again.live = False
    for event in made:
        again.apply(event_of(new_event(event)))
    assert again.model.state.stages == engine.model.state.stages
    assert again.model.state.on_scale == engine.model.state.on_scale
