"""Refrigerant tables of the simulation against published points and CoolProp itself."""

import CoolProp.CoolProp as coolprop
import pytest

from sim_device.errors import BadSetting
from sim_device.physics.fluid import TABLED, fluid, made


@pytest.mark.parametrize(
    ("name", "celsius", "bubble_kpa", "dew_kpa", "source"),
    [
        ("R-407C", 20.0, 1038.0, 880.0, "public reference-equation test data"),
        ("R-134a", 0.0, 292.8, 292.8, "computed once with CoolProp"),
        ("R-22", 0.0, 498.0, 498.0, "computed once with CoolProp"),
        ("R-410A", 0.0, 800.7, 798.1, "computed once with CoolProp"),
        ("R-407C", 0.0, 567.9, 460.7, "computed once with CoolProp"),
    ],
)
def test_saturation_pressures(name: str, celsius: float, bubble_kpa: float, dew_kpa: float, source: str) -> None:
    s = fluid(name).at(celsius + 273.15)
    assert s.bubble_pa / 1e3 == pytest.approx(bubble_kpa, rel=5e-4), source
    assert s.dew_pa / 1e3 == pytest.approx(dew_kpa, rel=5e-4), source


@pytest.mark.parametrize("name", TABLED)
def test_the_tables_beside_it_are_those_of_coolprop(name: str) -> None:
    there, again = fluid(name), made(name)
    assert (there.molar_mass, there.critical_k) == pytest.approx((again.molar_mass, again.critical_k), rel=1e-9)
    assert len(there.rows) == len(again.rows)
    for row, other in zip(there.rows, again.rows, strict=True):
        assert tuple(row) == pytest.approx(other, rel=1e-7)


@pytest.mark.parametrize("t_k", [220.3, 251.7, 288.2, 301.45, 333.333])
def test_between_the_nodes_it_follows_coolprop(t_k: float) -> None:
    s = fluid("R-134a").at(t_k)
    state = coolprop.AbstractState("HEOS", "R134a")
    state.update(coolprop.QT_INPUTS, 0.0, t_k)
    assert s.bubble_pa == pytest.approx(state.p(), rel=1e-4)
    assert s.liquid_density == pytest.approx(state.rhomass(), rel=1e-4)
    assert s.liquid_energy == pytest.approx(state.umass(), abs=5.0)
    state.update(coolprop.QT_INPUTS, 1.0, t_k)
    assert s.vapour_density == pytest.approx(state.rhomass(), rel=2e-4)
    assert s.vapour_enthalpy == pytest.approx(state.hmass(), abs=5.0)


@pytest.mark.parametrize("t_k", [215.0, 273.15, 300.1, 340.0])
def test_temperature_of_a_pressure_is_the_inverse(t_k: float) -> None:
    f = fluid("R-407C")
    assert f.bubble_k(f.at(t_k).bubble_pa) == pytest.approx(t_k, abs=2e-3)
    assert f.dew_k(f.at(t_k).dew_pa) == pytest.approx(t_k, abs=2e-3)


def test_unknown_refrigerant_is_refused_with_what_to_do() -> None:
    with pytest.raises(BadSetting, match=r"R-999.*R-407C"):
        fluid("R-999")
