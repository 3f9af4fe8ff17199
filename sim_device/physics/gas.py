"""Gases in a circuit under vacuum or nitrogen: pump, hose, leak, water and oil act on one volume for one step.

Each gas relaxes exponentially towards its balance of sources and pumping, which is exact while speeds and
temperatures stand still, so a long step is as stable as a short one, and every mole is accounted for.
"""

import math
from dataclasses import dataclass, field

from sim_device.physics.fluid import GAS_CONSTANT
from sim_device.physics.water import WATER_MOLAR_MASS, WaterPatch, vapour_pressure_pa

ONE_BAR = 1e5


def virial_factor(density_mol_m3: float, t_k: float) -> float:
    """Compressibility factor of nitrogen (used for air too), second and third virial coefficient.

    Coefficients: CoolProp 8 (Span et al. 2000), fitted by hand over 260-320 K.
    """
    d = t_k - 300.0
    b = -4.554e-6 + 1.913e-7 * d - 7.2e-10 * d * d
    return 1.0 + density_mol_m3 * (b + 1.41e-9 * density_mol_m3)


@dataclass(slots=True)
class Gases:
    """Moles of vapour by kind."""

    air: float = 0.0
    nitrogen: float = 0.0
    water: float = 0.0
    refrigerant: float = 0.0

    @property
    def total(self) -> float:
        return self.air + self.nitrogen + self.water + self.refrigerant


@dataclass(frozen=True, slots=True)
class Leak:
    """size_pa_m3_s: flow of air from 1 bar into vacuum. kind: "viscous" (most leaks) or "molecular" (very small)."""

    size_pa_m3_s: float = 0.0
    kind: str = "viscous"

    def flow_pa_m3_s(self, inside_pa: float, outside_pa: float) -> float:
        """Into the circuit when positive."""
        if self.kind == "molecular":
            return self.size_pa_m3_s * (outside_pa - inside_pa) / ONE_BAR
        return self.size_pa_m3_s * (outside_pa * outside_pa - inside_pa * inside_pa) / (ONE_BAR * ONE_BAR)


@dataclass(frozen=True, slots=True)
class Hose:
    """Vacuum hose or line. conductance: Knudsen's formula for air at 20 C (vacuum handbooks; from memory)."""

    diameter_m: float
    length_m: float

    def conductance_m3_s(self, mean_pa: float) -> float:
        d, length, mbar = self.diameter_m * 100, self.length_m * 100, mean_pa / 100
        transition = (1 + 192 * d * mbar) / (1 + 237 * d * mbar)
        return (135 * d**4 * mbar + 12.1 * d**3 * transition) / length / 1000


@dataclass(slots=True)
class VacuumPump:
    """speed at the inlet, ultimate pressure with dry oil; water caught in the oil raises it until an oil change."""

    speed_m3_s: float = 3e-3
    ultimate_pa: float = 4.0
    oil_water_kg: float = 0.0
    ultimate_per_oil_water_pa_kg: float = 4e4
    oil_catches: float = 0.05  # of the water pumped, gas ballast open; about a third with it closed
    running: bool = False

    @property
    def base_pa(self) -> float:
        return self.ultimate_pa + self.ultimate_per_oil_water_pa_kg * self.oil_water_kg

    def effective_m3_s(self, hose: Hose | None, inside_pa: float) -> float:
        if hose is None:
            return self.speed_m3_s
        conductance = hose.conductance_m3_s(0.5 * max(inside_pa, self.base_pa))
        return 1.0 / (1.0 / self.speed_m3_s + 1.0 / conductance)


