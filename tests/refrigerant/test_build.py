"""The table is what primed CoolProp says: every refrigerant between its nodes, some of them node by node."""

import math
from functools import cache

import pytest

from logger.refrigerant import find, names
from logger.refrigerant.build import NODES, build
from logger.refrigerant.compositions import BLENDS, compositions
from logger.refrigerant.errors import BlendError
from logger.refrigerant.pressure_class import PSI_PA, pressure_class
from logger.refrigerant.primed import CP, PrimedState, component_key, pair_model, tier_of, version
from logger.refrigerant.spline import log_nodes, shape_nodes

POINTS = 9


@cache
def primed(name: str) -> PrimedState:
    return PrimedState(find(name).composition)


@pytest.mark.parametrize("name", names())
def test_between_the_nodes_it_is_primed_coolprop(name: str) -> None:
    """0.02 K and 0.05 % are promised; `python -m tests.handbook.accuracy` walks many more points."""
    r, state = find(name), primed(name)
    for i in range(POINTS):
        share = (i + 0.618) / POINTS
        pressure_pa = r.low_pa * (r.high_pa / r.low_pa) ** share
        assert r.bubble_temperature(pressure_pa) == pytest.approx(state.temperature(pressure_pa, 0), abs=0.02)
        assert r.dew_temperature(pressure_pa) == pytest.approx(state.temperature(pressure_pa, 1), abs=0.02)
        for quality, (low, high), density in (
            (0, r.bubble_range_k, r.liquid_density),
            (1, r.dew_range_k, r.vapour_density),
        ):
            kelvin = low + (high - low) * share
            assert density(kelvin) == pytest.approx(state.density(kelvin, quality), rel=5e-4)


@pytest.mark.parametrize("name", names())
def test_nodes_are_what_coolprop_says(name: str) -> None:
    """Every 18th node of each curve, flashed anew."""
    r, state = find(name), primed(name)
    pressures = log_nodes(r.low_pa, r.high_pa, NODES)
    anchor = r._anchor_k
    for i in range(1, NODES, 18):
        assert r._nodes["bubble"][i] == pytest.approx(state.temperature(pressures[i], 0), abs=2e-4)
        if r._nodes["dew"] is not None:
            assert r._nodes["dew"][i] == pytest.approx(state.temperature(pressures[i], 1), abs=2e-4)
        for line, quality, span in (("liquid", 0, r.bubble_range_k), ("vapour", 1, r.dew_range_k)):
            kelvin = shape_nodes(*span, anchor, NODES)[i]
            assert r._nodes[line][i] == pytest.approx(state.density(kelvin, quality), rel=2e-5)


@pytest.mark.parametrize("name", ["R-134a", "R-410A", "R-454B", "R-409A"])
def test_building_again_gives_the_same_nodes(name: str) -> None:
    r = find(name)
    assert r.coolprop_version == version(), "the table was built with another CoolProp: build it anew"
    description, nodes = build(name, r.composition, r.safety_class, r.safety_source)
    for key in ("tier", "pressure_class", "models"):
        assert description[key] == (list(r.models) if key == "models" else getattr(r, key))
    for line, tolerance in (("bubble", 1e-5), ("liquid", 1e-4), ("vapour", 1e-4)):
        assert nodes[line] == pytest.approx(r._nodes[line], abs=tolerance)


def test_compositions_are_those_coolprop_predefines() -> None:
    """ASHRAE 34 compositions; R-514A, R-515B and R-516A are not in CoolProp's list (from memory)."""
    absent = []
    for name in BLENDS:
        try:
            state = CP.AbstractState("HEOS", component_key(name) + ".mix")
            theirs = dict(zip(state.fluid_names(), state.get_mass_fractions(), strict=True))
        except ValueError as exc:
            # CoolProp cannot make it (a pair is missing), or does not list it.
            if "binary pair" not in str(exc):
                absent.append(name)
            continue
        ours = {CP.get_fluid_param_string(component_key(part), "name"): x for part, x in compositions()[name].items()}
        assert ours == pytest.approx(theirs, abs=1e-5), name
    assert absent == ["R-514A", "R-515B", "R-516A"]


