"""The shipped table: laws that hold for every refrigerant, names, errors, and what loading it costs."""

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.refrigerant import SHIPPED, OutOfRange, RefrigerantError, UnknownRefrigerant, find, names
from logger.refrigerant.compositions import SAFETY_SOURCE
from logger.refrigerant.table import TABLE_PATH, SaturationTable

NAMES = names()
ANY = st.sampled_from(NAMES)
SHARE = st.floats(0.0, 1.0)


def between(low: float, high: float, share: float) -> float:
    return min(max(low + (high - low) * share, low), high)


def log_between(low: float, high: float, share: float) -> float:
    return float(min(max(low * (high / low) ** share, low), high))


def test_it_has_the_refrigerants_of_the_trade() -> None:
    assert len(NAMES) >= 60
    needed = """R-134a R-22 R-32 R-410A R-407C R-404A R-507A R-448A R-449A R-454B R-513A R-1234ze(E) R-290 R-744 R-717
    R-600a R-1270 R-123 R-1233zd(E) R-12 R-502 R-1234yf R-438A R-514A R-515B R-516A"""
    assert set(needed.split()) <= set(NAMES)


@settings(max_examples=300, deadline=None)
@given(ANY, SHARE, SHARE)
def test_temperature_rises_with_pressure(name: str, one: float, other: float) -> None:
    r = find(name)
    low, high = sorted(log_between(r.low_pa, r.high_pa, share) for share in (one, other))
    if high <= low * (1 + 1e-9):
        return
    assert r.bubble_temperature(low) < r.bubble_temperature(high)
    assert r.dew_temperature(low) < r.dew_temperature(high)


@settings(max_examples=300, deadline=None)
@given(ANY, SHARE)
def test_dew_pressure_is_never_above_bubble_pressure(name: str, share: float) -> None:
    """At an azeotrope they touch: the model's own tolerance of 0.2 mK is allowed."""
    r = find(name)
    low, high = r.dew_range_k[0], r.bubble_range_k[1]
    kelvin = between(low, high, share)
    assert r.dew_pressure(kelvin) <= r.bubble_pressure(kelvin) * (1 + 1e-5)
    pressure_pa = log_between(r.low_pa, r.high_pa, share)
    assert r.glide(pressure_pa) >= -2e-4
    if r.pure:
        assert r.glide(pressure_pa) == 0


@settings(max_examples=300, deadline=None)
@given(ANY, SHARE)
def test_pressure_and_temperature_return_to_each_other(name: str, share: float) -> None:
    r = find(name)
    pressure_pa = log_between(r.low_pa, r.high_pa, share)
    assert r.bubble_pressure(r.bubble_temperature(pressure_pa)) == pytest.approx(pressure_pa, rel=1e-10)
    assert r.dew_pressure(r.dew_temperature(pressure_pa)) == pytest.approx(pressure_pa, rel=1e-10)


