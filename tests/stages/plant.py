"""Readings of the simulated plant with sensor noise and resolution, as the computations get them."""

import random
from collections.abc import Sequence
from functools import cache

from logger.model.sample import Series
from logger.model.units import POUND_KG
from sim_device.plant import Plant

NOISE = {"pressure": 300.0, "temperature": 0.05, "mass": 0.005, "position": 0.0, "level": 0.0}
STEP = {"pressure": 500.0, "temperature": 0.1, "mass": 0.01, "position": 0.001, "level": 0.001}
RECOVERY_POINTS = (
    "cylinder_mass", "cylinder_pressure", "cylinder_temperature", "recovery_inlet_pressure",
    "recovery_inlet_temperature", "recovery_outlet_pressure", "system_pressure", "system_temperature",
    "ambient_temperature",
)  # fmt: skip
START_UP_POINTS = (
    "suction_pressure", "suction_temperature", "liquid_pressure", "liquid_temperature", "discharge_pressure",
    "discharge_temperature", "ambient_temperature", "valve_position", "liquid_level", "leaving_fluid_temperature",
)  # fmt: skip


class Run:
    """A scenario run to `until_s`, read once a second. truth: (t_s, flow kg/s, liquid share, kg in all cylinders)."""

    def __init__(self, scenario: str, points: Sequence[str], until_s: float, seed: int) -> None:
        self.plant = Plant(scenario, seed)
        self.scenario = self.plant.scenario
        self.division = STEP["mass"] if self.scenario.scale_unit == "kg" else 0.1 * POUND_KG
        rng = random.Random(seed)
        columns: dict[str, list[float]] = {point: [] for point in points}
        self.t_s: list[float] = []
        self.truth: list[tuple[float, float, float, float]] = []
        t = 0.0
        while t < until_s:
            self.plant.advance_to(t)
            self.t_s.append(t)
            for point, column in columns.items():
                kind = point.rsplit("_", 1)[1]
                step = self.division if kind == "mass" else STEP[kind]
                column.append(round((self.plant.read(point) + rng.gauss(0, NOISE[kind])) / step) * step)
            flow = self.plant.flow
            held = sum(c.vessel.mass_kg for c in self.plant.cylinders.values())
            self.truth.append((t, flow.kg_s, flow.liquid_share, held))
            t += 1.0
        self.series = {
            point: Series(point, self.t_s, column, max(NOISE[kind], STEP[kind] / 12**0.5), 2 * STEP[kind])
            for point, column in columns.items()
            if (kind := point.rsplit("_", 1)[1])
        }

    @property
    def moved_kg(self) -> float:
        return self.truth[-1][3] - self.truth[0][3]

    @property
    def liquid_gone_s(self) -> float:
        """When the liquid share of the flow first fell below one half."""
        return next(t for t, flow, share, _ in self.truth if flow > 0 and share < 0.5)


@cache
def run(scenario: str, points: tuple[str, ...], until_s: float, seed: int = 0) -> Run:
    return Run(scenario, points, until_s, seed)
