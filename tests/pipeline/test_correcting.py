"""A correction as a person asks for it: refused with what is possible, asked about when a limit becomes looser."""

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from logger.alarms.permit import Mode, Situation, objections
from logger.model.cylinder import Cylinder
from logger.model.events import Corrected, CylinderOnScale, JobOpened, Marked, RigLoaded, StageBegun
from logger.model.job import Job
from logger.model.rig import Rig, RigChannel, RigDevice
from logger.model.units import NS_PER_S
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.errors import NotNow
from logger.pipeline.live_values import cylinder_values
from logger.scale.state import ScaleState
from tests.worded import values_of

T0 = 1_772_467_200_000_000_000
A = Cylinder("A", tare_kg=29.4, water_capacity_kg=59.9, service_pressure_pa=2.76e6)
NOW = T0 + 600 * NS_PER_S


def begun(gross_kg: float = 50.0) -> Engine:
    """A recovery into A with so much on the scale."""
    engine = Engine()
    engine.apply(JobOpened(t_ns=T0, job=Job("j", "R-407C", 98.0, technician="T"), cylinders=(A,)))
    engine.apply(CylinderOnScale(t_ns=T0 + 1, cylinder=A, reading_kg=None))
    engine.apply(StageBegun(t_ns=T0 + 2, number=1, kind="recovery"))
    engine.apply(Marked(t_ns=T0 + 3, act="isolated"))
    engine.model.weighing = scale = ScaleState(0.01, 0.01, T0)
    for second in range(20):
        scale.sample(T0 + second * NS_PER_S, gross_kg)
    engine.model.now_ns = NOW
    return engine


def ask(engine: Engine, target: str, which: str, fact: str, value: Any, now_ns: int = NOW, **more: Any) -> Any:
    body = {"target": target, "which": which, "fact": fact, "value": value, **more}
    return do(engine, "correct", body, now_ns)


@pytest.mark.parametrize(
    ("words", "key", "given"),
    [
        (("moon", "", "tare", 1.0), "correct.target", {"job", "cylinder", "stage"}),
        (("cylinder", "Z", "tare", 30.0), "cylinder.unknown", {"Z", "A"}),
        (("cylinder", "A", "colour", 30.0), "correct.fact", {"colour", "name", "tare"}),
        (("cylinder", "A", "tare", "x"), "correct.number", {"cylinder.tare_kg"}),
        (("cylinder", "A", "tare", None), "correct.never_unknown", {"cylinder.tare_kg"}),
        (("cylinder", "A", "tare", 51.0), "marking.tare", {"tare", "heavy"}),
        (("cylinder", "A", "tare", 29.4), "correct.unchanged", {29.4}),
        (("job", "", "refrigerant", "R-9999"), "correct.refrigerant", set()),
        (("job", "", "jurisdiction", "mars"), "correct.one_of", {"us", "un", "strictest"}),
        (("job", "", "charge", -1.0), "correct.impossible", {"job.full_charge_kg", -1.0}),
        (("stage", "7", "begin", NOW), "correct.stage", {"7", "1 recovery"}),
        (("stage", "1", "begin", NOW + 1), "correct.time", set()),
        (("stage", "1", "kind", {"kind": "lunch"}), "stage.no_such_kind", {"recovery"}),
        (("mark", "9", "at", NOW), "correct.numbered", {"mark", "9", 1.0}),
        (("correction", "1", "undone", True), "correct.numbered", {"correction", "1", 0.0}),
        (("sensor", "nose", "zero", 0.0), "correct.sensor", {"nose"}),
    ],
)
def test_what_cannot_be_is_refused_with_what_can(words: tuple[str, str, str, Any], key: str, given: set[Any]) -> None:
    engine = begun()
    with pytest.raises(NotNow) as refused:
        ask(engine, *words)
    why = refused.value.why[0]
    assert why.key == key and given <= values_of(why)
    assert engine.take_events() == []


def test_a_stricter_limit_counts_at_once() -> None:
    engine = begun()
    assert "confirm" not in ask(engine, "cylinder", "A", "tare", 27.4)
    (made,) = engine.take_events()
    assert isinstance(made, Corrected) and (made.old, made.new, made.critical) == (29.4, 27.4, True)
    assert engine.model.state.cylinder == replace(A, tare_kg=27.4)


def test_a_lower_reading_of_a_scale_is_asked_about_in_the_reader_s_units() -> None:
    engine = begun()
    scale = RigDevice("scale", None, channels=(RigChannel(0, "cylinder_mass"),))
    engine.apply(RigLoaded(t_ns=T0 + 4, rig=Rig("r", (scale,))))
    answer = ask(engine, "sensor", "cylinder-mass", "zero", 2.0)
    assert answer["text"].count("4.4 lb") == 2 and "confirm" in answer
    assert "confirm" not in ask(engine, "sensor", "cylinder-mass", "zero", -2.0)


