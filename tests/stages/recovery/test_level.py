"""40 CFR 82.156, Table 1: every class, charge and date, and both edges (sources.md, Recovery levels)."""

from datetime import date

import pytest

from logger.model.finding import Verdict
from logger.model.units import INHG_PA, POUND_KG
from logger.model.value import known, unknown, word
from logger.refrigerant import find, names
from logger.stages.recovery.definition import _class_estimated
from logger.stages.recovery.level import judge_level, required_level

OLD, NEW = date(1993, 11, 14), date(1993, 11, 15)
NONE_PA = 29.9 * INHG_PA
# 40 CFR 82.156 Table 1, in.Hg of vacuum; conversions 4 / 10 / 15 in.Hg = 87.71 / 67.39 / 50.46 kPa abs (computed).
TABLE = [
    ("very high", 199.9, OLD, 0, NONE_PA),
    ("very high", 199.9, NEW, 0, NONE_PA),
    ("very high", 200.0, OLD, 0, NONE_PA),
    ("very high", 200.0, NEW, 0, NONE_PA),
    ("high", 199.9, OLD, 0, NONE_PA),
    ("high", 199.9, NEW, 0, NONE_PA),
    ("high", 200.0, OLD, 4, 87_710),
    ("high", 200.0, NEW, 10, 67_390),
    ("medium", 199.9, OLD, 4, 87_710),
    ("medium", 199.9, NEW, 10, 67_390),
    ("medium", 200.0, OLD, 4, 87_710),
    ("medium", 200.0, NEW, 15, 50_460),
    ("low", 199.9, OLD, None, 3_333),
    ("low", 199.9, NEW, None, 3_333),
    ("low", 200.0, OLD, None, 3_333),
    ("low", 200.0, NEW, None, 3_333),
]


@pytest.mark.parametrize(("kind", "charge_lb", "made", "vacuum_inhg", "absolute_pa"), TABLE)
def test_40_cfr_82_156_table_1(
    kind: str, charge_lb: float, made: date, vacuum_inhg: float | None, absolute_pa: float
) -> None:
    level = required_level(kind, charge_lb * POUND_KG, made)
    assert level.pressure.number == pytest.approx(absolute_pa, abs=10)
    named = "25_mm_absolute" if vacuum_inhg is None else f"{vacuum_inhg}_in_hg"
    assert word("level", named) in level.basis and word("class", kind) in level.basis


def test_25_mm_hg_is_3333_pa_is_25000_micron() -> None:
    assert required_level("low", 500.0, NEW).pressure.number == pytest.approx(25_000 * 0.133322387, rel=1e-6)


def test_non_major_repair_is_0_psig() -> None:
    # 40 CFR 82.156(a): non-major repair not followed by evacuation to the atmosphere.
    level = required_level("high", 300 * POUND_KG, NEW, minor_repair=True)
    assert level.pressure.number == pytest.approx(101_325)
    assert level.basis == (word("level", "minor_repair"),)


def test_what_is_not_entered_takes_the_stricter_column_and_says_so() -> None:
    level = required_level("medium", None, None)
    assert level.pressure.number == pytest.approx(50_460, abs=10)
    assert [one.value for one in level.basis if one.name == "not_entered"] == ["no_charge", "no_made"]
    assert level.pressure.note is not None
    assert required_level("high", 200 * POUND_KG, NEW).pressure.note is None


def test_where_no_vacuum_is_asked_the_lower_of_standard_and_local_atmosphere_counts() -> None:
    assert required_level("high", 50.0, NEW, ambient_pa=83_400.0).pressure.number == 83_400.0
    assert required_level("high", 50.0, NEW, ambient_pa=103_000.0).pressure.number == pytest.approx(NONE_PA)


@pytest.mark.parametrize(("kind", "charge"), [(None, 50.0), ("lukewarm", 50.0), ("high", 0.0), ("high", -1.0)])
def test_unknown_class_or_no_charge_gives_no_level(kind: str | None, charge: float) -> None:
    assert required_level(kind, charge, NEW).pressure.number is None


@pytest.mark.parametrize(("charge_lb", "said"), [(4.9, True), (5.0, True), (5.1, False), (150.0, False)])
def test_small_appliance(charge_lb: float, said: bool) -> None:
    """5 lb or less: 90 % of the charge with the compressor running, 80 % without, or 4 in.Hg (from memory)."""
    assert (word("small", "small_appliance") in required_level("medium", charge_lb * POUND_KG, NEW).basis) is said


@pytest.mark.parametrize(
    ("name", "kind"),
    # 40 CFR 82.152 by saturation pressure at 104 F (limits of "high" quoted, the rest from memory).
    [("R-123", "low"), ("R-12", "medium"), ("R-134a", "medium"), ("R-22", "high"), ("R-407C", "high"),
     ("R-404A", "high"), ("R-410A", "high"), ("R-32", "very high")],
)  # fmt: skip
def test_classes_of_the_table_fit_the_levels(name: str, kind: str) -> None:
    assert find(name).pressure_class == kind
    assert required_level(find(name).pressure_class, 100.0, NEW).pressure.number is not None


@pytest.mark.parametrize(
    ("settled", "u", "verdict"),
    [
        (60_000, 500, Verdict.PASS),
        (66_500, 500, Verdict.CANNOT_TELL),
        (68_200, 500, Verdict.CANNOT_TELL),
        (69_000, 500, Verdict.FAIL),
        (67_000, 0, Verdict.PASS),
    ],
)
def test_verdict_with_guard_band(settled: float, u: float, verdict: Verdict) -> None:
    level = required_level("high", 300 * POUND_KG, NEW)
    finding = judge_level(level, known(settled, "Pa", u))
    judged = {Verdict.PASS: "held", Verdict.FAIL: "not_held", Verdict.CANNOT_TELL: "too_close"}
    assert (finding.verdict, finding.codes("judged")) == (verdict, (judged[verdict],))


def test_no_settled_pressure_is_never_a_pass() -> None:
    finding = judge_level(required_level("high", 50.0, NEW), unknown("Pa", "gauge out of range"))
    assert finding.verdict is Verdict.CANNOT_TELL
    assert finding.value("settled") == unknown("Pa", "gauge out of range")


@pytest.mark.parametrize(("settled_pa", "verdict"), [(99e3, Verdict.PASS), (110e3, Verdict.FAIL)])
def test_a_leaking_appliance_is_not_to_be_pulled_into_a_vacuum(settled_pa: float, verdict: Verdict) -> None:
    """82.156(a)(2): no higher than 0 psig where leaks make the level unattainable or would contaminate."""
    level = required_level("medium", 300 * POUND_KG, NEW, leaking=True)
    assert level.pressure.number == pytest.approx(101325.0)
    assert judge_level(level, known(settled_pa, "Pa", 500.0)).verdict is verdict


def test_a_class_that_hangs_on_an_estimated_blend_is_said() -> None:
    near = [name for name in names() if find(name).estimated and _class_estimated(find(name))]
    assert near and all(find(name).estimated for name in near)
    assert not _class_estimated(find("R-410A"))  # 351.8 of 355 psia, and no estimate
    assert word("class_from", "estimated") in required_level("high", 100.0, NEW, class_estimated=True).basis
