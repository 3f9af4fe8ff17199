"""Water left in a circuit: liquid and ice boiling off under vacuum, with its heat and mass balance.

Vapour pressure over liquid: Wagner and Pruss 1993 (IAPWS SR1-86); over ice: IAPWS R14-08 (2011).
"""

import math
from dataclasses import dataclass

TRIPLE_K = 273.16
LATENT_VAPORISE = 2.5009e6  # J/kg at the triple point
LATENT_FREEZE = 0.3336e6  # J/kg
_HEAT_LIQUID = 4200.0  # J/(kg K)
_HEAT_ICE = 2100.0
_HEAT_VAPOUR = 1880.0
WATER_MOLAR_MASS = 0.01801528  # kg/mol

_LIQUID = ((-7.85951783, 1.0), (1.84408259, 1.5), (-11.7866497, 3.0), (22.6807411, 3.5), (-15.9618719, 4.0),
           (1.80122502, 7.5))  # fmt: skip
_ICE = ((-21.2144006, 0.00333333333), (27.3203819, 1.20666667), (-6.10598130, 1.70333333))


def vapour_pressure_pa(t_k: float) -> float:
    """Over liquid at and above the triple point (to 370 K), over ice below it (from 150 K)."""
    if t_k >= TRIPLE_K:
        x = 1.0 - t_k / 647.096
        return 22.064e6 * math.exp(647.096 / t_k * sum(a * x**b for a, b in _LIQUID))
    x = max(t_k, 150.0) / TRIPLE_K
    return 611.657 * math.exp(sum(a * x**b for a, b in _ICE) / x)


@dataclass(slots=True)
class WaterPatch:
    """A puddle (or its ice) with the metal just around it, at one temperature.

    mass_kg: liquid and ice. conductance_m3_s: how freely vapour leaves it for the circuit, as a flow conductance;
    small for water under oil or in a far dead leg. heat_flow_w_k: from the circuit's metal.
    heat_j: stored heat of water and local metal against liquid at the triple point.
    """

    mass_kg: float = 0.0
    conductance_m3_s: float = 1e-3
    heat_flow_w_k: float = 3.0
    local_metal_j_k: float = 400.0
    heat_j: float = 0.0

    def start_at(self, t_k: float) -> None:
        warmer = t_k - TRIPLE_K
        if warmer >= 0:
            self.heat_j = warmer * (self.local_metal_j_k + self.mass_kg * _HEAT_LIQUID)
        else:
            self.heat_j = warmer * (self.local_metal_j_k + self.mass_kg * _HEAT_ICE) - self.mass_kg * LATENT_FREEZE

    @property
    def temp_k(self) -> float:
        if self.heat_j >= 0:
            return TRIPLE_K + self.heat_j / (self.local_metal_j_k + self.mass_kg * _HEAT_LIQUID)
        below = self.heat_j + self.mass_kg * LATENT_FREEZE
        return TRIPLE_K if below >= 0 else TRIPLE_K + below / (self.local_metal_j_k + self.mass_kg * _HEAT_ICE)

    @property
    def ice_fraction(self) -> float:
        if self.mass_kg <= 0 or self.heat_j >= 0:
            return 0.0
        return min(1.0, -self.heat_j / (self.mass_kg * LATENT_FREEZE))

    def heat_slope(self) -> float:
        """dH/dT in J/K; while freezing or melting the temperature stands still (very large)."""
        if self.heat_j >= 0:
            return self.local_metal_j_k + self.mass_kg * _HEAT_LIQUID
        if self.heat_j + self.mass_kg * LATENT_FREEZE >= 0:
            return 1e12
        return self.local_metal_j_k + self.mass_kg * _HEAT_ICE

    def vapour_heat_j_kg(self) -> float:
        """Enthalpy of the vapour that leaves, against liquid at the triple point (J/kg)."""
        return LATENT_VAPORISE + _HEAT_VAPOUR * (self.temp_k - TRIPLE_K)
