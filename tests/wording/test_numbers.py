"""Numbers in sentences: a value that is not its limit never reads as the limit."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import MICRON_PA
from logger.wording.numbers import (
    difference_spread,
    duration,
    exact,
    mass_spread,
    mass_with_spread,
    vacuum,
    vacuum_beside,
)


def test_just_short_is_told_as_short() -> None:
    assert exact(598.0, 600.0) == "9 min 58 s" and exact(599.99, 600.0) == "9 min 59 s"
    assert exact(300.0, 600.0) == "5 min"


def test_just_above_is_told_as_above() -> None:
    limit_pa = 500 * MICRON_PA
    assert vacuum_beside(500.3 * MICRON_PA, limit_pa) == "500.3 micron (66.70 Pa)"
    assert vacuum_beside(510 * MICRON_PA, limit_pa) == vacuum(510 * MICRON_PA)


@given(st.floats(100.0, 80_000.0), st.floats(0.0, 0.01))
@settings(max_examples=100, deadline=None)
def test_what_is_below_its_limit_never_reads_as_the_limit(limit_s: float, less: float) -> None:
    assert exact(limit_s * (1 - less) - 1.0, limit_s) != duration(limit_s)


@given(st.floats(10.0, 5000.0), st.floats(1e-6, 0.01))
@settings(max_examples=100, deadline=None)
def test_what_is_above_its_limit_never_reads_as_the_limit(limit_pa: float, more: float) -> None:
    assert vacuum_beside(limit_pa * (1 + more), limit_pa) != vacuum(limit_pa)


def test_no_uncertainty_reads_as_none_at_all() -> None:
    assert mass_with_spread(8.85, 0.01) == "19.5 lb (8.85 kg) ± 0.044 lb (0.020 kg) (k=2)"
    assert mass_with_spread(8.85, None) == "19.5 lb (8.85 kg) (no uncertainty stated)"
    assert mass_spread(1.5) == "3.3 lb (1.50 kg)"
    assert difference_spread(29.0) == "0.0042 psi (0.029 kPa)"


@given(st.floats(1e-9, 1e4))
@settings(max_examples=100, deadline=None)
def test_two_figures_of_an_uncertainty_are_within_a_twentieth_of_it(expanded: float) -> None:
    for told, unit in ((mass_spread(expanded), 1.0), (difference_spread(expanded), 1e3)):
        shown = float(told.split("(")[1].split()[0].replace(",", "")) * unit
        assert abs(shown - expanded) <= 0.0501 * expanded