@settings(max_examples=300, deadline=None)
@given(ANY, SHARE, SHARE)
def test_liquid_is_denser_and_thins_while_vapour_thickens_with_temperature(name: str, one: float, two: float) -> None:
    r = find(name)
    low, high = r.dew_range_k[0], r.bubble_range_k[1]
    cold, warm = sorted(between(low, high, share) for share in (one, two))
    assert r.liquid_density(cold) > r.vapour_density(cold)
    if warm > cold + 1e-6:
        assert r.liquid_density(warm) < r.liquid_density(cold)
        assert r.vapour_density(warm) > r.vapour_density(cold)
    assert r.liquid_full_temperature(r.liquid_density(warm)) == pytest.approx(warm, abs=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_it_is_continuous_at_every_node(name: str) -> None:
    r = find(name)
    count = len(r._nodes["bubble"])
    for i in range(1, count - 1):
        node = r.low_pa * (r.high_pa / r.low_pa) ** (i / (count - 1))
        for curve, line in ((r.bubble_temperature, "bubble"), (r.dew_temperature, "dew")):
            at = (r._nodes[line] or r._nodes["bubble"])[i]
            before, after = curve(node * (1 - 1e-9)), curve(node * (1 + 1e-9))
            assert before == pytest.approx(at, abs=1e-5) and after == pytest.approx(at, abs=1e-5)


@pytest.mark.parametrize("name", NAMES)
def test_its_description_is_whole(name: str) -> None:
    r = find(name)
    assert sum(r.composition.values()) == pytest.approx(1, abs=1e-9)
    assert r.tier in ("reference", "predictive", "estimated")
    assert r.pressure_class in ("low", "medium", "high", "very high")
    assert r.safety_class in ("A1", "A2L", "A2", "A3", "B1", "B2L") and r.safety_source == SAFETY_SOURCE
    assert 0.5 * r.critical_pressure_pa < r.high_pa < 0.99 * r.critical_pressure_pa
    assert r.bubble_range_k[1] < r.critical_temperature_k
    assert r.estimated == any(model == "linear mixing rule" for model in r.models)
    if r.normal_bubble_k is not None:
        assert r.bubble_temperature(101325.0) == pytest.approx(r.normal_bubble_k, abs=1e-4)
    assert r.coolprop_version.startswith("8.")


@pytest.mark.parametrize(
    "method, wrong",
    [
        ("bubble_temperature", 1.0), ("bubble_temperature", 1e8), ("dew_temperature", 1.0), ("dew_temperature", -3e5),
        ("bubble_pressure", 20.0), ("dew_pressure", 900.0), ("liquid_density", 900.0), ("vapour_density", 20.0),
        ("bubble_temperature", math.nan), ("dew_pressure", math.inf), ("liquid_full_temperature", 1.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("name", ["R-744", "R-410A", "R-438A"])
def test_outside_the_range_is_an_error_with_the_range(name: str, method: str, wrong: float) -> None:
    with pytest.raises(OutOfRange, match=f"^{name} .*range of the table") as caught:
        getattr(find(name), method)(wrong)
    assert caught.value.low < caught.value.high


@pytest.mark.parametrize(
    "typed, name",
    [
        ("R-410A", "R-410A"), ("r410a", "R-410A"), ("410A", "R-410A"), (" R 410 a ", "R-410A"),
        ("R1234ze(E)", "R-1234ze(E)"), ("1234ze", "R-1234ze(E)"), ("r1234ZEE", "R-1234ze(E)"),
        ("HFC-134a", "R-134a"),
        ("hcfc22", "R-22"),
        ("HFO-1233zd", "R-1233zd(E)"), ("ammonia", "R-717"), ("CO2", "R-744"), ("propane", "R-290"),
        ("iso-butane", "R-600a"), ("R600a", "R-600a"), ("R-1336mzz(Z)", "R-1336mzz(Z)"),
    ],
)  # fmt: skip
def test_names_are_found_in_any_usual_form(typed: str, name: str) -> None:
    assert find(typed).name == name


@settings(max_examples=100, deadline=None)
@given(ANY, st.booleans(), st.booleans(), st.booleans())
def test_every_name_is_found_without_hyphen_prefix_or_case(name: str, hyphen: bool, prefix: bool, lower: bool) -> None:
    typed = name if hyphen else name.replace("-", "")
    typed = typed if prefix else typed.lstrip("R-")
    assert find(typed.lower() if lower else typed).name == name


@pytest.mark.parametrize(
    "typed, expected",
    [("R-410B", "R-410A"), ("R-41OA", "R-410A"), ("1336mzz", "R-1336mzz(E)"), ("R-134", "R-134a"), ("454", "R-454A")],
)
def test_a_wrong_name_gets_the_nearest(typed: str, expected: str) -> None:
    with pytest.raises(UnknownRefrigerant) as caught:
        find(typed)
    assert expected in caught.value.nearest
    assert expected in str(caught.value)


@pytest.mark.parametrize(
    "typed, word",
    [("water", "water"), ("R-718", "water"), ("nitrogen", "compressed gas"), ("air", "air"), ("O2", "never be used")],
)
def test_what_is_no_refrigerant_is_refused_with_its_reason(typed: str, word: str) -> None:
    with pytest.raises(UnknownRefrigerant, match=word):
        find(typed)


@pytest.mark.parametrize("typed", ["", "   ", "R-", "?", "x" * 5000, "R-\x1b[31m"])
def test_nonsense_is_unknown_and_nothing_worse(typed: str) -> None:
    with pytest.raises(UnknownRefrigerant):
        find(typed)


def test_names_are_in_order_of_number() -> None:
    numbers = [int("".join(c for c in name[2:6] if c.isdigit())) for name in NAMES]
    assert numbers == sorted(numbers)


def test_the_first_call_imports_neither_coolprop_nor_numpy() -> None:
    code = (
        "import sys; from logger.refrigerant import find; find('410A').dew_temperature(9e5);"
        "print([m for m in ('CoolProp', 'numpy', 'scipy', 'difflib', 'asyncio') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_file_that_is_no_table_is_refused(tmp_path: Path) -> None:
    whole = TABLE_PATH.read_bytes()
    head = json.loads(whole.splitlines()[0])
    newer = json.dumps(head | {"format": 99}).encode() + whole[whole.index(b"\n") :]
    for content in (b"", b"{}\n", b"not json\n", newer, whole[: len(whole) // 2].rsplit(b"\n", 1)[0]):
        path = tmp_path / "table.jsonl"
        path.write_bytes(content)
        with pytest.raises(RefrigerantError, match="table"):
            SaturationTable.read(path)
    with pytest.raises(RefrigerantError):
        SaturationTable.read(tmp_path / "missing.jsonl")


@pytest.mark.parametrize(
    ("name", "kg_mol"),
    [("R-134a", 0.10203), ("R-32", 0.05202), ("R-717", 0.01703), ("R-410A", 0.07259), ("R-407C", 0.0862)],
)  # ASHRAE 34, from memory
def test_molar_mass(name: str, kg_mol: float) -> None:
    assert find(name).molar_mass == pytest.approx(kg_mol, rel=2e-4)


def test_a_label_says_when_the_numbers_are_less_sure() -> None:
    labels = [SHIPPED.labelled(name) for name in ("R-407C", "R-417A", "R-438A", "R-9999")]
    assert labels == ["R-407C", "R-417A (predictive)", "R-438A (estimated)", "R-9999"]
