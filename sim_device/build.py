"""From a scenario's sizes to the circuit and cylinders at its start."""

from sim_device.errors import BadSetting
from sim_device.physics.circuit import Circuit
from sim_device.physics.cylinder import WATER_KG_M3, Cylinder
from sim_device.physics.fluid import GAS_CONSTANT, Fluid
from sim_device.physics.gas import Outdoors, Sorbed
from sim_device.physics.vessel import Vessel
from sim_device.physics.water import WaterPatch
from sim_device.scenario import CylinderSpec, Scenario

ZERO_C = 273.15
_STEEL_J_KG_K = 480.0
_FOLLOWING_METAL_J_K = 3e3  # thin metal that is at once as warm as what is inside


def build_circuit(scenario: Scenario, of: Fluid, outdoors: Outdoors) -> Circuit:
    t_k = outdoors.temp_k if scenario.circuit_c is None else scenario.circuit_c + ZERO_C
    charge = scenario.charge_kg if scenario.start == "charged" else 0.0
    gas_pa = {"charged": 0.0, "evacuated": scenario.vacuum_pa, "nitrogen": scenario.nitrogen_pa}.get(scenario.start)
    if gas_pa is None:
        raise BadSetting(f"scenario start {scenario.start!r}; known: charged, evacuated, nitrogen")
    held = min(scenario.oil_kg, charge) if scenario.start == "charged" else scenario.oil_kg
    vessel = Vessel(of, scenario.volume_m3, max(0.0, charge - held), t_k, _FOLLOWING_METAL_J_K)
    oil = Sorbed(held_mol=held / of.molar_mass, **scenario.oil)
    if scenario.oil_kg > 0 and scenario.start == "charged":
        # in balance with the charge at the start
        oil.capacity_mol_pa *= oil.pressure_pa(t_k) / vessel.pressure_pa
    mol = gas_pa * scenario.volume_m3 / (GAS_CONSTANT * t_k)
    air, nitrogen = (0.0, mol) if scenario.start == "nitrogen" else (mol, 0.0)
    return Circuit(
        vessel, t_k, leak=scenario.leak, water=WaterPatch(scenario.water_kg, **scenario.water), oil=oil,
        walls=Sorbed(**scenario.walls), air_mol=air, nitrogen_mol=nitrogen, **scenario.circuit,
    )  # fmt: skip


def build_cylinder(spec: CylinderSpec, of: Fluid, outdoors: Outdoors) -> Cylinder:
    t_k = outdoors.temp_k if spec.contents_c is None else spec.contents_c + ZERO_C
    volume = spec.water_capacity_kg / WATER_KG_M3
    vessel = Vessel(of, volume, spec.contents_kg, t_k, _STEEL_J_KG_K * spec.tare_kg * 0.8)
    if spec.air_bar > 0:
        space = volume * (1.0 - vessel.liquid_fraction)
        vessel.gas_mol = spec.air_bar * 1e5 * space / (GAS_CONSTANT * 298.15)
        vessel.set_temperature(t_k)
    # relief set at 5/4 of service pressure, gauge
    relief_pa = 1.25 * spec.service_pressure_psi * 6894.757 + 101325.0
    return Cylinder(spec.name, spec.tare_kg, spec.water_capacity_kg, vessel, sun_w=spec.sun_w, relief_pa=relief_pa)
