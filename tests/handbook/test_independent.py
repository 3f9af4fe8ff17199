"""The table against code and correlations that are not CoolProp's. All figures: python -m tests.handbook.accuracy."""

import pytest

from logger.refrigerant import find, names
from tests.handbook.comparisons import against_cantera, against_teqp, against_vapour_pressure, vapour_pressure_sources
from tests.handbook.teqp_reference import covered, same_model

SOLVER = [name for name in names() if covered(find(name)) and same_model(find(name))]
OTHER_MODEL = [name for name in names() if covered(find(name)) and not same_model(find(name))]


def test_teqp_covers_at_least_14_blends_with_the_same_models() -> None:
    assert len(SOLVER) >= 14
    assert {"R-404A", "R-407A", "R-407C", "R-407F", "R-410A", "R-507A", "R-422D"} <= set(SOLVER)


@pytest.mark.parametrize("name", SOLVER)
def test_teqps_own_solver_finds_the_same_points(name: str) -> None:
    """Same mixture models, other code: 0.5 mK, and near the critical point the splines' own few mK."""
    ordinary, whole = against_teqp(name, 60, 0.85), against_teqp(name, 60)
    for line, least in (("bubble", 60), ("dew", 35)):
        assert ordinary[line].error < 0.0005
        assert whole[line].error < 0.006
        assert ordinary[line].points >= least


@pytest.mark.parametrize("name", OTHER_MODEL)
def test_an_older_mixture_model_is_not_far_off(name: str) -> None:
    """R-1234yf blends: Akasaka 2013 and Bell 2016 in teqp, Bell 2022 and 2023 here. Two fits of measured mixtures."""
    found = against_teqp(name, 20, 0.85)
    limit = 1.6 if name in ("R-454A", "R-454C", "R-455A") else 0.7  # the large-glide ones
    assert found["bubble"].error < limit and found["dew"].error < limit


def test_canteras_r134a() -> None:
    """Own code of the Tillner-Roth and Baehr equation."""
    found = against_cantera("R-134a", 60)
    assert found["bubble"].error < 0.005
    assert found["liquid"].error < 1e-4 and found["vapour"].error < 3e-4


def test_canteras_carbon_dioxide() -> None:
    """Reynolds 1979, an older equation than Span and Wagner's: only as close as the older one is."""
    found = against_cantera("R-744", 60)
    assert found["bubble"].error < 0.12
    assert found["liquid"].error < 0.02


@pytest.mark.parametrize("name", ["R-22", "R-32", "R-143a", "R-12", "R-717", "R-744"])
def test_the_vdi_vapour_pressures(name: str) -> None:
    """Within 0.05 K, VDI Heat Atlas in the chemicals package."""
    found = against_vapour_pressure(name, "VDI", 60)
    assert found.error < 0.05 and found.points == 60


@pytest.mark.parametrize("name", [name for name in names() if vapour_pressure_sources(name)])
def test_every_other_correlation_there_is(name: str) -> None:
    """Their own accuracy is 0.1 to 0.4 K for these; the page shows each."""
    for source in vapour_pressure_sources(name):
        assert against_vapour_pressure(name, source, 30).error < 0.45
