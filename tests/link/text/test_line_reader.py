"""One line of a text instrument to a reading: units, steadiness, and a reason wherever there is no number.

The formats are invented.
"""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.channel import DecodeError
from logger.decode.safe_pattern import PatternError
from logger.decode.stated import stated_decoder
from logger.decode.text_line import NOT_STEADY, LineReader, ParsedReading
from logger.model.instrument import LineField, Stated
from logger.model.rig import Calibration, RigChannel
from logger.model.units import POUND_KG, PSI_PA, UnitError

SCALE = LineField(
    r"W *(?P<value>[-+]? *\d+\.\d+) *(?P<unit>\w+)? *(?P<stable>[SM])?",
    units=(("kg", "kg"), ("lbs", "lb")),
    stable=("S",),
)
GAUGE = LineField(r"P=(?P<value>[-+]?[\d.]+) ?(?P<unit>[A-Za-z/\"]+)", units=(("PSI", "psig"), ("inHg", "inHg")))


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b"W  27.46 kg S", 27.46),
        (b"\x02W 27.46kg S\x03", 27.46),
        (b"W - 0.02 kg S", -0.02),
        (b"W 10.00 lbs S", 10 * POUND_KG),
        (b"W 27.46 kg M", NOT_STEADY),
        (b"W 27.46 kg", NOT_STEADY),
        (b"W 27.46 st S", 'unit "st" is not in the rig file\'s table'),
        (b"W 27.46 S", 'unit "S" is not in the rig file\'s table'),
        (b"W 27.46", 'unit "" is not in the rig file\'s table'),
        (b"27.46 kg S", None),
        (b"W 27.46 kg S W 27", None),
        (b"W 27 kg S", None),
        (b"", None),
        (b"W" + b" " * 130 + b"1.0 kg S", None),
    ],
)
def test_a_scale(line: bytes, said: float | str | None) -> None:
    found = LineReader(SCALE, "kg").read(line)
    if said is None:
        assert found is None
    elif isinstance(said, str):
        assert found == ParsedReading(None, said)
    else:
        assert found is not None and found.number == pytest.approx(said) and found.problem is None


def test_unsteady_readings_are_used_where_the_rig_says_so() -> None:
    field = LineField(SCALE.pattern, SCALE.units, SCALE.stable, use_unstable=True)
    assert LineReader(field, "kg").read(b"W 27.46 kg M") == ParsedReading(27.46)


def test_a_flag_that_is_there_or_not() -> None:
    field = LineField(r"(?P<value>\d+)(?P<stable>\*?)", stable=("",))  # a star while it moves
    reader = LineReader(field, "kg")
    assert reader.read(b"12") == ParsedReading(12.0)
    assert reader.read(b"12*") == ParsedReading(None, NOT_STEADY)


@pytest.mark.parametrize(
    ("line", "psi"),
    [(b"P=118.2 PSI", 118.2), (b"P=-3 PSI", -3.0), (b"P=29.9 inHg", -29.9 * 3386.389 / PSI_PA)],
)
def test_a_gauge_that_changes_to_a_vacuum(line: bytes, psi: float) -> None:
    said = LineReader(GAUGE, "psig").read(line)
    assert said is not None and said.number == pytest.approx(psi)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (b"P=-3 inHg", "-3 inHg is no vacuum below the air around"),
        (b"P=... PSI", 'the instrument shows "..."'),
        (b"P=1.2.3 PSI", 'the instrument shows "1.2.3"'),
        (b"P=9999999999 PSI", 'the instrument shows "9999999999"'),
        (b"P=1 bar", 'unit "bar" is not in the rig file\'s table'),
    ],
)
def test_a_gauge_without_a_reading(line: bytes, problem: str) -> None:
    assert LineReader(GAUGE, "psig").read(line) == ParsedReading(None, problem)


def test_overload_words_are_told_as_shown() -> None:
    reader = LineReader(LineField(r"(?P<value>-?\d+\.\d|OL|-+)"), "psig")
    assert reader.read(b"OL") == ParsedReading(None, 'the instrument shows "OL"')
    assert reader.read(b"----") == ParsedReading(None, 'the instrument shows "----"')


