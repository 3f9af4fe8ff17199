"""What a sensor at each measuring point is exposed to, SI, in one row per plant step."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sim_device.plant import Plant

POINTS = (
    "cylinder_mass",
    "cylinder_pressure",
    "cylinder_temperature",
    "recovery_inlet_pressure",
    "recovery_inlet_temperature",
    "recovery_outlet_pressure",
    "system_pressure",
    "system_temperature",
    "suction_pressure",
    "suction_temperature",
    "liquid_pressure",
    "liquid_temperature",
    "discharge_pressure",
    "discharge_temperature",
    "vacuum",
    "ambient_temperature",
    "barometer",
    "valve_position",
    "liquid_level",
    "entering_fluid_temperature",
    "leaving_fluid_temperature",
)


def exposed(plant: Plant) -> tuple[float, ...]:
    """One number for each of POINTS, in that order."""
    circuit, chiller, ambient = plant.circuit, plant.chiller, plant.outdoors.temp_k
    if plant.on_scale:
        cylinder = plant.cylinders[plant.on_scale]
        gross, cylinder_pa, shell_k = cylinder.gross_kg, cylinder.vessel.pressure_pa, cylinder.shell_k
    else:
        gross, cylinder_pa, shell_k = 0.0, plant.outdoors.pressure_pa, ambient
    inlet_k = plant.flow.inlet_k if plant.machine.running else ambient
    pressure, metal = plant.circuit_pressure_pa, circuit.metal_k
    if chiller.running:
        low, high = plant.fluid.at(chiller.evaporating_k), plant.fluid.at(chiller.condensing_k)
        machine = (
            low.dew_pa, chiller.evaporating_k + chiller.bulb_superheat_k, high.bubble_pa - 1.5e4,
            plant.fluid.bubble_k(high.bubble_pa - 1.5e4) - chiller.subcooling_k, high.bubble_pa + 1e4,
            chiller.discharge_k,
        )  # fmt: skip
        valve = chiller.valve
        level = min(1.0, chiller.evaporator_kg / chiller.full_evaporator_kg)
    else:
        machine = (pressure, metal, pressure, metal, pressure, metal)
        valve, level = 0.0, circuit.vessel.liquid_fraction
    return (
        plant.scale.felt_kg(gross), cylinder_pa, shell_k, plant.flow.inlet_pa, inlet_k, plant.flow.outlet_pa,
        pressure, metal, *machine, plant.gauge.shown_pa, ambient, plant.outdoors.pressure_pa, valve, level,
        chiller.entering_k, chiller.leaving_k,
    )  # fmt: skip
