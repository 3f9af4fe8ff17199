"""What the readings alone show has happened: signals by the second, detectors over them, what each would propose.

Theory of operation
-------------------
Readings become means of a second. A detector looks at the newest minutes and says at most once for each occurrence what
it has seen, and as of when. Every threshold is a multiple of what the signal itself is sure of (`SecondMeans.u`: its
noise, learned from second differences, and its digits), beside a floor below which the thing does not matter. What is
seen becomes a proposal (pipeline/proposals.py). It changes no limit, no relay and no analysis: only a person's yes
does, by the same acts as if it had been entered by hand.

Times here are whole seconds of UTC. Nothing depends on which: the same readings an hour later give the same an hour
later. Nothing depends on what was entered either; `Notice.proposes` compares with that.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from logger.model.cylinder import Cylinder
from logger.model.events import ProposedAct
from logger.model.job import Mark, Stage
from logger.model.units import NS_PER_S
from logger.model.value import Argument, Statement
from logger.refrigerant import Refrigerant
from logger.scale.flow import Flow
from logger.statistics.by_second import Mean, SecondMeans

DROP_S, REST_S, MIN_DROP_PA = 5, 60, 3e3
ENTERED_WITHIN_S = 600  # a stage or mark entered so near is the same


@dataclass(frozen=True, slots=True)
class Noticed:
    """about: what was seen, for the words file. as_of: when it happened, s of UTC, within u_s (standard)."""

    about: Statement
    as_of: int
    u_s: float

    @property
    def as_of_ns(self) -> int:
        return self.as_of * NS_PER_S


class Signals:
    """All points by the second, and what flows. digits: of a point, SI. t: the second that was taken last."""

    def __init__(self, digits: Callable[[str], float]) -> None:
        self.digits = digits
        self.points: dict[str, SecondMeans] = {}
        self.refrigerant: Refrigerant | None = None
        self.ambient_pa = 101_325.0
        self.t = 0
        self.flow = Flow()
        self.pumped = False  # a hose of the recovery machine has a drop that is not there at rest
        self._drops = (
            _Drop("recovery_outlet_pressure", "cylinder_pressure"), _Drop("system_pressure", "recovery_inlet_pressure"),
        )  # fmt: skip

    def second(self, t: int, values: Mapping[str, float]) -> None:
        """values: the mean of each point's readings in that second; a point without any is left out."""
        self.t = t
        for point, value in values.items():
            signal = self.points.get(point)
            if signal is None:
                signal = self.points[point] = SecondMeans()
            digits = self.digits(point)
            if digits != signal.digits:
                signal.digits, signal.noise = digits, max(signal.noise, digits)
            signal.add(t, value)
        self.pumped = True in [drop.second(self, self.flow.direction != 0) for drop in self._drops]
        mass = self.get("cylinder_mass")
        if mass is not None:
            self.flow.second(t, mass.v[-1], mass.digits, self.pumped)

    def get(self, point: str) -> SecondMeans | None:
        """None where it was not read in this second."""
        signal = self.points.get(point)
        return signal if signal is not None and signal.t and signal.t[-1] == self.t else None

    def mean(self, point: str, from_s: float, to_s: float = 0.0) -> Mean | None:
        signal = self.get(point)
        return None if signal is None else signal.mean(from_s, to_s)

    def first_of(self, *points: str) -> SecondMeans | None:
        """Of the first of them that is read now."""
        return next((found for point in points if (found := self.get(point)) is not None), None)


class _Drop:
    """From one pressure to another, against what it is when nothing flows: two sensors never agree."""

    def __init__(self, before: str, after: str) -> None:
        self._before, self._after = before, after
        self._rest_pa: float | None = None
        self._steady = 0, math.inf  # since when it is about that, Pa

    def second(self, now: Signals, flowing: bool) -> bool:
        before, after = now.get(self._before), now.get(self._after)
        if before is None or after is None:
            return False
        a, b = before.mean(DROP_S), after.mean(DROP_S)
        if a is None or b is None:
            return False
        drop, u = a.value - b.value, math.hypot(a.u, b.u)
        if abs(drop - self._steady[1]) > MIN_DROP_PA:
            self._steady = now.t, drop
        if self._rest_pa is None or (not flowing and now.t - self._steady[0] > REST_S):
            self._rest_pa = drop  # nothing flows, and it stands still
        return drop - self._rest_pa > max(MIN_DROP_PA, 4.0 * u)


