"""What a device sends reads back, by the protocol's own formulas, as what the plant was."""

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import NoReading
from firmware_protocol.conversion import measured, problem_with
from sim_device.boards import boards
from sim_device.errors import BadSetting
from sim_device.scenarios import SCENARIOS
from sim_device.sensors import _UNITS, ChannelSpec, Sensor

CHANNELS = [spec for board in boards(SCENARIOS["brewery"]) for spec in board.channels]


def _ids(spec: ChannelSpec) -> str:
    return spec.point


@pytest.mark.parametrize("spec", CHANNELS, ids=_ids)
@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.0, 1.0))
def test_reads_back_within_its_stated_accuracy(spec: ChannelSpec, share: float) -> None:
    assert spec.range_low is not None
    assert spec.range_high is not None
    value = spec.range_low + share * (spec.range_high - spec.range_low)
    factor, shift = _UNITS[spec.unit]
    barometer_pa = 101325.0
    si = value * factor + shift + (barometer_pa if spec.vented else 0.0)

    def sense(point: str, t_s: float) -> float:
        return barometer_pa if point == "barometer" and spec.point != "barometer" else si

    describe = spec.describe(0)
    assert problem_with(describe) is None
    quiet = replace(spec, noise=0.0, noise_of_reading=0.0)
    raw = Sensor(quiet, 0, sense, random.Random(1)).reading(0.0)
    if isinstance(raw, NoReading):  # rounding at the very edge
        assert share < 1e-6 or share > 1 - 1e-6
        return
    reading = measured(describe, raw)
    assert reading is not None
    assert spec.accuracy is not None
    assert reading == pytest.approx(value, abs=spec.accuracy)


def test_noise_is_seeded_and_of_its_size() -> None:
    spec = next(c for c in CHANNELS if c.point == "cylinder_temperature")
    a, b = (Sensor(spec, 0, lambda p, t: 298.15, random.Random(4)) for _ in range(2))
    first, second = [a.reading(0.0) for _ in range(400)], [b.reading(0.0) for _ in range(400)]
    assert first == second
    celsius = [measured(spec.describe(0), r) or 0.0 for r in first if isinstance(r, int)]
    mean = sum(celsius) / 400
    spread = (sum((c - mean) ** 2 for c in celsius) / 399) ** 0.5
    assert mean == pytest.approx(25.0, abs=0.01)
    assert spread == pytest.approx(spec.noise, rel=0.2)


def test_wires_break_with_a_reason_and_ranges_end_with_one() -> None:
    spec = next(c for c in CHANNELS if c.point == "vacuum")
    level = 50.0
    sensor = Sensor(spec, 0, lambda p, t: level, random.Random(1))
    held = sensor.reading(0.0)
    assert isinstance(held, int)
    for wire, reason in (("open", NoReading.OPEN_CIRCUIT), ("short", NoReading.SHORT_CIRCUIT)):
        sensor.wire = wire
        assert sensor.reading(0.0) is reason
    sensor.wire = ""
    level = 1e5
    assert sensor.reading(0.0) is NoReading.OVER_RANGE
    level = 0.01
    assert sensor.reading(0.0) is NoReading.UNDER_RANGE
    level = 60.0
    last = sensor.reading(0.0)
    sensor.wire = "stuck"
    level = 500.0
    assert sensor.reading(0.0) == last
    with pytest.raises(BadSetting, match="open"):
        sensor.wire = "melted"


def test_scale_steps_by_its_division() -> None:
    """A 0.1 lb scale sends whole tenths of a pound."""
    board = next(b for b in boards(SCENARIOS["brewery"]) if b.name == "scale")
    spec = replace(board.channels[0], noise=0.0)
    sensor = Sensor(spec, 0, lambda p, t: 40.0, random.Random(1))
    assert sensor.reading(0.0) == round(40.0 / 0.45359237 * 10)
    assert spec.accuracy == pytest.approx(0.1)
