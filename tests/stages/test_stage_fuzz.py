"""Whatever was recorded, the analyses of recovery, charging and start-up answer and raise nothing."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Verdict
from logger.model.sample import Series
from logger.refrigerant import find
from logger.stages.charging.analysis import analyse_charging
from logger.stages.recovery.analysis import analyse_recovery
from logger.stages.recovery.level import required_level
from logger.stages.start_up.analysis import analyse_start_up
from logger.stages.words import text_of
from logger.wording.values import Shown

POINTS = (
    "cylinder_mass", "recovery_inlet_pressure", "recovery_inlet_temperature", "recovery_outlet_pressure",
    "cylinder_pressure", "cylinder_temperature", "system_pressure", "ambient_temperature", "suction_pressure",
    "suction_temperature", "liquid_pressure", "liquid_temperature", "valve_position",
)  # fmt: skip
RANGE = {"pressure": (0.0, 5e6), "temperature": (200.0, 400.0), "mass": (-5.0, 200.0), "position": (0.0, 1.0)}


@st.composite
def recorded(draw: st.DrawFn) -> dict[str, Series]:
    """Some of the points, each with some readings at irregular times, jumping anywhere in their range."""
    found = {}
    for point in draw(st.lists(st.sampled_from(POINTS), unique=True)):
        low, high = RANGE[point.rsplit("_", 1)[1]]
        steps = draw(st.lists(st.floats(0.05, 400.0), max_size=60))
        t = [sum(steps[: i + 1]) for i in range(len(steps))]
        value = draw(st.lists(st.floats(low, high), min_size=len(t), max_size=len(t)))
        found[point] = Series(point, t, value, draw(st.floats(0, 1)), draw(st.floats(0, 1)))
    return found


@given(recorded(), st.floats(0.5, 200) | st.none())
@settings(max_examples=80, deadline=None)
def test_any_readings_get_an_answer(series: dict[str, Series], charge: float | None) -> None:
    refrigerant = find("R-407C")
    level = required_level("high", charge)
    recovery = analyse_recovery(series, refrigerant=refrigerant, resolution_kg=0.05, charge_kg=charge, level=level)
    scale = series.get("cylinder_mass", Series("cylinder_mass", (), ()))
    charging = analyse_charging(scale, resolution_kg=0.05, target_kg=charge, full_charge_kg=charge)
    start_up = analyse_start_up(series, refrigerant=refrigerant, baseline={})
    for finding in (*recovery.findings, *charging.findings, *start_up.findings):
        text = text_of(finding, Shown())
        assert text.body and text.headline not in ("", finding.key), "it has its words"
    if not series:
        assert Verdict.PASS not in {f.verdict for f in (*recovery.findings, *start_up.findings)}