def test_a_looser_limit_asks() -> None:
    """It is bound to the value, lasts 2 min, counts once, and needs the value once more and a reason."""
    engine = begun()

    def token() -> str:
        answer = ask(engine, "cylinder", "A", "tare", 31.0)
        assert "most on the scale" in answer["text"] and engine.take_events() == []
        return str(answer["confirm"])

    for more, late_s, key in (
        ({"token": "guess"}, 1, "correct.confirmation"),
        ({"again": 30.9, "why": "x"}, 1, "correct.typed_again"),
        ({"again": 31.0}, 1, "correct.reason"),
        ({"again": 31.0, "why": "x"}, 121, "correct.confirmation"),
    ):
        with pytest.raises(NotNow, match=f"^{key}$"):
            ask(engine, "cylinder", "A", "tare", 31.0, NOW + late_s * NS_PER_S, **{"token": token(), **more})
    with pytest.raises(NotNow, match=r"^correct\.confirmation$"):
        ask(engine, "cylinder", "A", "tare", 32.0, token=token(), again=32.0, why="x")
    ask(engine, "cylinder", "A", "tare", 31.0, token=token(), again=31.0, why="collar")
    (made,) = engine.take_events()
    assert isinstance(made, Corrected) and made.confirmed is not None and made.why == "collar"
    assert "confirm" in ask(begun(), "cylinder", "A", "service-pressure", None)


def test_to_undo_what_was_stricter_asks_too() -> None:
    engine = begun()
    ask(engine, "cylinder", "A", "tare", 27.4)
    assert "confirm" in ask(engine, "correction", "1", "undone", True)


@drawn(
    fact=st.sampled_from([("tare", 24.0, 34.0), ("water-capacity", 50.0, 70.0), ("service-pressure", 1.6e6, 3.4e6)]),
    share=st.floats(0, 1), gross_kg=st.floats(45, 70),
)  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_until_it_is_worked_in_the_stricter_holds(
    fact: tuple[str, float, float], share: float, gross_kg: float
) -> None:
    """Room left and margin between telling and settling are never more than before, nor than after."""
    name, low, high = fact
    engine = begun(gross_kg)
    before = cylinder_values(engine.model)
    value = low + share * (high - low)
    try:
        answer = ask(engine, "cylinder", "A", name, value, as_entered=True)
        if "confirm" in answer:
            more = {"token": answer["confirm"], "again": value, "why": "x", "as_entered": True}
            ask(engine, "cylinder", "A", name, value, **more)
    except NotNow:
        return
    between = cylinder_values(engine.model)
    assert engine.model.held and engine.settle_after is not None
    engine.model.held = []
    then = cylinder_values(engine.model)
    for key in ("mass_allowed", "cylinder_margin"):
        numbers, number_between = [values[key].number for values in (before, then)], between[key].number
        if None not in numbers and number_between is not None:
            assert number_between <= min(n for n in numbers if n is not None) + 1e-9
    shares = [values["cylinder_of_limit"].number for values in (before, then)]
    share_between = between["cylinder_of_limit"].number
    if None not in shares and share_between is not None:
        assert share_between >= max(n for n in shares if n is not None) - 1e-9


def test_the_relay_is_not_armed_while_it_is_worked_in() -> None:
    now = Situation.__new__(Situation)
    for name, value in (
        ("stage", None), ("filling", True), ("cylinder", "A"), ("readings", {}), ("rules", ()), ("margin", None),
        ("device_problem", None), ("not_to_be_filled", ()), ("correcting", True),
    ):  # fmt: skip
        object.__setattr__(now, name, value)
    engine = begun()
    object.__setattr__(now, "share", cylinder_values(engine.model)["cylinder_of_limit"])
    object.__setattr__(now, "alarms", engine.judge.state)
    assert "permit.correcting" in {one.key for one in objections(now)}
    assert Mode.HELD is not None


def test_two_people_do_not_overwrite_each_other() -> None:
    engine = begun()
    ask(engine, "job", "", "customer", "One", by="Ann")
    with pytest.raises(NotNow, match=r"^correct\.another, by Ann, .* number 1, old blank, new One$"):
        ask(engine, "job", "", "customer", "Two", seen=0)
    ask(engine, "job", "", "customer", "Two", seen=0, over=True)
    assert engine.facts.job() is not None and engine.model.state.job is not None
    assert engine.model.state.job.customer == "Two"


def test_the_bound_of_the_stage_beside_moves_along() -> None:
    engine = begun()
    do(engine, "stage-begin", {"kind": "evacuation"}, T0 + 300 * NS_PER_S)
    engine.take_events()
    ask(engine, "stage", "2", "begin", T0 + 200 * NS_PER_S)
    one, two = engine.model.state.stages
    assert (one.ended_ns, two.begun_ns) == (T0 + 200 * NS_PER_S, T0 + 200 * NS_PER_S)
    with pytest.raises(NotNow, match=r"^correct\.overlap, number 1, stage recovery, next_number 2"):
        ask(engine, "stage", "1", "end", None)  # the second one runs


def test_what_the_list_says_can_be_typed() -> None:
    engine = begun()
    lines = do(engine, "correctable", {}, NOW)["text"].splitlines()
    assert any(line.startswith("  tare ") for line in lines) and any(line.startswith("mark 1 ") for line in lines)
    assert max(map(len, lines)) <= 80
