"""Units at the edge: parsing, showing, round trips; factors by NIST SP 811 (2008)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.points import Quantity
from logger.model.text import clean, clean_name
from logger.model.units import UNITS, UnitError, from_si, parse_quantity, show, to_si
from logger.model.value import known, unknown


@pytest.mark.parametrize(
    ("text", "quantity", "si"),
    [
        ("118psig", Quantity.PRESSURE, 118 * 6894.757293 + 101325),
        ("15 inHg", Quantity.PRESSURE, 101325 - 15 * 3386.389),
        ("15 in Hg", Quantity.PRESSURE, 101325 - 15 * 3386.389),
        ("40F", Quantity.TEMPERATURE, 277.594444),
        ("-40 °C", Quantity.TEMPERATURE, 233.15),
        ("47.6lb", Quantity.MASS, 21.590997),
        ("500 micron", Quantity.VACUUM, 66.661194),
        ("500 mTorr", Quantity.VACUUM, 66.661194),
        ("67Pa", Quantity.VACUUM, 67.0),
        ("10F", Quantity.TEMPERATURE_DIFFERENCE, 5.555556),
        ("400psi", Quantity.PRESSURE_DIFFERENCE, 2757902.917),
        ("80%", Quantity.RATIO, 0.8),
        ("5280ft", Quantity.LENGTH, 1609.344),
    ],
)
def test_known_conversions(text: str, quantity: Quantity, si: float) -> None:
    assert parse_quantity(text, quantity) == pytest.approx(si, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "word"),
    [("12psi", "psig or psia"), ("12", "no unit"), ("abc", "not a number"), ("5lb", "is a mass"), ("5 stone", "known"),
     ("1e400psig", "too large"), ("1e308MPa", "too large"), ("1,000psig", "comma"), ("20,5bar", "comma")],
)  # fmt: skip
def test_what_cannot_be_a_pressure_is_told(text: str, word: str) -> None:
    with pytest.raises(UnitError, match=word):
        parse_quantity(text, Quantity.PRESSURE)


@given(unit=st.sampled_from(sorted(UNITS)), number=st.floats(-1e4, 1e4), ambient=st.floats(5e4, 1.1e5))
@settings(max_examples=200, deadline=None)
def test_there_and_back(unit: str, number: float, ambient: float) -> None:
    u = UNITS[unit]
    assert from_si(to_si(number, u, ambient), u, ambient) == pytest.approx(number, rel=1e-9, abs=1e-6 / u.factor)


def test_shown_as_the_user_reads_it() -> None:
    assert show(known(914906.36, "Pa"), Quantity.PRESSURE, "us") == "118.0 psig"
    assert show(known(277.594444, "K"), Quantity.TEMPERATURE, "us") == "40.0 °F"
    assert show(known(66.66, "Pa"), Quantity.VACUUM, "us") == "500 microns"
    assert show(known(101324.0, "Pa"), Quantity.PRESSURE, "us") == "0.0 psig"
    assert show(known(51_000.0, "Pa"), Quantity.PRESSURE, "us") == "14.9 in. Hg vac"
    assert show(known(51_000.0, "Pa"), Quantity.PRESSURE, "si") == "-0.50 barg"
    assert show(unknown("Pa", "open circuit"), Quantity.PRESSURE, "us") == "unknown"


@given(st.text(max_size=400))
@settings(max_examples=200, deadline=None)
def test_cleaned_text_is_harmless(text: str) -> None:
    shown = clean(text)
    assert len(shown) <= 300
    assert shown.isprintable()
    assert clean(shown) == shown
    name = clean_name(text)
    assert name and set(name) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_")