class Detector(Protocol):
    """Fed once a second, after the signals. Of one occurrence it tells once."""

    def second(self, now: Signals, /) -> Noticed | None: ...


@dataclass(frozen=True, slots=True)
class Entered:
    """What people have entered of the job so far. came: (UTC ns, name) of each cylinder put on the scale. usual_acts:
    marks by kind of stage."""

    stages: Sequence[Stage] = ()
    marks: Sequence[Mark] = ()
    came: Sequence[tuple[int, str]] = ()
    cylinders: Mapping[str, Cylinder] = field(default_factory=dict)
    usual_acts: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def acts(self, kind: str) -> Sequence[str]:
        """Marks that are usual in a stage of that kind."""
        return self.usual_acts.get(kind, ())

    def stage_at(self, t_ns: int) -> Stage | None:
        """The one that runs then."""
        found = [s for s in self.stages if s.begun_ns <= t_ns and (s.ended_ns is None or t_ns < s.ended_ns)]
        return found[-1] if found else None

    def running(self, kind: str, t_ns: int) -> bool:
        """Whether a stage of that kind runs then, or was begun or ended near then."""
        near = ENTERED_WITHIN_S * NS_PER_S
        return any(
            s.kind == kind and s.begun_ns <= t_ns + near and (s.ended_ns is None or s.ended_ns > t_ns - near)
            for s in self.stages
        )


Acts = tuple[ProposedAct, ...]
Proposes = Callable[[Noticed, Entered], Acts | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """key: of the statement that its detector tells. detector: makes one. proposes: what a yes would do; None where
    that is entered already, or makes no sense as things are entered.

    each: every occurrence is a thing of its own; else one that is open stands for those after it.
    lasts_s: how long after it happened it is worth asking; None: as long as the job is open.
    """

    key: str
    detector: Callable[[], Detector]
    proposes: Proposes
    each: bool = False
    lasts_s: float | None = None


def begin(kind: str) -> Proposes:
    """Begin such a stage as of then."""

    def proposes(seen: Noticed, entered: Entered) -> Acts | None:
        if entered.running(kind, seen.as_of_ns):
            return None
        return (ProposedAct("stage-begin", {"kind": kind}),)

    return proposes


def end(kind: str) -> Proposes:
    """End it as of then, if it is the one that runs."""

    def proposes(seen: Noticed, entered: Entered) -> Acts | None:
        stage = entered.stages[-1] if entered.stages else None
        if stage is None or stage.kind != kind or stage.ended_ns is not None or stage.begun_ns >= seen.as_of_ns:
            return None
        return (ProposedAct("stage-end", {}),)

    return proposes


def mark(act: str, *kinds: str) -> Proposes:
    """Mark it as of then, in a running stage of one of these kinds."""

    def proposes(seen: Noticed, entered: Entered) -> Acts | None:
        stage = entered.stage_at(seen.as_of_ns)
        if stage is None or stage.kind not in kinds or marked(act, seen, entered):
            return None
        return (ProposedAct("mark", {"act": act}),)

    return proposes


def marked(act: str, seen: Noticed, entered: Entered) -> bool:
    """Whether somebody marked that near then."""
    return any(m.act == act and abs(m.t_ns - seen.as_of_ns) <= ENTERED_WITHIN_S * NS_PER_S for m in entered.marks)


def noticed(key: str, as_of: float, u_s: float, *inputs: Argument) -> Noticed:
    return Noticed(Statement(key, inputs), round(as_of), u_s)


class Latch:
    """Counts seconds in which something looks so; tells when there are enough, and once until it is let go."""

    def __init__(self, enough: int) -> None:
        self.enough, self.count, self.fired = enough, 0, False

    def second(self, seen: bool | int, forget: int = 2) -> bool:
        """seen: how much this second counts. True in the second in which it is sure."""
        if self.fired:
            return False
        self.count = self.count + int(seen) if seen else max(0, self.count - forget)
        if self.count < self.enough:
            return False
        self.fired = True
        return True

    def release(self) -> None:
        self.count, self.fired = 0, False
