"""What a words function is given: numbers in one system, codes, names; no value off its limit reads as the limit."""

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.points import Quantity
from logger.model.units import MICRON_PA
from logger.model.value import Argument, known, name_of, number, unknown, word
from logger.wording.given import Given, many, sentence
from logger.wording.values import Shown, rough

SYSTEMS = st.sampled_from(["us", "si"])


def of(*inputs: Argument, system: str = "us") -> Given:
    return Given(inputs, Shown(system), {"leak": "a leak", "wet": "water"})


def test_codes_names_and_numbers_of_one_name() -> None:
    f = of(word("cause", "leak"), name_of("device", "left gauge"), word("cause", "wet"), word("cause", "new"))
    assert (f("cause"), f("device")) == ("a leak", "left gauge")
    assert f.all("cause") == ("a leak", "water", "new")  # a code without a text is shown as it is
    assert (f.code("cause"), f.codes("cause"), f.code("device")) == ("leak", ("leak", "wet", "new"), "")
    with pytest.raises(KeyError, match="no input weight"):
        f("weight")


def test_signs() -> None:
    f = of(number("off", Quantity.TEMPERATURE_DIFFERENCE, known(-2.0, "K", 0.25)))
    assert (f("off"), f.size("off"), f.signed("off")) == ("-3.6 °F", "3.6 °F", "-3.6 °F")
    assert (f.spread("off"), f.spread_of_size("off")) == ("-3.6 ± 0.9 °F", "3.6 ± 0.9 °F")


def test_what_is_not_known_says_why() -> None:
    f = of(
        number("level", Quantity.PRESSURE, unknown("Pa", "no gauge")), number("for", Quantity.TIME, unknown("s", "no"))
    )
    assert not f.known("level") and f.has("level")
    assert {f("level"), f.spread("level"), f.whole("level"), f.size("level")} == {"no gauge"}
    assert f.rough("for") == "no"


@pytest.mark.parametrize(
    ("seconds", "text"), [(0.4, "0 s"), (89.4, "89 s"), (90, "2 min"), (3600, "60 min"), (7500, "2 h 05 min")]
)
def test_rough_times(seconds: float, text: str) -> None:
    assert rough(seconds) == text


def test_grammar() -> None:
    assert (many(1, "cylinder"), many(2.0, "cylinder"), many(0, "step")) == ("1 cylinder", "2 cylinders", "0 steps")
    assert sentence("condensing 9.4 °F over ambient") == "Condensing 9.4 °F over ambient"
    assert sentence("") == ""


@given(st.floats(10.0, 5000.0), st.floats(-0.01, 0.01).filter(lambda x: abs(x) > 1e-6), SYSTEMS)
@settings(max_examples=150, deadline=None)
def test_a_vacuum_beside_its_limit_never_reads_as_the_limit(micron: float, off: float, system: str) -> None:
    limit = known(micron * MICRON_PA, "Pa")
    read = known(micron * MICRON_PA * (1 + off), "Pa")
    f = of(number("read", Quantity.VACUUM, read), number("limit", Quantity.VACUUM, limit), system=system)
    assert f.beside("read", "limit") != f("limit")


@given(st.floats(0.5e5, 4e6), st.floats(1.0, 2e4), SYSTEMS)
@settings(max_examples=150, deadline=None)
def test_a_pressure_beside_its_limit_never_reads_as_the_limit(limit_pa: float, off_pa: float, system: str) -> None:
    limit, read = known(limit_pa, "Pa"), known(limit_pa - off_pa, "Pa")
    f = of(number("read", Quantity.PRESSURE, read), number("limit", Quantity.PRESSURE, limit), system=system)
    assert f.beside("read", "limit") != f("limit")


@given(st.floats(100.0, 80_000.0), st.floats(0.0, 0.01))
@settings(max_examples=100, deadline=None)
def test_a_time_short_of_its_limit_never_reads_as_the_limit(limit_s: float, less: float) -> None:
    whole = known(float(round(limit_s)), "s")
    read = known(whole.number * (1 - less) - 0.1, "s")  # type: ignore[operator]
    f = of(number("read", Quantity.TIME, read), number("limit", Quantity.TIME, whole))
    assert f.beside("read", "limit") != f("limit")


@given(st.floats(1.0, 1e4), st.floats(1e-6, 1e3), SYSTEMS)
@settings(max_examples=100, deadline=None)
def test_an_uncertainty_is_shown_within_a_fifth_of_it(kg: float, u: float, system: str) -> None:
    """Two figures where it begins with 1 or 2, else one (GUM 7.2.6)."""
    text = of(number("mass", Quantity.MASS, known(kg, "kg", u)), system=system).spread("mass")
    shown = re.search(r"± ([\d.,]+)", text)
    assert shown is not None
    expanded = 2 * u / (0.45359237 if system == "us" else 1.0)
    assert abs(float(shown[1].replace(",", "")) - expanded) <= max(0.2 * expanded, 0.5)