@pytest.mark.parametrize("line", [b"21.5 \xb0C", "21.5 °C".encode()])
def test_a_degree_sign_in_either_encoding(line: bytes) -> None:
    reader = LineReader(LineField(r"(?P<value>[\d.]+) (?P<unit>.{1,3})", units=(("°C", "C"), ("°F", "F"))), "C")
    assert reader.read(line) == ParsedReading(21.5)


def test_a_decimal_comma_only_where_the_rig_says_so() -> None:
    pattern = r"(?P<value>[\d.,]+) kg"
    assert LineReader(LineField(pattern, decimal=","), "kg").read(b"27,46 kg") == ParsedReading(27.46)
    assert LineReader(LineField(pattern, decimal=","), "kg").read(b"1.027,46 kg") == ParsedReading(
        None, 'the instrument shows "1.027,46"'
    )
    assert LineReader(LineField(pattern), "kg").read(b"27,46 kg") == ParsedReading(None, 'the instrument shows "27,46"')


@pytest.mark.parametrize(
    ("field", "error", "why"),
    [
        (LineField(r"\d+"), PatternError, r"\(\?P<value>"),
        (LineField(r"(?P<value>\d+)(?P<unit>\w+)"), PatternError, "go together"),
        (LineField(r"(?P<value>\d+)", units=(("kg", "kg"),)), PatternError, "go together"),
        (LineField(r"(?P<value>\d+)(?P<stable>S)"), PatternError, "go together"),
        (LineField(r"(?P<value>\d+)(?P<flag>S)"), PatternError, "not flag"),
        (LineField(r"(?P<value>\d+)(?P<unit>\w)", units=(("a", "stone"),)), UnitError, "stone"),
        (LineField(r"(?P<value>\d+)(?P<unit>\w)", units=(("a", "psig"),)), DecodeError, "kg and psig"),
    ],
)
def test_fields_that_cannot_be_used(field: LineField, error: type[Exception], why: str) -> None:
    with pytest.raises(error, match=why):
        LineReader(field, "kg")


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=140), st.text("W0123456789.-+ kglbsSM\x00\x1b", max_size=40).map(str.encode)))
def test_any_bytes_give_a_finite_number_a_reason_or_nothing(line: bytes) -> None:
    for field, unit in ((SCALE, "kg"), (GAUGE, "psig"), (LineField(r".*?(?P<value>\S+).*"), "kg")):
        said = LineReader(field, unit).read(line)
        if said is None:
            continue
        if said.number is None:
            assert said.problem and said.problem.isprintable() and len(said.problem) < 80
        else:
            assert math.isfinite(said.number) and said.problem is None


def channel(point: str, unit: str, calibration: Calibration | None = None, **stated: float) -> RigChannel:
    return RigChannel(0, point, calibration or Calibration(), Stated(unit, **stated))


def test_a_stated_channel_is_judged_like_any_other() -> None:
    scale = stated_decoder(
        channel("cylinder_mass", "lb", Calibration(zero=0.5 * POUND_KG), division=0.02, low=0.0, high=220.0,
                accuracy=0.1, of_reading=0.001),
        "bench scale", 5.0,
    )  # fmt: skip
    assert scale.decode(0, 100.5).value == pytest.approx(100 * POUND_KG)
    assert scale.decode(0, 230.0).problem == "over range"
    u = scale.uncertainty(100.0)
    assert u.resolution == pytest.approx(0.02 * POUND_KG / math.sqrt(12))
    assert u.accuracy == pytest.approx((0.1 + 0.1) * POUND_KG / math.sqrt(3))
    assert scale.describe.label == "bench scale" and scale.describe.period_ms == 1667
    gauge = stated_decoder(channel("suction_pressure", "psig", division=0.1, low=-14.0, high=500.0), "gauge", 3.0)
    assert gauge.gauge
    assert gauge.decode(0, -10.0, 100_000.0).value == pytest.approx(100_000 - 10 * PSI_PA)
    assert gauge.decode(0, 10.0).problem == "gauge pressure without a barometer, an entered pressure or an altitude"


@pytest.mark.parametrize(
    ("point", "unit"), [("vacuum", "psig"), ("cylinder_mass", "C"), ("vacuum", "psi"), ("no_such_point", "kg")]
)
def test_points_and_units_that_do_not_fit(point: str, unit: str) -> None:
    with pytest.raises(DecodeError):
        stated_decoder(channel(point, unit, division=1.0), "x", 3.0)