@dataclass(slots=True)
class Sorbed:
    """Gas held by oil, or by gaskets and surfaces, that comes out late.

    held_mol in balance exerts held_mol / capacity_mol_pa. conductance_m3_s: how freely it leaves.
    """

    held_mol: float = 0.0
    capacity_mol_pa: float = 1e-6
    conductance_m3_s: float = 0.0

    def pressure_pa(self, t_k: float) -> float:
        # solubility halves per 25 K warmer, a usual size for polyol ester oil
        return self.held_mol / self.capacity_mol_pa * math.exp(math.log(2.0) * (t_k - 293.15) / 25.0)

    def relax(
        self, mol: float, rt_v: float, volume: float, dt: float, speed: float, source: float, t_k: float
    ) -> tuple[float, float]:
        """One step of the gas it gives off: (mol left in the volume, mol removed by `speed`)."""
        if self.conductance_m3_s <= 0:
            left, gone, _ = _relax(mol, rt_v, volume, dt, speed, 0.0, 0.0, source)
            return left, gone
        left, gone, came = _relax(mol, rt_v, volume, dt, speed, self.conductance_m3_s, self.pressure_pa(t_k), source)
        if came > self.held_mol:
            came = self.held_mol
            left, gone, _ = _relax(mol, rt_v, volume, dt, speed, 0.0, 0.0, source + came / dt)
        self.held_mol -= came
        return left, gone


@dataclass(slots=True)
class Outdoors:
    pressure_pa: float = 101325.0
    temp_k: float = 293.15
    humidity_ratio: float = 0.01  # mole fraction of water in air


@dataclass(slots=True)
class Ledger:
    """What crossed the circuit's boundary so far, in mol (water in kg): the other side of the mass balance."""

    pumped: Gases = field(default_factory=Gases)
    leaked_out: Gases = field(default_factory=Gases)
    leaked_in_air: float = 0.0
    leaked_in_water: float = 0.0


def _relax(
    mol: float, rt_v: float, volume: float, dt: float, speed: float, conductance: float, from_pa: float, source: float
) -> tuple[float, float, float]:
    """One gas for dt: (mol left, mol removed by `speed`, mol that came through `conductance` from `from_pa`)."""
    rate = (speed + conductance) / volume
    if rate * dt < 1e-12:
        return mol + source * dt, 0.0, 0.0
    target = (conductance * from_pa + source * rt_v * volume) / (speed + conductance)
    start = mol * rt_v
    mean = target + (start - target) * -math.expm1(-rate * dt) / (rate * dt)
    per_pa = dt / (rt_v * volume)
    removed = speed * mean * per_pa
    came = conductance * (from_pa - mean) * per_pa
    return mol + source * dt + came - removed, removed, came


_INERT = Sorbed()


