"""The spread of what is found agrees with the uncertainty that is printed beside it: a thin form of
`python -m tests.uncertainty`, and a guard that no printed one is left out of it."""

import math
import random

import pytest

from logger.model.finding import Finding
from logger.wording.given import Given
from tests import uncertainty
from tests.stages.whole_chain import CASES, agreements
from tests.words import parts, rooms

RUNS = 40
LEFT_OPEN = 2.0 / math.sqrt(2.0 * RUNS)  # of a root mean square of so few


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.__name__)
def test_what_is_printed_is_what_it_is_off_by(case) -> None:  # type: ignore[no-untyped-def]
    found = agreements(case, range(RUNS))
    assert found
    for one in found:
        assert one.ratio < 1.0 + uncertainty.WITHIN + LEFT_OPEN, one
        assert one.ratio > 1.0 - uncertainty.WITHIN - LEFT_OPEN or not uncertainty.printed(one), one


def test_every_uncertainty_that_a_sentence_prints_is_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    printed: set[tuple[str, str]] = set()
    now = ""

    def recorded(name: str, original):  # type: ignore[no-untyped-def]
        def method(self: Given, of: str) -> str:
            if self.value(of).u and self.value(of).number is not None:
                printed.add((now, of))
            return str(original(self, of))

        monkeypatch.setattr(Given, name, method)

    recorded("spread", Given.spread)
    recorded("spread_of_size", Given.spread_of_size)
    for room in rooms():
        for one in room.said:
            if isinstance(one, Finding):
                now = one.key
                parts(room.words, one, "us")
    drawn = {(key, name) for case in CASES for seed in range(3) for key, name, _, _ in case(random.Random(seed))}
    assert printed
    assert printed - drawn == set()


def test_the_page_holds_what_it_says() -> None:
    """Made by command; each of its ratios within 20 %."""
    table, _, _ = uncertainty.PAGE.read_text(encoding="utf-8").partition("\n## ")
    ratios = [float(line.split("|")[-2]) for line in table.splitlines() if "| `" in line]
    assert len(ratios) > 20
    assert all(abs(ratio - 1.0) <= uncertainty.WITHIN for ratio in ratios)
