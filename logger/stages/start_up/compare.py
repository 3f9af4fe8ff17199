"""Two start-ups side by side: what is steady at the end of each, and the superheat over time."""

import math

from logger.model.points import Quantity
from logger.model.sample import Series
from logger.stages.comparison import POINTS, ComparedCurve, Comparing, Comparison, MeasureWords, NothingToCompare, Run
from logger.stages.inputs import StageInputs
from logger.stages.start_up.analysis import StartUpResult
from logger.stages.start_up.definition import StartUp
from logger.stages.start_up.findings import FIGURES, WORTH_NAMING, compare_finding
from logger.stages.start_up.words import LABELS, WORDS
from logger.statistics.block_means import blocks
from logger.statistics.ratio import by_difference
from logger.wording.book import Book
from logger.wording.values import Shown

_DRAWN = ("suction_superheat", "subcooling", "discharge_superheat", "condensing_over_ambient")


def side(now: StageInputs[StartUp], result: StartUpResult | None, name: str) -> Run:
    """The pressures and temperatures of the start-up, for a comparison. Raises NothingToCompare."""
    if result is None:
        raise NothingToCompare("its refrigerant is not known, so nothing was computed")
    if not result.metrics:
        raise NothingToCompare("no pressure was measured together with its temperature")
    unsteady = [f for f in result.findings if f.key == "start_up.steady" and f.verdict != "pass"]
    texts = [Book((WORDS,)).text_of(finding, Shown()) for finding in unsteady]
    return Run(name, Series("", [], []), result=result, notes=tuple(f"{t.headline}: {t.body}" for t in texts))


def compare(a: Run, b: Run) -> Comparison:
    """Before and after, by the means of the window that was judged."""
    before, after = a.result.baseline, b.result.baseline
    both = [n for n in LABELS if n in before and n in after]
    drawn = next((n for n in _DRAWN if n in both), None)
    return Comparison(
        a=_curve(a, drawn), b=_curve(b, drawn), x_label="Time since the stage began",
        y_label=LABELS[drawn].capitalize() if drawn else "", y_unit="K",
        normalised="as_they_are",
        measures=tuple(
            by_difference(n, before[n], after[n], FIGURES[n], WORTH_NAMING.get(before[n].unit, 0.0))
            for n in both
        ),
        finding=compare_finding(before, after),
    )  # fmt: skip


def _curve(run: Run, drawn: str | None) -> ComparedCurve:
    if drawn is None:
        return ComparedCurve(run.label)
    data = blocks(run.result.metrics[drawn].series, 0.0, math.inf, POINTS)
    return ComparedCurve(run.label, tuple(data.t_s), tuple(data.value))


def _words(label: str) -> MeasureWords:
    return MeasureWords(lambda f: label, "is", "higher", "lower")


_MEASURES = {name: _words(LABELS[name]) for name in FIGURES}
COMPARING = Comparing("Two start-ups", side, compare, _MEASURES, Quantity.PRESSURE_DIFFERENCE)
