"""A calibration is written into the lines of its channel; every other line stays."""

from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.rig_calibration import with_calibration
from logger.config.rig_file import parse_rig
from logger.model.rig import Calibration

TEXT = """[rig]
name = "Trolley"  # mine

[[device]]
name = "board"
url = "socket://127.0.0.1:1"

  [[device.channel]]
  index = 0  # left port
  point = "suction_pressure"
  zero = "0.4psi"

  [[device.channel]]
  index = 1
  point = 'suction_temperature'
  span = 1.01  # other channel, not to be touched

[alarms.machine-stopped]
priority = "high"
"""
TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=40)


@pytest.mark.parametrize("units", ["us", "si"])
@settings(max_examples=25)
@given(
    zero=st.floats(-3e4, 3e4), span=st.floats(0.9, 1.1), u=st.none() | st.floats(1.0, 1e4), by=TEXTS, reference=TEXTS,
    earlier=st.none() | st.floats(-3e4, 3e4), due=st.integers(1, 3660),
)  # fmt: skip
def test_what_is_written_is_read_again(
    units: str, zero: float, span: float, u: float | None, by: str, reference: str, earlier: float | None, due: int
) -> None:
    zeroed = (date(2026, 5, 4), by, reference) if earlier is not None else ()
    made = Calibration(zero, span, u, date(2026, 3, 2), "C-118", by, reference, earlier, due, *zeroed)
    text = with_calibration(parse_rig(TEXT), "suction_pressure", made, units)
    channels = {c.point: c.calibration for d in parse_rig(text).devices for c in d.channels}
    found = channels["suction_pressure"]
    assert (found.done, found.certificate, found.due_days) == (made.done, "C-118", due)
    assert (found.by, found.reference) == (by, reference)
    assert (found.zeroed, found.zeroed_by, found.zeroed_against) == (made.zeroed, made.zeroed_by, made.zeroed_against)
    assert found.zero == pytest.approx(zero, rel=1e-6, abs=1e-3)
    assert found.span == pytest.approx(span, rel=1e-7)
    assert (found.u is None) == (u is None)
    assert (found.earlier_zero is None) == (earlier is None)
    assert channels["suction_temperature"].span == 1.01


def test_other_lines_stay_as_they_are() -> None:
    text = with_calibration(parse_rig(TEXT), "suction_pressure", Calibration(zero=1000.0), "us")
    assert [line for line in TEXT.splitlines() if "zero" not in line] == [
        line for line in text.splitlines() if ("zero" not in line and not line.strip().startswith("span = 1"))
        or "not to be touched" in line
    ]  # fmt: skip
    assert text.count("zero =") == 1


def test_a_second_calibration_takes_the_place_of_the_first() -> None:
    once = with_calibration(parse_rig(TEXT), "suction_pressure", Calibration(zero=1000.0, certificate="A"), "si")
    twice = with_calibration(parse_rig(once), "suction_pressure", Calibration(zero=1000.0, certificate="B"), "si")
    assert twice == once.replace('"A"', '"B"')


def test_a_point_that_is_not_there() -> None:
    with pytest.raises(ValueError, match="is in the rig file"):
        with_calibration(parse_rig(TEXT), "vacuum", Calibration(), "us")
