"""What a job added, and the leak rate by it and by earlier jobs: each sentence of the rule as a case."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Finding, Verdict
from logger.model.value import Value, day_of, known, name_of, unknown
from logger.refrigerant import find
from logger.stages.leak_law.leak_rate import Addition, Appliance
from logger.stages.leak_law.leak_record import (
    FIRST_CHARGE,
    EarlierJob,
    LeakRecord,
    added_by,
    leak_rate_finding,
    leak_record,
)

TODAY = date(2026, 11, 25)
FULL_KG = 100.0


def kg(number: float, u: float = 0.02) -> Value:
    return known(number, "kg", u)


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def system(full_kg: float | None = FULL_KG, use: str = "commercial") -> Appliance:
    return Appliance(find("R-404A"), full_kg, use)


def found(
    charged: list[float], recovered: list[float], *jobs: EarlierJob, first_charge: bool = False, **more: object
) -> tuple[Finding, Finding]:
    """By either method."""
    one, other = (
        leak_rate_finding(
            [kg(x) for x in charged], [kg(x) for x in recovered], leak_record(jobs, FULL_KG), appliance=system(),
            on=TODAY, method=method, first_charge=first_charge, **more,  # type: ignore[arg-type]
        )
        for method in ("annualizing", "rolling")
    )  # fmt: skip
    return one, other


def rate(finding: Finding) -> float | None:
    found = finding.value("leak_rate")
    assert found is not None
    return found.number


def test_what_came_out_and_went_back_in_was_not_lost() -> None:
    """98 kg charged after 90 kg recovered are 8 kg added; 73 days since the last: 8 % / (73/365) = 40 % a year."""
    annualizing, rolling = found([98.0], [90.0], EarlierJob("a", ago(73), 3.0))
    assert rate(annualizing) == pytest.approx(0.40)
    assert rate(rolling) == pytest.approx(0.11)
    assert (annualizing.verdict, rolling.verdict) == (Verdict.FAIL, Verdict.PASS)  # commercial: 20 %
    assert (annualizing.codes("method"), annualizing.codes("judged")) == (("annualizing",), ("over",))
    assert (rolling.codes("method"), rolling.codes("judged")) == (("rolling",), ("within",))
    for finding in (annualizing, rolling):
        assert finding.value("threshold") == known(0.20, "1")
        assert finding.value("charged_in_all") == known(98.0, "kg")
        assert finding.value("recovered_in_all") == known(90.0, "kg")
        assert day_of("last_addition", "2026-09-13") in finding.inputs


def test_several_stages_of_one_job_are_one_addition() -> None:
    one = found([60.0, 38.0], [50.0, 40.0], EarlierJob("a", ago(73), 3.0))
    assert [rate(f) for f in one] == [rate(f) for f in found([98.0], [90.0], EarlierJob("a", ago(73), 3.0))]


def test_a_charge_taken_out_by_an_earlier_job_is_put_back_not_leaked() -> None:
    annualizing, rolling = found([98.0], [], EarlierJob("a", ago(100), 2.0), EarlierJob("b", ago(3), -95.0))
    assert rate(rolling) == pytest.approx(0.05)  # 2 + 98 - 95
    assert rate(annualizing) == pytest.approx(0.03 / (100 / 365))  # a recovery is no addition: 100 days, not 3
    assert annualizing.value("taken_out_earlier") == known(95.0, "kg")


def test_putting_back_in_two_goes() -> None:
    record = leak_record(
        [EarlierJob("a", ago(9), -95.0), EarlierJob("b", ago(5), 40.0), EarlierJob("c", ago(2), 60.0)], FULL_KG
    )
    assert record.additions == (Addition(ago(2), 5.0),)
    assert record.awaited_kg == 0.0


def test_what_was_taken_out_for_another_reason_swallows_no_later_addition() -> None:
    """60 lb, 13 lb out in January, 10 lb added in May, 120 days later: 10 / 60 / (120 / 365) = 50.7 % a year."""
    lb = 0.45359237
    record = leak_record([EarlierJob("a", date(2026, 1, 8), -13 * lb)], 60 * lb)
    only = leak_rate_finding(
        [kg(10 * lb)], [], record, appliance=system(60 * lb), on=date(2026, 5, 8), method="annualizing"
    )
    assert rate(only) == pytest.approx(0.507, abs=0.0005)
    assert only.verdict is Verdict.FAIL


def test_an_overcharge_put_right_hides_no_later_leak() -> None:
    """Less than four fifths taken out: nothing is awaited back."""
    annualizing, rolling = found([5.0], [], EarlierJob("a", ago(400), 3.0), EarlierJob("b", ago(200), -5.0))
    assert rate(rolling) == pytest.approx(0.05)
    assert rate(annualizing) == pytest.approx(0.05)  # 400 days count as 365


def test_never_more_than_one_full_charge_is_awaited_back() -> None:
    """Two charges out and none in between: what was put in then is not on this computer."""
    record = leak_record([EarlierJob("a", ago(90), -95.0), EarlierJob("b", ago(3), -95.0)], FULL_KG)
    assert record.awaited_kg == FULL_KG


@pytest.mark.parametrize("back", [EarlierJob("b", ago(50), 96.0, purpose="repaired"), EarlierJob("b", ago(50), None)])
def test_what_was_put_back_is_awaited_no_more(back: EarlierJob) -> None:
    record = leak_record([EarlierJob("a", ago(90), -95.0), back], FULL_KG)
    assert record.awaited_kg == 0.0


def test_a_first_charge_is_no_leak_but_its_day_counts() -> None:
    first = found([98.0], [], first_charge=True)
    assert {f.verdict for f in first} == {Verdict.INFO}
    assert any(f.codes("judged") == ("other_purpose",) and name_of("purpose", FIRST_CHARGE) in f.inputs for f in first)
    annualizing, rolling = found([2.0], [], EarlierJob("a", ago(73), 98.0, first_charge=True))
    assert rate(rolling) == pytest.approx(0.02)
    assert rate(annualizing) == pytest.approx(0.10)


def test_an_empty_circuit_that_was_known_before_has_leaked_all_of_it() -> None:
    annualizing, rolling = found([98.0], [], EarlierJob("a", ago(100), 2.0), first_charge=True)
    assert (annualizing.verdict, rolling.verdict) == (Verdict.FAIL, Verdict.FAIL)
    assert rate(rolling) == pytest.approx(1.0)


def test_a_purpose_that_was_stated_is_not_judged_now_nor_counted_later() -> None:
    for finding in found([30.0], [], EarlierJob("a", ago(50), 1.0), purpose="seasonal variance"):
        assert finding.codes("judged") == ("other_purpose",)
        assert name_of("purpose", "seasonal variance") in finding.inputs
    _, rolling = found([2.0], [], EarlierJob("a", ago(50), 30.0, purpose="seasonal variance"))
    assert rate(rolling) == pytest.approx(0.02)


def test_nothing_added_no_rate() -> None:
    only, _ = found([90.0], [90.5], EarlierJob("a", ago(50), 1.0))
    assert (only.verdict, only.codes("judged")) == (Verdict.INFO, ("nothing_added",))


def test_a_first_known_addition_counts_as_a_years() -> None:
    annualizing, rolling = found([5.0], [])
    assert rate(annualizing) == rate(rolling) == pytest.approx(0.05)
    assert rolling.value("earlier_additions") == known(0.0, "1")


def test_a_verified_repair_is_fed_from_this_job_and_earlier_ones() -> None:
    leaked = EarlierJob("a", ago(90), 30.0)
    _, counted = found([3.0], [], leaked)
    _, now = found([3.0], [], leaked, verified=ago(60))
    _, earlier = found([3.0], [], leaked, EarlierJob("b", ago(60), 0.0, verified=ago(60)))
    assert rate(counted) == pytest.approx(0.33)
    assert rate(now) == rate(earlier) == pytest.approx(0.03)


def test_what_is_not_known_is_never_a_pass() -> None:
    _, rolling = found([5.0], [], EarlierJob("a", ago(50), None))
    assert (rolling.verdict, rolling.codes("judged")) == (Verdict.INFO, ("unknown_addition",))
    assert day_of("unknown_addition", ago(50).isoformat()) in rolling.inputs
    unknown_now = leak_rate_finding(
        [unknown("kg", "the scale was silent")], [], LeakRecord(), appliance=system(), on=TODAY
    )
    assert (unknown_now.verdict, unknown_now.codes("judged")) == (Verdict.INFO, ("amount_unknown",))
    assert unknown_now.value("added") == unknown("kg", "the scale was silent")
    half_read = leak_record([EarlierJob("a", ago(50), 1.0)], FULL_KG, complete=False)
    finding = leak_rate_finding(
        [kg(5.0)], [], half_read, appliance=system(use="industrial"), on=TODAY, method="rolling"
    )
    assert finding.codes("record") == ("incomplete",)
    assert finding.codes("judged") == ("at_least",)
    assert finding.verdict is Verdict.INFO  # rolling: more may have been added than is on record


@pytest.mark.parametrize(
    ("record", "full", "judged"),
    [(None, FULL_KG, "no_appliance"), (LeakRecord(), None, "no_full_charge")],
)
def test_without_a_name_or_a_charge_it_says_why(record: LeakRecord | None, full: float | None, judged: str) -> None:
    only = leak_rate_finding([kg(5.0)], [], record, appliance=system(full), on=TODAY)
    assert (only.verdict, only.codes("judged")) == (Verdict.INFO, (judged,))


jobs = st.lists(
    st.builds(
        EarlierJob, st.uuids().map(str), st.integers(1, 900).map(ago), st.none() | st.floats(-120, 120),
        st.booleans(), st.sampled_from(["", "", "seasonal variance"]),
    ), max_size=12,
)  # fmt: skip


@settings(max_examples=100, deadline=None)
@given(jobs, st.randoms())
def test_mass_is_kept_and_order_does_not_matter(earlier: list[EarlierJob], rng: object) -> None:
    record = leak_record(earlier, FULL_KG)
    shuffled = list(earlier)
    rng.shuffle(shuffled)  # type: ignore[attr-defined]
    assert leak_record(shuffled, FULL_KG) == record
    put_in = sum(max(0.0, j.added_kg or 0.0) for j in earlier)
    taken_out = sum(max(0.0, -(j.added_kg or 0.0)) for j in earlier)
    added = sum(a.added_kg for a in record.additions)
    assert 0.0 <= added <= put_in + 1e-9
    assert 0.0 <= record.awaited_kg <= taken_out + 1e-9
    assert [a.day for a in record.additions] == sorted(a.day for a in record.additions)
    assert [EarlierJob.from_dict(j.to_dict()) for j in earlier] == earlier


def test_uncertainties_of_stages_add_in_quadrature() -> None:
    assert added_by([kg(98.0, 0.03)], [kg(90.0, 0.04)]).u == pytest.approx(0.05)
