"""A rigid vessel holding refrigerant liquid and vapour, perhaps with air or nitrogen above it.

Equilibrium at one temperature; its shell (or the metal that follows the contents) is part of its heat. Energy and
mass are the state; temperature and pressure follow, so nothing can be made or lost by rounding through them.
"""

import math
from dataclasses import dataclass, field

from sim_device.physics.fluid import GAS_CONSTANT, Fluid, Saturation
from sim_device.physics.gas import virial_factor

_GAS_HEAT = 20.8  # J/(mol K) at constant volume, diatomic
_GAS_FLOW_HEAT = _GAS_HEAT + GAS_CONSTANT
_ZERO_K = 273.15  # of the stored heat of shell and gas
_MIN_VAPOUR = 1e-4  # of the volume; from there on the liquid is squeezed


@dataclass(slots=True)
class Vessel:
    """mass_kg of refrigerant and gas_mol of other gas at temp_k. After changing any, call `settle`.

    heat_capacity_j_k: metal at the contents' temperature.
    """

    fluid: Fluid
    volume_m3: float
    mass_kg: float
    temp_k: float
    heat_capacity_j_k: float
    gas_mol: float = 0.0
    energy_j: float = field(init=False, default=0.0)
    liquid_kg: float = field(init=False, default=0.0)
    vapour_kg: float = field(init=False, default=0.0)
    refrigerant_pa: float = field(init=False, default=0.0)
    gas_pa: float = field(init=False, default=0.0)
    saturation: Saturation = field(init=False)
    slope_j_k: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self.set_temperature(self.temp_k)

    def set_temperature(self, t_k: float) -> None:
        """Give the contents a temperature (its energy follows)."""
        s = self.fluid.at(t_k)
        self.energy_j = self._energy_at(t_k, s)
        self.slope_j_k = (self._energy_at(t_k + 0.05, self.fluid.at(t_k + 0.05)) - self.energy_j) / 0.05
        self._place(t_k, s)

    @property
    def pressure_pa(self) -> float:
        return self.refrigerant_pa + self.gas_pa

    @property
    def liquid_fraction(self) -> float:
        """Of the volume."""
        return min(1.0, self.liquid_kg / (self.saturation.liquid_density * self.volume_m3))

    @property
    def vapour_density(self) -> float:
        return self._vapour_density(self.saturation)

    @property
    def vapour_enthalpy(self) -> float:
        """J/kg of what leaves as vapour; for superheated vapour, that of an ideal gas's flow work."""
        if self.liquid_kg > 0:
            return self.saturation.vapour_enthalpy
        density = self.vapour_density
        if density <= 0:
            return self.saturation.vapour_energy + GAS_CONSTANT * self.temp_k / self.fluid.molar_mass
        return self.saturation.vapour_energy + self.refrigerant_pa / density

    def add(self, mass_kg: float, enthalpy_j_kg: float) -> None:
        """Refrigerant in (or out, negative) with its enthalpy."""
        self.mass_kg += mass_kg
        self.energy_j += mass_kg * enthalpy_j_kg

    def add_gas(self, mol: float, t_k: float) -> None:
        """Other gas in (or out, negative) with its flow heat at t_k: filling warms, venting cools."""
        self.gas_mol += mol
        self.energy_j += mol * _GAS_FLOW_HEAT * (t_k - _ZERO_K) + mol * GAS_CONSTANT * _ZERO_K

    def heat(self, joule: float) -> None:
        self.energy_j += joule

    def settle(self) -> None:
        """Temperature, pressure and split from mass and energy: secant on U(T), which rises everywhere."""
        t_k, slope, s = self.temp_k, self.slope_j_k, self.saturation
        error = self._energy_at(t_k, s) - self.energy_j
        for _ in range(40):
            step = -error / slope
            if abs(step) < 1e-6:
                break
            step = max(-20.0, min(20.0, step))
            s = self.fluid.at(t_k + step)
            after = self._energy_at(t_k + step, s) - self.energy_j
            if (after - error) / step > 0:
                slope = (after - error) / step
            t_k += step
            error = after
        self.slope_j_k = slope
        self._place(t_k, s)

    def _liquid(self, s: Saturation) -> float:
        """Lever rule on the volume: liquid mass, 0 when all is vapour, all of it when liquid-full."""
        least = s.vapour_density * self.volume_m3
        if self.mass_kg <= least:
            return 0.0
        return min(self.mass_kg, (self.mass_kg - least) / (1.0 - s.vapour_density / s.liquid_density))

    def _energy_at(self, t_k: float, s: Saturation) -> float:
        liquid = self._liquid(s)
        metal = (self.heat_capacity_j_k + _GAS_HEAT * self.gas_mol) * (t_k - _ZERO_K)
        return liquid * s.liquid_energy + (self.mass_kg - liquid) * s.vapour_energy + metal

    def _vapour_density(self, s: Saturation) -> float:
        if self.liquid_kg > 0:
            return s.vapour_density
        return self.mass_kg / self.volume_m3

    def _place(self, t_k: float, s: Saturation) -> None:
        self.temp_k, self.saturation = t_k, s
        self.liquid_kg = self._liquid(s)
        self.vapour_kg = self.mass_kg - self.liquid_kg
        if self.liquid_kg <= 0.0:
            density = self.mass_kg / self.volume_m3
            ideal = GAS_CONSTANT * t_k / self.fluid.molar_mass
            saturated_z = s.dew_pa / (s.vapour_density * ideal)
            # Z falls linearly from 1 to its value at the dew point
            self.refrigerant_pa = density * ideal * (1.0 + (saturated_z - 1.0) * density / s.vapour_density)
            self.gas_pa = self._gas_pressure(self.volume_m3, t_k)
            return
        filled = self.liquid_kg / (s.liquid_density * self.volume_m3)
        share = self.liquid_kg / self.mass_kg
        squeezed = _squeeze(s.stiffness_pa, filled + _MIN_VAPOUR)
        self.refrigerant_pa = s.dew_pa + (s.bubble_pa - s.dew_pa) * share + squeezed
        self.gas_pa = self._gas_pressure(max(_MIN_VAPOUR, 1.0 - filled) * self.volume_m3, t_k)

    def _gas_pressure(self, volume_m3: float, t_k: float) -> float:
        if self.gas_mol <= 0.0:
            return 0.0
        density = self.gas_mol / volume_m3
        return density * GAS_CONSTANT * t_k * virial_factor(density, t_k)


def _squeeze(stiffness_pa: float, filled: float) -> float:
    """Pressure above saturation of liquid pressed into less than its saturated volume (Murnaghan's form).

    Exponent 13 reproduces CoolProp's R-134a, R-22 and R-410A held at constant density within 4 % over 8 K.
    """
    if filled <= 1.0:
        return 0.0
    return max(stiffness_pa, 2e6) / 13.0 * (math.exp(13.0 * math.log(min(filled, 1.3))) - 1.0)


def exchange_heat(dt: float, ua_w_k: float, colder_j_k: float, hotter_j_k: float, difference_k: float) -> float:
    """Heat in J that two bodies `difference_k` apart exchange in dt; exact for constant heat capacities."""
    inverse = 1.0 / colder_j_k + 1.0 / hotter_j_k
    return -difference_k * math.expm1(-ua_w_k * dt * inverse) / inverse
