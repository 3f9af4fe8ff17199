"""Two sides laid side by side: measures, both curves on one axis, and what else differs."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from logger.export.comparison.sides import Side, must_be_comparable
from logger.stages.comparison import Comparing, Comparison, Fact, judged
from logger.stages.comparison_words import HEADLINES
from logger.wording.given import sentence


@dataclass(frozen=True, slots=True)
class Compared:
    """differs: facts by which the sides differ besides, as (label, of A, of B)."""

    a: Side
    b: Side
    by: Comparing
    result: Comparison
    differs: tuple[tuple[str, Fact, Fact], ...]

    @property
    def title(self) -> str:
        return f"{self.by.title} side by side"

    @property
    def headline(self) -> str:
        """The verdict."""
        return sentence(HEADLINES[judged(self.result.measures)])


def compared(a: Side, b: Side) -> Compared:
    """Raises CompareError when the two are not of one kind, or of one that is not compared."""
    by = must_be_comparable(a.stage, a.name, b.stage, b.name)
    differs = tuple(_differs(a, b))
    if not _one_circuit(a, b):
        return Compared(a, b, by, by.compare(a.run, b.run), differs)
    result = by.compare(replace(a.run, volume_m3=None), replace(b.run, volume_m3=None))
    return Compared(a, b, by, replace(result, normalised="volume_cancels"), differs)


def _one_circuit(a: Side, b: Side) -> bool:
    """Its volume, and the doubt about it, are the same in both and cancel."""
    place = [(s.job.customer, s.job.site, s.job.appliance) for s in (a, b)]
    same = a.job.job_id == b.job.job_id or (place[0] == place[1] and a.job.appliance != "")
    return same and a.run.volume_m3 is not None and a.run.volume_m3 == b.run.volume_m3


def _differs(a: Side, b: Side) -> Iterator[tuple[str, Fact, Fact]]:
    """Circumstances that differ enough to matter, so that the reader does not credit the change with them."""
    if a.job.refrigerant != b.job.refrigerant:
        yield "refrigerant", Fact("", a.job.refrigerant, None), Fact("", b.job.refrigerant, None)
    others = {f.label: f for f in b.facts}
    for one in a.facts:
        two = others.get(one.label)
        if two is not None and one.apart(two):
            yield f"{one.label[0].lower()}{one.label[1:]}", one, two