def exchange(
    dt: float,
    gases: Gases,
    volume_m3: float,
    gas_k: float,
    metal_k: float,
    *,
    outdoors: Outdoors,
    ledger: Ledger,
    pump: VacuumPump | None = None,
    hose: Hose | None = None,
    leak: Leak | None = None,
    water: WaterPatch | None = None,
    oil: Sorbed | None = None,
    walls: Sorbed | None = None,
) -> float:
    """Advance `gases` (and pump oil, water, oil, ledger) by dt seconds. Returns heat taken from the metal, J.

    pump None or stopped: isolated. Pressures of all gases at gas_k add up (ideal; vacuum needs no more).
    """
    rt_v = GAS_CONSTANT * gas_k / volume_m3
    pressure = gases.total * rt_v
    speed, back_air = 0.0, 0.0
    if pump is not None and pump.running:
        speed = pump.effective_m3_s(hose, pressure)
        back_air = speed * pump.base_pa / (GAS_CONSTANT * gas_k)
    air_in = leak_out = 0.0
    if leak is not None and leak.size_pa_m3_s > 0:
        flow = leak.flow_pa_m3_s(pressure, outdoors.pressure_pa)
        if flow > 0:
            air_in = flow / (GAS_CONSTANT * outdoors.temp_k)
        elif pressure > 0:
            leak_out = -flow / pressure
    away = speed + leak_out
    to_pump = speed / away if away > 0 else 0.0

    dry_in, water_in = air_in * (1 - outdoors.humidity_ratio), air_in * outdoors.humidity_ratio
    gases.air, gone_air = (walls or _INERT).relax(gases.air, rt_v, volume_m3, dt, away, dry_in + back_air, metal_k)
    gases.nitrogen, gone_nitrogen, _ = _relax(gases.nitrogen, rt_v, volume_m3, dt, away, 0.0, 0.0, 0.0)

    heat_from_metal = 0.0
    if water is not None and (water.mass_kg > 0 or gases.water > 0):
        gone_water, heat_from_metal = _water_step(dt, gases, water, rt_v, volume_m3, metal_k, away, water_in, pressure)
    else:
        gases.water, gone_water, _ = _relax(gases.water, rt_v, volume_m3, dt, away, 0.0, 0.0, water_in)

    gases.refrigerant, gone_ref = (oil or _INERT).relax(gases.refrigerant, rt_v, volume_m3, dt, away, 0.0, metal_k)

    pumped, leaked = ledger.pumped, ledger.leaked_out
    pumped.air += gone_air * to_pump - back_air * dt
    pumped.nitrogen += gone_nitrogen * to_pump
    pumped.water += gone_water * to_pump
    pumped.refrigerant += gone_ref * to_pump
    leaked.air += gone_air * (1 - to_pump)
    leaked.nitrogen += gone_nitrogen * (1 - to_pump)
    leaked.water += gone_water * (1 - to_pump)
    leaked.refrigerant += gone_ref * (1 - to_pump)
    ledger.leaked_in_air += dry_in * dt
    ledger.leaked_in_water += water_in * dt
    if pump is not None and speed > 0:
        pump.oil_water_kg += pump.oil_catches * gone_water * to_pump * WATER_MOLAR_MASS
    return heat_from_metal


def _water_step(
    dt: float,
    gases: Gases,
    water: WaterPatch,
    rt_v: float,
    volume: float,
    metal_k: float,
    away: float,
    source: float,
    pressure: float,
) -> tuple[float, float]:
    """(mol removed, heat from the metal J); `gases.water` and `water` are moved on."""
    t_k = water.temp_k
    saturation = vapour_pressure_pa(t_k)
    # vapour has to diffuse through whatever gas lies over the water
    other = max(0.0, pressure - gases.water * rt_v)
    free = water.conductance_m3_s / (1.0 + other / 1000.0)
    if water.mass_kg <= 0 and gases.water * rt_v <= saturation:
        free = 0.0
    left, gone, came = _relax(gases.water, rt_v, volume, dt, away, free, saturation, source)
    # predict the water's temperature at the middle of the step, implicitly, then take the flow from there
    slope = (vapour_pressure_pa(t_k + 0.1) - saturation) / 0.1
    stiff = came / max(saturation, 1.0) * slope * WATER_MOLAR_MASS * water.vapour_heat_j_kg() / dt if came > 0 else 0.0
    cooling = came * WATER_MOLAR_MASS * water.vapour_heat_j_kg() / dt
    capacity = water.heat_slope()
    shift = dt * (water.heat_flow_w_k * (metal_k - t_k) - cooling) / (capacity + dt * (water.heat_flow_w_k + stiff))
    middle = t_k + 0.5 * shift
    if free > 0:
        left, gone, came = _relax(gases.water, rt_v, volume, dt, away, free, vapour_pressure_pa(middle), source)
        if came * WATER_MOLAR_MASS > water.mass_kg:
            came = water.mass_kg / WATER_MOLAR_MASS
            left, gone, _ = _relax(gases.water, rt_v, volume, dt, away, 0.0, 0.0, source + came / dt)
    heat = water.heat_flow_w_k * (metal_k - middle) * dt
    water.heat_j += heat - came * WATER_MOLAR_MASS * water.vapour_heat_j_kg()
    water.mass_kg = max(0.0, water.mass_kg - came * WATER_MOLAR_MASS)
    gases.water = left
    return gone, heat
