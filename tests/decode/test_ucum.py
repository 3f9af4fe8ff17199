"""UCUM codes against logger.model.units, which carries the same codes for the user's units."""

import pytest

from logger.decode.ucum import UcumError, ucum
from logger.model.units import UNITS

# Units of what is computed or entered: no sensor sends them.
SHOWN_ONLY = {"decades/h", "lb/yr", "kg/yr", "atm.cc/s", "Pa.m3/s", "kW", "W", "Btu/h", "kW_cooling"}


@pytest.mark.parametrize("name", [n for n in UNITS if not n.endswith("_diff") and n not in SHOWN_ONLY])
def test_codes_of_the_users_units_agree(name: str) -> None:
    unit, found = UNITS[name], ucum(UNITS[name].ucum)
    assert found.factor == pytest.approx(unit.factor, rel=1e-9)
    assert found.offset == pytest.approx(unit.offset)


@pytest.mark.parametrize(
    ("code", "si", "factor"),
    [
        ("um[Hg]", "Pa", 0.133322387),  # UCUM: m[Hg] is 133.3220 kPa
        ("um", "m", 1e-6),  # and a plain um is a length
        ("mm[Hg]", "Pa", 133.322387),
        ("kPa", "Pa", 1e3),
        ("mV/V", "1", 1e-3),
        ("mOhm", "Ohm", 1e-3),
        ("kOhm", "Ohm", 1e3),
        ("mA", "A", 1e-3),
        ("[lb_av]/min", "kg/s", 0.45359237 / 60),
        ("min", "s", 60.0),
        ("ms", "s", 1e-3),
        ("%", "1", 0.01),
    ],
)
def test_code(code: str, si: str, factor: float) -> None:
    assert ucum(code).si == si
    assert ucum(code).factor == pytest.approx(factor)


@pytest.mark.parametrize("code", ["psi", "PSI", "micron", "pa", "degF", "kCel", "k[psi]", "mmin", "a/b/c"])
def test_what_is_no_code_is_refused(code: str) -> None:
    with pytest.raises(UcumError):
        ucum(code)
