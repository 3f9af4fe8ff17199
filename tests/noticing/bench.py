"""Detectors against what really happened: found of how many, how late, how often of nothing."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from statistics import median

from logger.model.value import word
from logger.refrigerant import find
from logger.stages import registry
from logger.stages.noticing import Noticed, Signals
from tests.noticing.course import Course, Happened

MATCH_S = {"pressure-test.settled": 3600.0, "recovery.over": 1200.0, "decay.valved_off": 1500.0}
EARLY_S = 20.0
STEADY = (word("seen", "steady"),)


@dataclass(slots=True)
class Row:
    found: int = 0
    of: int = 0
    delays: list[float] = field(default_factory=list)
    as_of: list[float] = field(default_factory=list)  # how far the time given is off
    false: int = 0
    asked: int = 0  # of a vacuum that stands still while the pump runs: a question, no claim

    @property
    def median_s(self) -> float:
        return median(self.delays) if self.delays else 0.0

    @property
    def worst_s(self) -> float:
        return max(self.delays, default=0.0)


def noticed(course: Course) -> list[tuple[int, Noticed]]:
    """(second in which it was entered, what), with nothing told by people."""
    signals = Signals(lambda point: course.digits.get(point, 0.0))
    signals.refrigerant = find(course.refrigerant)
    detectors = [one.detector() for one in registry.notices().values()]
    found = []
    for t, readings in course.seconds:
        signals.second(t, readings)
        for detector in detectors:
            seen = detector.second(signals)
            if seen is not None:
                found.append((t, seen))
    return found


def match(course: Course, found: Iterable[tuple[int, Noticed]], rows: dict[str, Row]) -> list[str]:
    """Adds to the rows; what was missed and what was false, in words."""
    lines: list[str] = []
    open_: defaultdict[str, list[Happened]] = defaultdict(list)
    for happened in course.happened:
        rows[happened.key].of += 1
        open_[happened.key].append(happened)
    for t, seen in found:
        key = seen.about.key
        near = [h for h in open_[key] if -EARLY_S <= t - h.at <= MATCH_S.get(key, 600.0)]
        if near:
            happened = near[-1]
            open_[key].remove(happened)
            rows[key].found += 1
            rows[key].delays.append(t - happened.at)
            rows[key].as_of.append(seen.as_of - happened.at)
        elif seen.about.inputs[:1] == STEADY:
            rows[key].asked += 1
        elif not _again(course, key, t):
            rows[key].false += 1
            lines.append(f"{course.name}: FALSE {key} at {t} as of {seen.as_of}")
    lines += [f"{course.name}: missed {key} at {h.at:.0f}" for key, hs in open_.items() for h in hs]
    return lines


def _again(course: Course, key: str, t: float) -> bool:
    """A second telling of what has happened not long before is no false one where a person is asked only once."""
    if key == "pressure-test.settled":
        return any(h.key == "pressure-test.nitrogen_in" and 0 < t - h.at < 7200 for h in course.happened)
    return any(h.key == key and 0 <= t - h.at <= 1800 for h in course.happened) and key in (
        "recovery.over", "charging.over", "decay.valved_off",
    )  # fmt: skip
