"""Cylinders, and the scale one stands on."""

import math
from dataclasses import dataclass, field

from sim_device.physics.vessel import Vessel

WATER_KG_M3 = 999.0  # at 60 F: a stamped water capacity in kg is this much volume


@dataclass(slots=True)
class Cylinder:
    """vessel holds the refrigerant (and perhaps air) and carries the shell's heat. sun_w: heat from the sun.

    shell_k: what a sensor strapped to the outside shows, between contents and ambient and late.
    relief_pa: the spring-loaded relief lets refrigerant out above this; relieved_kg went that way.
    """

    name: str
    tare_kg: float
    water_capacity_kg: float
    vessel: Vessel
    ambient_ua_w_k: float = 12.0
    sun_w: float = 0.0
    relief_pa: float = 4.0e6
    relieved_kg: float = 0.0
    shell_k: float = field(init=False)
    heat_from_outside_j: float = 0.0

    def __post_init__(self) -> None:
        self.shell_k = self.vessel.temp_k

    @property
    def gross_kg(self) -> float:
        return self.tare_kg + self.vessel.mass_kg

    def step(self, dt: float, ambient_k: float) -> None:
        vessel = self.vessel
        warmed = (self.ambient_ua_w_k * (ambient_k - vessel.temp_k) + self.sun_w) * dt
        vessel.heat(warmed)
        self.heat_from_outside_j += warmed
        if vessel.pressure_pa > self.relief_pa:
            out = min(0.2 * dt * (vessel.pressure_pa / self.relief_pa - 1.0), 0.1 * vessel.mass_kg)
            full = vessel.liquid_fraction > 0.97
            self.relieved_kg += out
            vessel.add(-out, vessel.saturation.liquid_enthalpy if full else vessel.vapour_enthalpy)
        vessel.settle()
        towards = 0.92 * vessel.temp_k + 0.08 * ambient_k
        self.shell_k += (towards - self.shell_k) * -math.expm1(-dt / 90.0)


@dataclass(slots=True)
class Scale:
    """What the load cell feels besides the mass: a hose's pull, a knock, drift, lifting off.

    A bump swings and dies away in seconds; what it leaves behind (the cylinder shifted) stays in offset_kg.
    """

    offset_kg: float = 0.0
    drift_kg_h: float = 0.0
    hose_pull_kg: float = 0.0
    lifted: bool = False
    _bump_kg: float = 0.0
    _bump_age_s: float = 1e9
    _tug_kg: float = 0.0
    _tug_left_s: float = 0.0

    def bump(self, swing_kg: float, leaves_kg: float) -> None:
        self._bump_kg, self._bump_age_s = swing_kg, 0.0
        self.offset_kg += leaves_kg

    def tug(self, pull_kg: float, for_s: float) -> None:
        self._tug_kg, self._tug_left_s = pull_kg, for_s

    def step(self, dt: float) -> None:
        self.offset_kg += self.drift_kg_h * dt / 3600.0
        self._bump_age_s += dt
        self._tug_left_s = max(0.0, self._tug_left_s - dt)

    def felt_kg(self, gross_kg: float) -> float:
        load = 0.0 if self.lifted else gross_kg + self.hose_pull_kg
        if self._tug_left_s > 0:
            load += self._tug_kg
        if self._bump_age_s < 15.0:
            load += self._bump_kg * math.exp(-self._bump_age_s / 2.0) * math.cos(5.0 * self._bump_age_s)
        return load + self.offset_kg
