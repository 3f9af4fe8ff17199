"""The device's own limit on the scale: the last number allowed reads under the cylinder's limit, the next does not."""

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from firmware_protocol.codes import Quantity, SampleType, SensorKind
from firmware_protocol.layout import lowest_reading
from firmware_protocol.messages import Describe
from logger.cylinder.limits import limits
from logger.cylinder.scale_guard import scale_guard
from logger.decode.channel import ChannelDecoder
from logger.model.cylinder import Cylinder
from logger.model.rig import Calibration, RigChannel

CYLINDER = Cylinder("A", 12.5, 21.6, 2.76e6, refrigerant="R-407C")
LIMIT = limits(CYLINDER)
SCALES = (
    Describe(0, 0, Quantity.MASS, "kg", SampleType.I16, -2, 200, range_low=-20.0, range_high=200.0),
    Describe(0, 0, Quantity.MASS, "[lb_av]", SampleType.I16, -1, 200, offset=1000),
    Describe(0, 0, Quantity.MASS, "kg", SampleType.I24, -9, 100, sensor_kind=SensorKind.BRIDGE,
             parameters=(0.0, 0.0, 0.002, 150.0)),
    Describe(0, 0, Quantity.MASS, "kg", SampleType.I24, -9, 100, sensor_kind=SensorKind.BRIDGE,
             parameters=(0.0, 0.0, -0.002, 150.0)),  # wired the other way round
    Describe(0, 0, Quantity.MASS, "kg", SampleType.I16, -6, 100, offset=12_000, sensor_kind=SensorKind.CURRENT_LOOP,
             parameters=(0.004, 0.0, 0.020, 100.0)),
)  # fmt: skip


@given(
    scale=st.sampled_from(SCALES), zero=st.floats(-0.5, 0.5), span=st.floats(0.97, 1.03), u=st.floats(0.0, 0.3),
    share=st.floats(0.5, 1.0), tare=st.floats(5.0, 40.0), water=st.floats(10.0, 80.0),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_no_allowed_number_reaches_the_limit(
    scale: Describe, zero: float, span: float, u: float, share: float, tare: float, water: float
) -> None:
    decoder = ChannelDecoder(scale, RigChannel(0, "cylinder_mass", Calibration(zero, span)))
    limit = limits(Cylinder("A", tare, water, 2.76e6, refrigerant="R-407C"))
    assert limit.max_net.number is not None
    high_kg = tare + share * limit.max_net.number - 2 * u
    guard = scale_guard(decoder, limit, share, u)
    assume(guard is not None)
    assert guard is not None
    assert guard.high_kg == pytest.approx(high_kg)
    falling = scale.parameters[2:3] == (-0.002,)
    edge, beyond = (guard.low, guard.low - 1) if falling else (guard.high, guard.high + 1)
    inside, outside = decoder.decode(0, edge).value, decoder.decode(0, beyond).value
    assert inside is None or inside < high_kg
    # The very next one is over, or no number of the scale is.
    assert inside is None or outside is None or outside >= high_kg - 1e-9
    empty = decoder.decode(0, guard.high if falling else guard.low).value
    assert empty is None or empty >= tare - max(3 * u, 0.005 * water) - 1e-9
    assert lowest_reading(scale.sample_type) <= guard.low < guard.high


def test_without_a_limit_or_a_straight_curve_there_is_no_guard() -> None:
    decoder = ChannelDecoder(SCALES[0], RigChannel(0, "cylinder_mass"))
    assert scale_guard(decoder, limits(Cylinder("A", 12.5, 21.6))) is None
    assert scale_guard(decoder, LIMIT, share=0.0) is None
    assert scale_guard(decoder, LIMIT, u_kg=30.0) is None
    guard = scale_guard(decoder, LIMIT)
    assert guard is not None
    assert decoder.decode(0, guard.high).value == pytest.approx(guard.high_kg, abs=0.011)
