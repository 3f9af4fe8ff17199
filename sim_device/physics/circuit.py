"""The appliance's refrigerant circuit at rest: what is in it, what its metal does, what goes in and out.

Refrigerant (liquid, vapour, and held by oil), air, nitrogen, water and leak share one volume. The metal follows
ambient and, when it circulates, the fluid being cooled; the refrigerant follows the metal, better when wet.
"""

from dataclasses import dataclass, field

from sim_device.physics.fluid import GAS_CONSTANT
from sim_device.physics.gas import Gases, Hose, Leak, Ledger, Outdoors, Sorbed, VacuumPump, exchange
from sim_device.physics.vessel import Vessel, exchange_heat
from sim_device.physics.water import WaterPatch


@dataclass(slots=True)
class Circuit:
    """vessel.gas_mol is kept equal to air + nitrogen + water vapour.

    metal_*: the heat that follows ambient slowly. wetted_ua_w_k: metal to refrigerant with liquid of at least
    wetting_kg in it; a tenth of it when dry. fluid_ua_w_k: to the circulating fluid at fluid_k.
    """

    vessel: Vessel
    metal_k: float
    metal_j_k: float = 3e5
    ambient_ua_w_k: float = 25.0
    wetted_ua_w_k: float = 400.0
    wetting_kg: float = 10.0
    fluid_ua_w_k: float = 0.0
    fluid_k: float = 288.15
    leak: Leak = field(default_factory=Leak)
    water: WaterPatch = field(default_factory=lambda: WaterPatch(0.0))
    oil: Sorbed = field(default_factory=Sorbed)  # refrigerant in the oil
    walls: Sorbed = field(default_factory=Sorbed)  # air in gaskets and on surfaces
    air_mol: float = 0.0
    nitrogen_mol: float = 0.0
    water_vapour_mol: float = 0.0
    ledger: Ledger = field(default_factory=Ledger)
    heat_from_outside_j: float = 0.0

    def __post_init__(self) -> None:
        self.vessel.gas_mol = self.air_mol + self.nitrogen_mol + self.water_vapour_mol
        self.vessel.set_temperature(self.vessel.temp_k)
        self.water.start_at(self.metal_k)

    @property
    def pressure_pa(self) -> float:
        return self.vessel.pressure_pa

    @property
    def held_by_oil_kg(self) -> float:
        return self.oil.held_mol * self.vessel.fluid.molar_mass

    def add_nitrogen(self, mol: float, t_k: float) -> None:
        """From a bottle at t_k (negative: let out)."""
        self.nitrogen_mol += mol
        self.vessel.add_gas(mol, t_k)

    def vent(self, dt: float, outdoors: Outdoors, speed_m3_s: float) -> None:
        """Open to the air through a port: pressure runs to ambient. What traces of refrigerant are left go along."""
        vessel = self.vessel
        over = vessel.pressure_pa - outdoors.pressure_pa
        rt = GAS_CONSTANT * vessel.temp_k
        if over > 0:
            share = min(1.0, speed_m3_s * dt / vessel.volume_m3) * over / vessel.pressure_pa
            traces = vessel.mass_kg * share
            self.ledger.leaked_out.refrigerant += traces / vessel.fluid.molar_mass
            vessel.add(-traces, vessel.vapour_enthalpy)
            self.ledger.leaked_out.nitrogen += self.nitrogen_mol * share
            self.ledger.leaked_out.air += self.air_mol * share
            self.ledger.leaked_out.water += self.water_vapour_mol * share
            gone = vessel.gas_mol * share
            self.nitrogen_mol *= 1 - share
            self.air_mol *= 1 - share
            self.water_vapour_mol *= 1 - share
            vessel.add_gas(-gone, vessel.temp_k)
        else:
            mol = min(1.0, speed_m3_s * dt / vessel.volume_m3) * -over * vessel.volume_m3 / rt
            self.air_mol += mol
            self.ledger.leaked_in_air += mol
            vessel.add_gas(mol, outdoors.temp_k)

    def step(self, dt: float, outdoors: Outdoors, pump: VacuumPump | None = None, hose: Hose | None = None) -> None:
        """Pump, leak, water, oil and heat for dt seconds; flows of liquid were added before by others."""
        vessel = self.vessel
        molar_mass = vessel.fluid.molar_mass
        gas_volume = max(vessel.volume_m3 * (1.0 - vessel.liquid_fraction), 1e-3 * vessel.volume_m3)
        gases = Gases(self.air_mol, self.nitrogen_mol, self.water_vapour_mol, vessel.vapour_kg / molar_mass)
        before = gases.refrigerant
        gas_before = vessel.gas_mol
        heat = exchange(
            dt, gases, gas_volume, vessel.temp_k, self.metal_k, outdoors=outdoors, ledger=self.ledger, pump=pump,
            hose=hose, leak=self.leak, water=self.water, oil=self.oil, walls=self.walls,
        )  # fmt: skip
        moved = (gases.refrigerant - before) * molar_mass
        if moved:
            vessel.add(moved, vessel.vapour_enthalpy)
        self.air_mol, self.nitrogen_mol, self.water_vapour_mol = gases.air, gases.nitrogen, gases.water
        vessel.add_gas(gases.air + gases.nitrogen + gases.water - gas_before, vessel.temp_k)
        self._heat(dt, outdoors, heat)
        vessel.settle()

    def _heat(self, dt: float, outdoors: Outdoors, to_water_j: float) -> None:
        vessel = self.vessel
        outside = self.ambient_ua_w_k * (outdoors.temp_k - self.metal_k) * dt
        if self.fluid_ua_w_k:
            outside += self.fluid_ua_w_k * (self.fluid_k - self.metal_k) * dt
        wet = 0.1 + 0.9 * min(1.0, vessel.liquid_kg / self.wetting_kg)
        inward = exchange_heat(
            dt, self.wetted_ua_w_k * wet, vessel.slope_j_k, self.metal_j_k, self.metal_k - vessel.temp_k
        )
        vessel.heat(inward)
        self.metal_k += (outside - inward - to_water_j) / self.metal_j_k
        self.heat_from_outside_j += outside
