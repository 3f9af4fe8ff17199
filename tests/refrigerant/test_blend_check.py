"""A stored blend is believed only where its composition, built again, gives the same curves."""

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest

from logger.refrigerant import Refrigerant, find
from logger.refrigerant import blend_check as module
from logger.refrigerant.blend_check import MAX_OTHER, BlendCheck, check_blend
from logger.refrigerant.blends import Blend, build_blend
from logger.refrigerant.errors import BlendError

HONEST = build_blend(Blend("SHOP-1", {"R-32": 0.5, "R-125": 0.5}, "A1"))
Change = Callable[[dict[str, Any]], None]


@pytest.fixture(autouse=True)
def built_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "build_blend", lambda blend: HONEST)


def changed(change: Change, of: Refrigerant = HONEST) -> Refrigerant:
    record = copy.deepcopy(json.loads(json.dumps(of.record())))
    change(record)
    return Refrigerant.from_record(record)


def scaled(curve: str, by: float) -> Change:
    def change(record: dict[str, Any]) -> None:
        record["nodes"][curve] = [value * by for value in record["nodes"][curve]]

    return change


def described(**values: Any) -> Change:
    return lambda record: record["description"].update(values)


def of_version(version: str, change: Change = lambda record: None) -> Change:
    def both(record: dict[str, Any]) -> None:
        change(record)
        record["coolprop"] = version

    return both


def test_what_the_composition_gives_passes_after_a_way_through_json() -> None:
    assert check_blend(changed(lambda record: None)) == BlendCheck()


@pytest.mark.parametrize("curve", ["bubble", "dew", "liquid", "vapour"])
def test_a_curve_changed_by_a_tenth_of_a_percent_is_a_problem(curve: str) -> None:
    problem = check_blend(changed(scaled(curve, 1.001))).problem
    assert problem is not None and "SHOP-1: differs by 0.1 % from what built again" in problem


def test_one_node_is_enough() -> None:
    def change(record: dict[str, Any]) -> None:
        record["nodes"]["liquid"][70] *= 1.0001

    assert "differs by 0.01 %" in (check_blend(changed(change)).problem or "")


@pytest.mark.parametrize(
    "change",
    [described(tier="reference ", models=[]), described(safety_source="ASHRAE 34"), described(pressure_class="low"),
     described(high_pa=HONEST.high_pa * 1.01), described(molar_mass=0.05), described(critical_pressure_pa=5.1e6),
     described(density_anchor_k=400.0), described(name="R-410A"), described(name="hfc 410a")],
)  # fmt: skip
def test_whatever_else_is_changed_is_a_problem(change: Change) -> None:
    try:
        found = check_blend(changed(change)).problem
    except ValueError as exc:  # a record that makes no curves
        found = str(exc)
    assert found


@pytest.mark.parametrize(
    ("change", "word"),
    [(described(composition={"R-32": 0.5}), "2 to 8"), (described(composition={"R-32": 0.5, "R-125": 0.4}), "whole"),
     (described(composition={"R-32": 1.5, "R-125": -0.5}), "whole"),
     (described(composition={"R-32": 0.5, "r32": 0.5}), "2 to 8"),
     (described(composition={"R-410A": 0.5, "R-125": 0.5}), "itself a blend")],
)  # fmt: skip
def test_a_composition_that_is_none_is_refused(change: Change, word: str) -> None:
    with pytest.raises(BlendError, match=word):
        check_blend(changed(change))


def test_a_tier_better_than_the_composition_gives_is_a_problem_with_any_version(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    guess = changed(described(tier="estimated"))
    monkeypatch.setattr(module, "build_blend", lambda blend: guess)
    for version in (HONEST.coolprop_version, "7.1.0"):
        problem = check_blend(changed(of_version(version))).problem or ""
        assert "claims to be 'reference'" in problem and "it is estimated" in problem


def test_another_version_may_differ_a_little_and_that_is_noted() -> None:
    check = check_blend(changed(of_version("7.1.0", scaled("liquid", 1 + MAX_OTHER / 2))))
    assert check.problem is None and "made with '7.1.0'" in (check.note or "")


@pytest.mark.parametrize("curve", ["bubble", "dew", "liquid", "vapour"])
def test_but_not_more_than_that(curve: str) -> None:
    assert check_blend(changed(of_version("7.1.0", scaled(curve, 1 + 2 * MAX_OTHER)))).problem is not None


def test_nor_may_its_range_be_another_one() -> None:
    far = of_version("7.1.0", described(low_pa=HONEST.low_pa / 20))
    assert "differs in kind" in (check_blend(changed(far)).problem or "")


def test_what_cannot_be_built_is_a_problem_unless_another_version_may_have_built_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def cannot(blend: Blend) -> Refrigerant:
        raise BlendError("no sound curve")

    monkeypatch.setattr(module, "build_blend", cannot)
    assert check_blend(HONEST) == BlendCheck(problem="no sound curve")
    assert check_blend(changed(of_version("7.1.0"))) == BlendCheck(unchecked="no sound curve")


def test_the_shipped_table_is_not_touched_by_any_of_it() -> None:
    before = find("R-410A").liquid_density(300.0)
    check_blend(changed(described(name="R-410A")))
    assert find("R-410A").liquid_density(300.0) == before
