"""What recovery and charging know of the stages before them."""

from types import SimpleNamespace
from typing import Any, cast

import pytest

from logger.model.job import Stage
from logger.model.value import Value, known, unknown
from logger.stages.inputs import EarlierStage, StageInputs
from logger.stages.weighed import out_before


def inputs(*earlier: EarlierStage) -> StageInputs[Any]:
    return cast(StageInputs[Any], SimpleNamespace(earlier=earlier, scale=None))


def ended(number: int, kind: str, concluded: bool = True, **facts: Value) -> EarlierStage:
    return EarlierStage(Stage(number, kind, number * 100, number * 100 + 50), facts, concluded)


def test_a_second_recovery_does_not_forget_the_first_nor_what_was_charged_between() -> None:
    first, back = ended(1, "recovery", recovered=known(7.0, "kg", 0.1)), ended(2, "charging", charged=known(2.0, "kg"))
    out = out_before(inputs(first, back, ended(3, "recovery", recovered=known(1.5, "kg", 0.1))))
    assert out is not None and out.number == pytest.approx(6.5) and (out.u or 0.0) >= 0.1
    assert out_before(inputs(ended(1, "evacuation"))) is None


def test_what_is_not_known_of_one_is_known_of_none() -> None:
    unclear = ended(1, "recovery", recovered=unknown("kg", "the scale was off"))
    for first in (unclear, ended(1, "recovery", concluded=False)):
        out = out_before(inputs(first, ended(2, "recovery", recovered=known(1.5, "kg"))))
        assert out is not None and out.number is None and out.problem
    assert out_before(inputs(ended(1, "evacuation", concluded=False))) is None
