"""Scenarios run once, sampled every ten seconds of plant time."""

from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from sim_device.plant import Done, Plant

PSI = 6894.757293168
ATM = 101325.0
POUND = 0.45359237
MICRON = 0.133322387415


@dataclass
class Run:
    """rows: (truth, readings by point) at every 10 s; `stages`: [kind, begin, end] by the time line."""

    plant: Plant
    t_s: list[float] = field(default_factory=list)
    truth: list[dict[str, Any]] = field(default_factory=list)
    points: list[dict[str, float]] = field(default_factory=list)

    @property
    def done(self) -> list[Done]:
        return self.plant.done

    def stages(self) -> list[tuple[str, float, float]]:
        out: list[tuple[str, float, float]] = []
        for act in self.done:
            if act.action == "stage" and "begin" in act.kw:
                out.append((act.kw["begin"], act.t_s, self.t_s[-1]))
            elif act.action == "stage":
                out[-1] = (out[-1][0], out[-1][1], act.t_s)
        return out

    def at(self, t_s: float) -> int:
        """Row at or after a time."""
        return next(i for i, t in enumerate(self.t_s) if t >= t_s)

    def stage(self, kind: str) -> range:
        _, begin, end = next(s for s in self.stages() if s[0] == kind)
        return range(self.at(begin), self.at(end) + 1)

    def values(self, point: str, rows: range) -> list[float]:
        return [self.points[i][point] for i in rows]


@lru_cache(maxsize=40)
def run(name: str, seed: int = 1) -> Run:
    plant = Plant(name, seed)
    result = Run(plant)
    while plant.t_s < plant.scenario.duration_s:
        result.t_s.append(plant.t_s)
        result.truth.append(plant.truth())
        result.points.append({p: plant.read(p) for p in plant.channels})
        plant.advance_to(plant.t_s + 10.0)
    return result
