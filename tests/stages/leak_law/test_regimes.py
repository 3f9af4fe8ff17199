"""Which leak-rate law applies: by refrigerant, charge, use and date. Texts: see docs/law.md."""

from datetime import date, timedelta

import pytest

from logger.model.finding import Finding, Verdict
from logger.model.units import POUND_KG
from logger.refrigerant import find, names
from logger.stages.leak_law.leak_rate import Addition, Appliance, judge_leak_rate
from logger.stages.leak_law.regimes import eu_check_months, federal, gwp, ozone_depleting

TODAY = date(2026, 6, 1)


def judged(
    name: str, full_lb: float, added_lb: float, use: str = "comfort-cooling", on: date = TODAY, regime: str = "us",
    **more: object,
) -> Finding:  # fmt: skip
    appliance = Appliance(find(name), full_lb * POUND_KG, use, regime)
    additions = [Addition(on - timedelta(days=365), 0.0), Addition(on, added_lb * POUND_KG)]
    return judge_leak_rate(additions, appliance, on, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("name", "published"),
    [("R-410A", 2088), ("R-404A", 3922), ("R-407C", 1774), ("R-407A", 2107), ("R-507A", 3985), ("R-448A", 1387),
     ("R-449A", 1397), ("R-513A", 631), ("R-32", 675), ("R-134a", 1430), ("R-454B", 466), ("R-422D", 2729)],
)  # fmt: skip
def test_gwp_by_composition(name: str, published: float) -> None:
    """AR4 values as published for the blends (handbook values, from memory)."""
    found = gwp(find(name))
    assert found is not None and found == pytest.approx(published, rel=0.003)


def test_every_refrigerant_of_the_table_has_a_gwp() -> None:
    assert [name for name in names() if gwp(find(name)) is None] == []


@pytest.mark.parametrize(
    ("name", "day", "law"),
    [
        ("R-410A", date(2026, 1, 1), "40 CFR 84.106"),
        ("R-410A", date(2025, 12, 31), None),
        ("R-410A", date(2020, 4, 10), None),
        ("R-410A", date(2020, 4, 9), "40 CFR 82.157"),
        ("R-22", date(2026, 6, 1), "40 CFR 82.157"),
        ("R-22", date(2022, 6, 1), "40 CFR 82.157"),
        ("R-409A", date(2026, 6, 1), "40 CFR 82.157"),
        ("R-290", date(2026, 6, 1), None),
        ("R-744", date(2026, 6, 1), None),
        ("R-1234yf", date(2026, 6, 1), None),
        ("R-454C", date(2026, 6, 1), "40 CFR 84.106"),
    ],
)
def test_the_regime_by_refrigerant_and_day(name: str, day: date, law: str | None) -> None:
    found = federal(find(name), day)
    assert (None if found is None else found.law) == law
    assert ozone_depleting(find("R-502")) and not ozone_depleting(find("R-404A"))


@pytest.mark.parametrize(
    ("full_lb", "use", "judged_as", "verdict"),
    [
        (20, "comfort-cooling", "over", Verdict.FAIL),  # 6 of 20 lb in a year is 30 %
        (14.9, "comfort-cooling", "too_small", Verdict.INFO),
        (15, "comfort-cooling", "over", Verdict.FAIL),
        (20, "residential-light-commercial", "excluded", Verdict.INFO),
        (20, "industrial", "within", Verdict.PASS),
        (19.9, "industrial", "over", Verdict.FAIL),
        (30, "commercial", "within", Verdict.PASS),
        (29.9, "commercial", "over", Verdict.FAIL),
    ],
)
def test_6_lb_of_r_410a(full_lb: float, use: str, judged_as: str, verdict: Verdict) -> None:
    found = judged("R-410A", full_lb, 6.0, use)
    assert (found.verdict, found.codes("judged")) == (verdict, (judged_as,))


def test_an_ozone_depleting_refrigerant_has_its_own_smallest_charge() -> None:
    assert judged("R-22", 49.9, 20.0).codes("judged") == ("too_small",)
    assert judged("R-22", 50.0, 20.0).codes("judged") == ("over",)


def test_between_the_rules_no_leak_rate_is_regulated() -> None:
    assert judged("R-410A", 200.0, 90.0, on=date(2023, 6, 1)).codes("judged") == ("not_regulated",)


def test_chronic_leakers_and_the_day_of_repair() -> None:
    found = judged("R-410A", 20.0, 25.0)
    assert found.codes("chronic") == ("chronic",)
    assert any(one.name == "repair_due" and one.value == "2026-07-01" for one in found.inputs)
    assert judged("R-410A", 20.0, 24.9).codes("chronic") == ()


def test_a_verified_repair_starts_the_count_anew() -> None:
    on, full = TODAY, 60 * POUND_KG
    additions = [Addition(on - timedelta(days=90), 20 * POUND_KG), Addition(on, 3 * POUND_KG)]
    appliance = Appliance(find("R-404A"), full, "commercial")
    without = judge_leak_rate(additions, appliance, on, method="rolling")
    anew = judge_leak_rate(additions, appliance, on, method="rolling", verified=on - timedelta(days=60))
    assert (without.verdict, anew.verdict) == (Verdict.FAIL, Verdict.PASS)


def test_a_first_addition_counts_as_a_year_or_from_the_job_before() -> None:
    appliance = Appliance(find("R-404A"), 60 * POUND_KG, "commercial")
    first = judge_leak_rate([Addition(TODAY, 6 * POUND_KG)], appliance, TODAY)
    assert first.value("leak_rate") is not None
    assert (first.value("leak_rate") or first).number == pytest.approx(0.10)  # type: ignore[union-attr]
    since = judge_leak_rate([Addition(TODAY, 6 * POUND_KG)], appliance, TODAY, since=TODAY - timedelta(days=73))
    assert (since.value("leak_rate") or since).number == pytest.approx(0.50)  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("tonnes", "months"),
    [(4.99, (None, None)), (5.0, (12, 24)), (49.9, (12, 24)), (50.0, (6, 12)), (500.0, (3, 6)), (9e3, (3, 6))],
)
def test_eu_leak_checks(tonnes: float, months: tuple[int | None, int | None]) -> None:
    assert eu_check_months(tonnes) == months


def test_eu_by_co2_equivalent() -> None:
    """2.395 kg of R-410A are 5 t of CO2 equivalent."""
    assert judged("R-410A", 2.39 / POUND_KG, 0.1, regime="eu").codes("judged") == ("no_checks",)
    found = judged("R-410A", 2.40 / POUND_KG, 0.1, regime="eu")
    months = found.value("months")
    assert found.codes("judged") == ("checks",) and months is not None and months.number == 12
    assert found.verdict is Verdict.INFO
