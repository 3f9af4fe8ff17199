"""The recovery machine between circuit and cylinder, with its hoses and condenser.

Vapour: swept volume times a clearance volumetric efficiency. Liquid: throttled into the crankcase, limited by the
pump-like rate the machine stands. The condenser gives heat to ambient (and to a subcooler when fitted); the
outlet stands above the cylinder by what the outlet hose costs. It holds no refrigerant itself.
"""

import math
from dataclasses import dataclass

from sim_device.physics.vessel import Vessel

_POLYTROPIC = 1.12  # of the clearance gas
_VAPOUR_HEAT = 900.0  # J/(kg K), for discharge temperature
_LIQUID_HEAT = 1450.0  # J/(kg K)


@dataclass(slots=True)
class Flow:
    """One step of the machine. Masses kg/s, enthalpies J/kg, pressures Pa, temperatures K."""

    kg_s: float = 0.0
    liquid_share: float = 0.0
    enthalpy_in: float = 0.0
    enthalpy_out: float = 0.0
    inlet_pa: float = 0.0
    outlet_pa: float = 0.0
    inlet_k: float = 0.0
    outlet_k: float = 0.0
    power_w: float = 0.0
    rejected_w: float = 0.0


@dataclass(slots=True)
class RecoveryMachine:
    """swept_m3_s at the inlet; hose_in, hose_out: kg/s per sqrt(Pa kg/m3) (flow = hose * sqrt(density * drop)).

    liquid_kg_s: most liquid it takes. condenser_w_k: to ambient. subcooler_w_k and subcooler_k: ice water, say.
    trapped_kg: liquid below the port that only boiling takes out.
    """

    swept_m3_s: float = 3.0e-4
    clearance: float = 0.035
    liquid_kg_s: float = 0.03
    hose_in: float = 9e-6
    hose_out: float = 9e-6
    condenser_w_k: float = 90.0
    subcooler_w_k: float = 0.0
    subcooler_k: float = 275.15
    cut_out_pa: float = 3.9e6
    trapped_kg: float = 5.0
    from_liquid: bool = True
    running: bool = False
    tripped: bool = False
    _outlet_density: float = 100.0  # of what stands in the outlet hose
    _outlet_drop_pa: float = 0.0  # what that hose cost last

    def flow(self, source: Vessel, cylinder: Vessel, ambient_k: float) -> Flow:
        """What moves now. A machine that is off or tripped moves nothing but still shows pressures."""
        cylinder_pa = cylinder.pressure_pa
        if cylinder_pa > self.cut_out_pa:
            self.tripped = True
        if not self.running or self.tripped:
            return Flow(inlet_pa=source.pressure_pa, outlet_pa=cylinder_pa, inlet_k=ambient_k, outlet_k=ambient_k)
        liquid_share = self._liquid_share(source)
        against_pa = cylinder_pa + self._outlet_drop_pa
        vapour_kg_s, suction_pa = self._vapour(source, against_pa)
        liquid_kg_s = self._liquid(source, against_pa) if liquid_share > 0 else 0.0
        kg_s = vapour_kg_s * (1 - liquid_share) + liquid_kg_s * liquid_share
        if kg_s <= 0:
            self._outlet_drop_pa *= 0.8
            return Flow(inlet_pa=source.pressure_pa, outlet_pa=cylinder_pa, inlet_k=ambient_k, outlet_k=ambient_k)
        s = source.saturation
        liquid_part = liquid_kg_s * liquid_share / kg_s
        enthalpy_in = liquid_part * s.liquid_enthalpy + (1 - liquid_part) * source.vapour_enthalpy
        # followed slowly: flow and drop hold each other
        drop_pa = min((kg_s / self.hose_out) ** 2 / self._outlet_density, 4e6)
        self._outlet_drop_pa += 0.2 * (drop_pa - self._outlet_drop_pa)
        outlet_pa = cylinder_pa + self._outlet_drop_pa
        if outlet_pa > self.cut_out_pa:
            self.tripped = True
        ratio = max(outlet_pa / max(suction_pa, 1e3), 1.0)
        lift_k = source.temp_k * (ratio**0.11 - 1.0) / 0.65
        work = (1 - liquid_part) * _VAPOUR_HEAT * min(lift_k, 120.0) + liquid_part * 4e3
        enthalpy_out, rejected_w, outlet_k = self._condense(kg_s, enthalpy_in + work, outlet_pa, cylinder, ambient_k)
        if liquid_part > 0.5:
            inlet_pa = source.pressure_pa - (kg_s / self.hose_in) ** 2 / s.liquid_density
            inlet_k = source.fluid.bubble_k(inlet_pa)
        else:
            # dry vapour takes up some heat from the hose on its way
            inlet_k, inlet_pa = source.temp_k + 0.6 * (ambient_k - source.temp_k), suction_pa
        return Flow(
            kg_s, liquid_part, enthalpy_in, enthalpy_out, inlet_pa, outlet_pa, inlet_k, outlet_k, kg_s * work,
            rejected_w,
        )  # fmt: skip

    def _liquid_share(self, source: Vessel) -> float:
        """1 while liquid covers the port, running out over the last kilogram."""
        if not self.from_liquid:
            return 0.0
        return min(1.0, max(0.0, source.liquid_kg - self.trapped_kg))

    def _vapour(self, source: Vessel, against_pa: float) -> tuple[float, float]:
        """(kg/s, suction pressure): displacement against the inlet hose, both linear in suction density."""
        inlet = source.pressure_pa
        density = source.vapour_density
        if density <= 0 or inlet <= 0:
            return 0.0, inlet
        per_pa = density / inlet
        suction = inlet
        for _ in range(30):
            ratio = max(against_pa / max(suction, 1e3), 1.0)
            speed = self.swept_m3_s * max(0.0, 0.92 - self.clearance * (ratio ** (1 / _POLYTROPIC) - 1.0))
            balance = inlet / (1.0 + speed * speed * per_pa / (self.hose_in * self.hose_in))
            if abs(balance - suction) < 1e-3 * inlet:
                break
            suction += 0.5 * (balance - suction)
        return speed * per_pa * suction, suction

    def _liquid(self, source: Vessel, against_pa: float) -> float:
        """Liquid pushed by the circuit's own pressure through the hose; less when the outlet pushes back."""
        density = source.saturation.liquid_density
        through_hose = self.hose_in * math.sqrt(density * max(source.pressure_pa - 5e4, 0.0))
        against = max(0.02, 1.0 - max(0.0, against_pa - source.pressure_pa) / 2.0e6)
        return min(self.liquid_kg_s * against, through_hose)

    def _condense(
        self, kg_s: float, enthalpy: float, outlet_pa: float, cylinder: Vessel, ambient_k: float
    ) -> tuple[float, float, float]:
        """(enthalpy out, heat given off W, outlet temperature)."""
        fluid = cylinder.fluid
        bubble_k = fluid.bubble_k(outlet_pa)
        hot = fluid.at(bubble_k)
        inlet_vapour = enthalpy > hot.liquid_enthalpy
        # two-phase the condenser works at saturation, otherwise the liquid only cools towards ambient
        driving_k = (bubble_k - ambient_k) if inlet_vapour else 0.5 * (bubble_k - ambient_k)
        possible = self.condenser_w_k * max(driving_k, 0.0)
        floor = fluid.at(min(bubble_k, ambient_k + 3.0)).liquid_enthalpy
        rejected = min(possible, max(0.0, kg_s * (enthalpy - floor)))
        enthalpy -= rejected / kg_s
        if self.subcooler_w_k:
            cold_floor = fluid.at(min(bubble_k, self.subcooler_k + 2.0)).liquid_enthalpy
            more = min(
                self.subcooler_w_k * max(0.0, bubble_k - self.subcooler_k), max(0.0, kg_s * (enthalpy - cold_floor))
            )
            enthalpy -= more / kg_s
            rejected += more
        quality = (enthalpy - hot.liquid_enthalpy) / (hot.vapour_enthalpy - hot.liquid_enthalpy)
        quality = min(1.0, max(0.0, quality))
        specific = (1 - quality) / hot.liquid_density + quality / hot.vapour_density
        # follows slowly: the line's contents change with what came before
        self._outlet_density += 0.2 * (1.0 / specific - self._outlet_density)
        outlet_k = bubble_k
        if quality <= 0:
            outlet_k -= (hot.liquid_enthalpy - enthalpy) / _LIQUID_HEAT
        return enthalpy, rejected, outlet_k
