"""Whatever the readings, an analysis answers: a number with its unit, or unknown because."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Finding, Verdict
from logger.model.sample import Gap, Series
from logger.model.value import Value
from logger.physics.leak_flow import ServiceGas
from logger.stages.acceptance import DECAY_PROFILES, PRESSURE_PROFILES, DecayProfile, PressureProfile
from logger.stages.comparison import Run
from logger.stages.decay_test.analysis import analyse_decay
from logger.stages.decay_test.compare import compare as compare_decays
from logger.stages.evacuation.compare import compare as compare_pull_downs
from logger.stages.pressure_test.analysis import Thermometer, analyse_standing
from logger.stages.recovery.compare import compare as compare_recoveries
from logger.stages.words import text_of
from logger.statistics.isolation import detect_isolation
from logger.wording.values import Shown

_value = st.one_of(st.floats(0.0, 1e6), st.sampled_from([0.0, 30.0, 40.0, 40.13, 3333.0, 1e-300]))
_kelvin = st.one_of(st.floats(200.0, 400.0), st.sampled_from([0.0, 293.15]))


@st.composite
def series(draw: st.DrawFn, value: st.SearchStrategy[float] = _value) -> Series:
    values = draw(st.lists(value, max_size=80))
    steps = draw(st.lists(st.floats(0.01, 600.0), min_size=len(values), max_size=len(values)))
    t, now = [], draw(st.floats(-1000.0, 1000.0))
    for step in steps:
        now += step
        t.append(now)
    gaps = draw(st.lists(st.tuples(st.floats(0, 5000), st.floats(0, 5000)), max_size=2))
    high = draw(st.one_of(st.none(), st.floats(1.0, 1e6)))
    found = tuple(Gap(a, a + b, "over range") for a, b in gaps)
    return Series("vacuum", t, values, draw(st.floats(0, 10)), draw(st.floats(0, 100)), 0.0, high, found)


def _sound(value: Value) -> None:
    assert (value.number is None) == bool(value.problem)


def _check_finding(finding: Finding) -> None:
    text = text_of(finding, Shown())
    assert text.body and text.headline not in ("", finding.key), "it has its words"
    for _, value in finding.numbers():
        _sound(value)


@settings(max_examples=120, deadline=None)
@given(
    series(), st.one_of(st.none(), st.floats(-500, 5000)), st.one_of(st.none(), series(_kelvin)),
    st.one_of(st.none(), series()), st.sampled_from([None, *DECAY_PROFILES.values()]),
    st.one_of(st.none(), st.sampled_from([0.0, -1.0, 0.05])),
)  # fmt: skip
def test_decay(
    vacuum: Series,
    isolated: float | None,
    warm: Series | None,
    other: Series | None,
    profile: DecayProfile | None,
    volume: float | None,
) -> None:
    result = analyse_decay(
        vacuum, profile=profile, isolated_s=isolated, temperature=warm, ambient=warm, other_gauge=other,
        volume_m3=volume, gas=ServiceGas("R-134a", 0.102, 5.7e5), pump_ultimate_pa=5.0,
    )  # fmt: skip
    for finding in result.findings:
        _check_finding(finding)
    for value in (result.rate, result.smallest_rate, result.levels_off_at, result.air_flow):
        _sound(value)
    if profile is None:
        assert result.verdict.verdict is Verdict.CANNOT_TELL


@settings(max_examples=80, deadline=None)
@given(
    series(), st.one_of(st.none(), series(_kelvin)), st.sampled_from([None, *PRESSURE_PROFILES.values()]),
    st.one_of(st.none(), st.floats(-500, 5000)), st.sampled_from(Thermometer),
)  # fmt: skip
def test_standing(
    pressure: Series, warm: Series | None, profile: PressureProfile | None, began: float | None, where: Thermometer
) -> None:
    result = analyse_standing(
        pressure,
        profile=profile,
        temperature=warm,
        began_s=began,
        thermometer=where,
        volume_m3=0.1,
    )
    for finding in result.findings:
        _check_finding(finding)
    for value in (
        result.start,
        result.end,
        result.expected,
        result.drop,
        result.rate,
        result.smallest_drop,
        result.flow,
    ):
        _sound(value)


@settings(max_examples=60, deadline=None)
@given(series(), series(), st.one_of(st.none(), st.floats(0.0, 1.0)))
def test_comparison(one: Series, two: Series, size: float | None) -> None:
    a = Run("a", one, charge_kg=size, volume_m3=size, result=analyse_decay(one, isolated_s=0.0))
    b = Run("b", two, charge_kg=size, volume_m3=size, result=analyse_decay(two, isolated_s=0.0))
    bare = (replace(a, result=None), replace(b, result=None))
    for compare, sides in ((compare_recoveries, bare), (compare_pull_downs, bare), (compare_decays, (a, b))):
        result = compare(*sides)
        _check_finding(result.finding)
        for m in result.measures:
            for value in (m.a, m.b, m.ratio):
                _sound(value)


@settings(max_examples=80, deadline=None)
@given(series())
def test_isolation(vacuum: Series) -> None:
    found = detect_isolation(vacuum)
    assert (found.t_s is None) == (found.problem is not None)