def test_a_missing_pair_makes_a_blend_estimated_and_stays_missing() -> None:
    assert pair_model("R-22", "R-124") is None
    PrimedState({"R-22": 0.6, "R-124": 0.4})  # gives CoolProp a linear rule for the pair
    assert pair_model("R-22", "R-124") is None
    assert tier_of({"R-22": 0.6, "R-124": 0.4}) == ("estimated", ("linear mixing rule",))
    assert tier_of({"R-32": 0.5, "R-125": 0.5})[0] == "reference"
    assert tier_of({"R-125": 0.9, "R-600a": 0.1})[0] == "predictive"


def test_an_unknown_component_is_an_error_and_not_a_crash() -> None:
    with pytest.raises(BlendError, match="cannot describe"):
        build("X", {"R-9999": 0.5, "R-32": 0.5}, "A1", "")


def test_plain_coolprop_would_fail_where_the_table_answers() -> None:
    """Why the envelope is built first: R-410A's bubble point at 50 °C, 3.07 MPa (0.6 of critical)."""
    r = find("R-410A")
    assert r.bubble_temperature(r.bubble_pressure(323.15)) == pytest.approx(323.15, abs=1e-9)
    assert r.bubble_pressure(323.15) == pytest.approx(primed("R-410A").pressure(323.15, 0), rel=1e-5)


@pytest.mark.parametrize(
    "psia, kelvin, expected",
    [
        (44.9, 500, "low"), (45.0, 500, "medium"), (169.9, 500, "medium"), (170.0, 500, "high"), (354.9, 500, "high"),
        (355.0, 500, "very high"), (None, 313.1, "very high"), (100.0, 313.14, "very high"),
    ],
)  # fmt: skip
def test_pressure_class_edges(psia: float | None, kelvin: float, expected: str) -> None:
    """40 CFR 82.152: 170 to 355 psia from the regulation, the other edges from memory."""
    assert pressure_class(None if psia is None else psia * PSI_PA, kelvin) == expected


@pytest.mark.parametrize(
    "name, psia, expected",
    [
        ("R-123", 22.4, "low"), ("R-12", 139.1, "medium"), ("R-134a", 147.4, "medium"), ("R-290", 198.6, "high"),
        ("R-22", 222.4, "high"), ("R-407C", 253.7, "high"), ("R-404A", 265.4, "high"), ("R-410A", 351.8, "high"),
        ("R-32", 359.4, "very high"),
    ],
)  # fmt: skip
def test_pressure_at_104_f_and_class(name: str, psia: float, expected: str) -> None:
    """Liquid saturation at 104 °F, psia: computed once with CoolProp (a regression value)."""
    assert find(name).bubble_pressure(313.15) / PSI_PA == pytest.approx(psia, abs=0.1)
    assert find(name).pressure_class == expected


def test_carbon_dioxide_is_very_high_by_its_critical_temperature() -> None:
    assert find("R-744").critical_temperature_k < 313.15 and find("R-744").pressure_class == "very high"
    assert find("R-744").normal_bubble_k is None  # it sublimes at atmospheric pressure


def test_critical_points_of_blends_come_from_the_envelope() -> None:
    """R-410A 71.3 °C, 4.90 MPa; R-404A 72.1 °C, 3.73 MPa; R-407C 86.0 °C, 4.63 MPa (handbook values, from memory)."""
    for name, celsius, pascal in (("R-410A", 71.3, 4.90e6), ("R-404A", 72.1, 3.73e6), ("R-407C", 86.0, 4.63e6)):
        assert find(name).critical_temperature_k - 273.15 == pytest.approx(celsius, abs=0.25)
        assert find(name).critical_pressure_pa == pytest.approx(pascal, rel=0.01)
    assert all(math.isfinite(find(name).critical_pressure_pa) for name in names())
