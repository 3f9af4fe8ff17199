"""What an operator (or a mishap) can do to a plant: the names and settings of `Plant.do`."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sim_device.errors import BadSetting
from sim_device.physics.gas import Leak

if TYPE_CHECKING:
    from sim_device.plant import Plant

_ZERO_C = 273.15


def start_recovery(plant: Plant, liquid: bool = True) -> None:
    if plant.on_scale is None:
        raise BadSetting("no cylinder on the scale to recover into")
    plant.charging = None
    plant.machine.from_liquid, plant.machine.running, plant.machine.tripped = liquid, True, False


def stop_recovery(plant: Plant) -> None:
    plant.machine.running = False


def swap_cylinder(plant: Plant, to: str | None = None) -> None:
    """The next cylinder of the scenario onto the scale, or the one named; flow stops."""
    names = list(plant.cylinders)
    if to is None:
        after = names.index(plant.on_scale) + 1 if plant.on_scale else 0
        if after >= len(names):
            raise BadSetting("no further cylinder; name one of: " + ", ".join(names))
        to = names[after]
    if to not in plant.cylinders:
        raise BadSetting(f"cylinder {to!r} is not known; known: {', '.join(names)}")
    plant.machine.running, plant.charging = False, None
    plant.on_scale = to


def start_pump(plant: Plant) -> None:
    plant.pump.running = plant.pump_valve_open = True


def stop_pump(plant: Plant) -> None:
    plant.pump.running = plant.pump_valve_open = False


def isolate(plant: Plant) -> None:
    plant.pump_valve_open = False


def open_valve(plant: Plant) -> None:
    plant.pump_valve_open = True


def change_pump_oil(plant: Plant) -> None:
    plant.pump.oil_water_kg = 0.0


def fill_nitrogen(plant: Plant, to_pa: float) -> None:
    plant.filling_to_pa, plant.venting = to_pa, False


def vent(plant: Plant) -> None:
    if plant.circuit.vessel.liquid_kg > 0 or plant.circuit.vessel.refrigerant_pa > plant.outdoors.pressure_pa:
        raise BadSetting("the circuit holds refrigerant: it is recovered, never vented")
    plant.venting, plant.filling_to_pa = True, None


def close_ports(plant: Plant) -> None:
    plant.venting, plant.filling_to_pa = False, None


def start_charging(plant: Plant, mode: str = "liquid") -> None:
    if mode not in ("liquid", "vapour", "push-pull"):
        raise BadSetting(f"charging mode {mode!r}; known: liquid, vapour, push-pull")
    if plant.on_scale is None:
        raise BadSetting("no cylinder on the scale to charge from")
    plant.charging = mode
    plant.machine.running = mode == "push-pull"
    if mode == "push-pull":
        plant.machine.from_liquid, plant.machine.tripped = False, False


def stop_charging(plant: Plant) -> None:
    plant.charging, plant.machine.running = None, False


def start_machine(plant: Plant) -> None:
    plant.chiller.start(plant.circuit.vessel.mass_kg, plant.circuit.vessel.temp_k)


def stop_machine(plant: Plant) -> None:
    plant.chiller.stop()
    plant.circuit.metal_k = 0.5 * (plant.chiller.evaporating_k + plant.outdoors.temp_k)
    plant.circuit.vessel.set_temperature(plant.circuit.metal_k)


def set_load(plant: Plant, load_w: float) -> None:
    plant.chiller.load_w = load_w


def set_leak(plant: Plant, size_pa_m3_s: float, kind: str = "viscous") -> None:
    plant.circuit.leak = Leak(size_pa_m3_s, kind)


def add_water(plant: Plant, kg: float) -> None:
    t_k = plant.circuit.water.temp_k
    plant.circuit.water.mass_kg += kg
    plant.circuit.water.start_at(t_k)


def bump_scale(plant: Plant, swing_kg: float = 3.0, leaves_kg: float = 0.0) -> None:
    plant.scale.bump(swing_kg, leaves_kg)


def tug_hose(plant: Plant, pull_kg: float = 0.8, for_s: float = 20.0) -> None:
    plant.scale.tug(pull_kg, for_s)


def lift_cylinder(plant: Plant, for_s: float = 30.0) -> None:
    plant.lift_until_s = plant.t_s + for_s


def gauge_fault(plant: Plant, fault: str = "") -> None:
    plant.gauge.fail(fault)


def restrict_hose(plant: Plant, share: float = 0.2, end: str = "out") -> None:
    """Leave this share of what the hose passed ("in", "out")."""
    if not share > 0:
        raise BadSetting(f"a restriction leaves a share above 0, not {share}")
    if end == "in":
        plant.machine.hose_in *= share
    else:
        plant.machine.hose_out *= share


def fit_subcooler(plant: Plant, w_k: float = 60.0, coolant_c: float = 2.0) -> None:
    plant.machine.subcooler_w_k, plant.machine.subcooler_k = w_k, coolant_c + _ZERO_C


def sun(plant: Plant, watt: float = 300.0) -> None:
    if plant.on_scale:
        plant.cylinders[plant.on_scale].sun_w = watt


def circulate(plant: Plant, ua_w_k: float = 500.0, fluid_c: float = 15.0) -> None:
    """The fluid being cooled keeps the evaporator warm (0: pump off)."""
    plant.circuit.fluid_ua_w_k, plant.circuit.fluid_k = ua_w_k, fluid_c + _ZERO_C


def mark(plant: Plant, **_kw: Any) -> None:
    """Nothing physical: stage changes and notes of the operator, for whoever watches `done`."""


ACTIONS: dict[str, Callable[..., None]] = {
    "start_recovery": start_recovery,
    "stop_recovery": stop_recovery,
    "swap_cylinder": swap_cylinder,
    "start_pump": start_pump,
    "stop_pump": stop_pump,
    "isolate": isolate,
    "open_valve": open_valve,
    "change_pump_oil": change_pump_oil,
    "fill_nitrogen": fill_nitrogen,
    "vent": vent,
    "close_ports": close_ports,
    "start_charging": start_charging,
    "stop_charging": stop_charging,
    "start_machine": start_machine,
    "stop_machine": stop_machine,
    "set_load": set_load,
    "set_leak": set_leak,
    "add_water": add_water,
    "bump_scale": bump_scale,
    "tug_hose": tug_hose,
    "lift_cylinder": lift_cylinder,
    "gauge_fault": gauge_fault,
    "restrict_hose": restrict_hose,
    "fit_subcooler": fit_subcooler,
    "sun": sun,
    "circulate": circulate,
    "stage": mark,
    "note": mark,
}
