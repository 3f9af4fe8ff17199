"""40 CFR 82.152 and 82.157: both methods, thresholds, refusals (sources.md, Leak rate)."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Verdict
from logger.model.units import POUND_KG
from logger.refrigerant import find
from logger.stages.leak_law.leak_rate import Addition, Appliance, annualizing, days_before, judge_leak_rate, rolling

TODAY = date(2026, 6, 1)


def of(full_kg: float, use: str) -> Appliance:
    return Appliance(find("R-22"), full_kg, use)


@pytest.mark.parametrize(
    ("added_lb", "full_lb", "days", "percent"),
    [(5, 100, 180, 10.139), (10, 100, 180, 20.278), (30, 1000, 90, 12.167), (12, 60, 400, 20.0)],
)
def test_annualizing_method_of_40_cfr_82_152(added_lb: float, full_lb: float, days: float, percent: float) -> None:
    rate = annualizing(added_lb * POUND_KG, full_lb * POUND_KG, days)
    assert rate.number is not None
    assert 100 * rate.number == pytest.approx(percent, abs=0.0005)


@given(st.floats(0, 500), st.floats(1, 1000), st.floats(365, 5000))
@settings(max_examples=100, deadline=None)
def test_days_beyond_a_year_are_capped(added: float, full: float, days: float) -> None:
    assert annualizing(added, full, days).number == pytest.approx(added / full)


def test_rolling_counts_the_last_365_days() -> None:
    additions = [
        Addition(TODAY, 2.0),
        Addition(TODAY - timedelta(days=364), 3.0),
        Addition(TODAY - timedelta(days=365), 50.0),
        Addition(TODAY + timedelta(days=1), 70.0),
    ]
    assert rolling(additions, 100.0, TODAY).number == pytest.approx(0.05)


def test_rolling_starts_anew_after_a_successful_follow_up_verification() -> None:
    additions = [Addition(TODAY - timedelta(days=60), 9.0), Addition(TODAY - timedelta(days=10), 1.0)]
    assert rolling(additions, 100.0, TODAY).number == pytest.approx(0.10)
    assert rolling(additions, 100.0, TODAY, TODAY - timedelta(days=30)).number == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("added", "full", "days", "says"),
    [
        (1.0, 100.0, 0.0, "no days"),
        (1.0, 100.0, -3.0, "no days"),
        (1.0, 100.0, None, "not known"),
        (1.0, 0.0, 30.0, "no charge"),
        (1.0, -5.0, 30.0, "no charge"),
        (1.0, None, 30.0, "not entered"),
        (-1.0, 100.0, 30.0, "an addition of -1 kg"),
    ],
)
def test_zero_days_or_zero_charge_is_refused(added: float, full: float | None, days: float | None, says: str) -> None:
    rate = annualizing(added, full, days)
    assert rate.number is None
    assert says in str(rate.problem)


def test_rolling_refuses_too() -> None:
    assert rolling([Addition(TODAY, 1.0)], 0.0, TODAY).number is None
    assert rolling([Addition(TODAY, -1.0)], 50.0, TODAY).number is None


@pytest.mark.parametrize(("kind", "threshold"), [("comfort-cooling", 0.10), ("commercial", 0.20), ("industrial", 0.30)])
def test_thresholds_of_40_cfr_82_157(kind: str, threshold: float) -> None:
    full = 100.0
    for over, verdict in ((0.0, Verdict.PASS), (0.001, Verdict.FAIL)):
        additions = [Addition(TODAY - timedelta(days=365), 0.5), Addition(TODAY, full * (threshold + over))]
        assert judge_leak_rate(additions, of(full, kind), TODAY).verdict is verdict


@pytest.mark.parametrize(("full_lb", "verdict"), [(49.9, Verdict.INFO), (50.0, Verdict.FAIL)])
def test_appliances_of_50_lb_and_more(full_lb: float, verdict: Verdict) -> None:
    additions = [Addition(TODAY - timedelta(days=180), 1.0), Addition(TODAY, 0.5 * full_lb * POUND_KG)]
    assert judge_leak_rate(additions, of(full_lb * POUND_KG, "commercial"), TODAY).verdict is verdict


def test_earlier_jobs_count_and_both_methods_may_differ() -> None:
    additions = [Addition(TODAY - timedelta(days=200), 8.0), Addition(TODAY - timedelta(days=100), 8.0),
                 Addition(TODAY, 1.0)]  # fmt: skip
    assert days_before(additions, TODAY) == 100.0
    assert judge_leak_rate(additions, of(100.0, "comfort-cooling"), TODAY).verdict is Verdict.PASS
    assert judge_leak_rate(additions, of(100.0, "comfort-cooling"), TODAY, method="rolling").verdict is Verdict.FAIL


@pytest.mark.parametrize(("kind", "method"), [("sorbet", "annualizing"), ("commercial", "guessing")])
def test_unknown_class_or_method_is_named(kind: str, method: str) -> None:
    finding = judge_leak_rate([Addition(TODAY, 5.0)], of(100.0, kind), TODAY, method=method)
    assert finding.verdict is Verdict.CANNOT_TELL
    assert finding.codes("judged") == ("no_rate",)
    rate = finding.value("leak_rate")
    assert rate is not None and "is not" in (rate.problem or "")


def test_an_addition_for_another_purpose_is_not_judged() -> None:
    additions = [Addition(TODAY - timedelta(days=30), 1.0), Addition(TODAY, 100.0)]
    finding = judge_leak_rate(additions, of(100.0, "commercial"), TODAY, purpose="a full charge after a repair")
    assert finding.verdict is Verdict.INFO
