"""Several cylinders add up, and what is not flow is not counted."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.finding import Finding, Verdict
from logger.model.units import POUND_KG
from logger.model.value import known, unknown
from logger.scale.ledger import MassLedger, balance
from logger.scale.rate import Disturbance

D = 0.1 * POUND_KG


def jump(before: float, after: float, t: float = 100.0, u: float = 0.0) -> Disturbance:
    return Disturbance(t, 30.0, after - before, True, before, after, u)


def started(kg: float = 20.0, name: str = "A") -> MassLedger:
    return MassLedger(D).begin(0.0, name, kg)


def test_one_cylinder_is_last_minus_first() -> None:
    ledger = started().read(known(35.0, "kg"))
    assert ledger.moved.number == pytest.approx(15.0)
    # sources.md, Weighing: net of two readings of a 0.1 lb scale, U(k=2) 0.082 lb (GUM, from memory).
    assert 2 * (ledger.moved.u or 0.0) / POUND_KG == pytest.approx(0.082, abs=0.0005)


def test_a_swap_told_first_then_done() -> None:
    ledger = started().read(known(60.0, "kg")).swap("B")
    ledger = ledger.read(known(59.0, "kg"))  # hands on it: not counted any more
    ledger = ledger.jumped(jump(60.0, 21.0)).read(known(51.0, "kg"))
    assert ledger.moved.number == pytest.approx(40.0 + 30.0)
    assert [(name, mass.number) for name, mass in ledger.by_cylinder()] == [("A", 40.0), ("B", 30.0)]


def test_a_swap_done_first_then_told() -> None:
    ledger = started().read(known(60.0, "kg")).jumped(jump(60.0, 21.0)).read(known(22.0, "kg"))
    assert ledger.by_cylinder()[1][0] == "not named"
    ledger = ledger.swap("B").read(known(51.0, "kg"))
    assert [(name, mass.number) for name, mass in ledger.by_cylinder()] == [("A", 40.0), ("B", 30.0)]


@pytest.mark.parametrize("entered_at", ["before", "between"])
def test_a_swap_over_an_empty_scale(entered_at: str) -> None:
    ledger = started().read(known(60.0, "kg"))
    if entered_at == "before":
        ledger = ledger.swap("B")
    ledger = ledger.jumped(jump(60.0, 0.0))
    assert ledger.lifted
    if entered_at == "between":
        ledger = ledger.swap("B")
    ledger = ledger.jumped(jump(0.0, 21.0)).read(known(51.0, "kg"))
    assert [(name, mass.number) for name, mass in ledger.by_cylinder()] == [("A", 40.0), ("B", 30.0)]


def test_the_same_cylinder_put_back_goes_on_and_keeps_what_came_meanwhile() -> None:
    ledger = started().read(known(40.0, "kg")).jumped(jump(40.0, 0.0)).jumped(jump(0.0, 41.0))
    assert ledger.read(known(45.0, "kg")).moved.number == pytest.approx(25.0)
    assert len(ledger.legs) == 1


def test_a_tugged_hose_is_not_refrigerant() -> None:
    ledger = started().read(known(30.0, "kg")).jumped(jump(30.0, 30.4, u=0.02)).read(known(40.4, "kg"))
    assert ledger.moved.number == pytest.approx(20.0)
    assert "1 step(s) of the scale" in str(ledger.moved.note)
    assert [name for name, _ in ledger.by_cylinder()] == ["A"]


def test_bumps_and_unknown_levels_change_nothing() -> None:
    ledger = started().read(known(30.0, "kg"))
    bump = Disturbance(5.0, 1.0, 8.0, False, 30.0, 30.0)
    assert ledger.jumped(bump) == ledger
    assert ledger.read(unknown("kg", "scale disturbed")) == ledger
    assert MassLedger(D).moved.number is None


@given(st.lists(st.tuples(st.floats(10, 60), st.floats(-5, 50)), min_size=1, max_size=6))
@settings(max_examples=100, deadline=None)
def test_masses_add_up_over_any_cylinders_and_u_grows_with_their_number(cylinders: list[tuple[float, float]]) -> None:
    ledger = MassLedger(D)
    for i, (gross, gain) in enumerate(cylinders):
        ledger = ledger.begin(float(i), f"c{i}", gross).read(known(gross + gain, "kg"))
    assert ledger.moved.number == pytest.approx(sum(gain for _, gain in cylinders))
    assert ledger.moved.u == pytest.approx(math.sqrt(len(cylinders)) * D / math.sqrt(6))
    assert sum(m.number or 0.0 for _, m in ledger.by_cylinder()) == pytest.approx(ledger.moved.number or 0.0)


@pytest.mark.parametrize(
    ("recovered", "charge", "verdict", "judged"),
    [
        (99.9, 100.0, Verdict.PASS, "balances"),
        (98.5, 100.0, Verdict.INFO, "little_short"),
        (101.5, 100.0, Verdict.INFO, "little_over"),
        (90.0, 100.0, Verdict.ATTENTION, "short"),
        (104.0, 100.0, Verdict.ATTENTION, "over"),
    ],
)
def test_balance_against_the_appliance(recovered: float, charge: float, verdict: Verdict, judged: str) -> None:
    finding = balance(known(recovered, "kg", 0.1), charge)
    assert (finding.verdict, finding.codes("judged")) == (verdict, (judged,))
    assert finding.value("share") == known(recovered / charge, "1")
    assert bool(finding.codes("cause")) is (verdict is Verdict.ATTENTION)


def test_no_balance_without_a_mass_or_a_charge() -> None:
    assert balance(unknown("kg", "no scale"), 100.0).verdict is Verdict.CANNOT_TELL
    alone = balance(known(5.0, "kg"), None)
    assert (alone.verdict, alone.codes("judged")) == (Verdict.INFO, ("no_charge",))


def test_a_finding_has_each_cylinder_and_what_was_not_counted() -> None:
    ledger = started().read(known(30.0, "kg")).jumped(jump(30.0, 30.4, u=0.02)).jumped(jump(30.4, 55.0))
    finding = Finding("mass", Verdict.INFO, ledger.inputs())
    assert [one.value for one in ledger.inputs() if one.name == "cylinder"] == ["A", "unnamed"]
    found = [(name, round(value.number or 0.0, 6)) for name, value in finding.numbers()]
    assert found[:2] == [("of_cylinder", 10.0), ("weighed", 30.4)]  # the last weight with A, which has a name
    assert found[2:] == [("of_cylinder", 0.0), ("steps", 1.0), ("steps_in_all", 0.4), ("jumps", 1.0)]
