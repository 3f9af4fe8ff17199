"""Charging, and the machine started."""

from dataclasses import replace

from sim_device.scenario import CylinderSpec, Scenario, Step
from sim_device.scenarios.steps import HOUR, begin, end

CHARGING = Scenario(
    "charging",
    "Charging 16.5 kg from a charging cylinder: liquid, push-pull, the last kilogram vapor",
    full_charge_kg=16.5,
    charge_kg=0.0,
    start="evacuated",
    vacuum_pa=30.0,
    volume_m3=0.045,
    circuit_c=10.0,
    circuit={"metal_j_k": 1.5e5},
    scale_unit="kg",
    scale_exponent=-2,
    cylinders=(CylinderSpec("charging cylinder", 28.0, 60.0, 45.0),),
    charging_hose=2.0e-6,
    machine={"swept_m3_s": 3e-4, "condenser_w_k": 20.0},
    timeline=(
        begin("charging"),
        Step("start_charging", {"mode": "liquid"}, wait_s=60),
        Step("start_charging", {"mode": "push-pull"}, wait_s=240),
        Step("stop_charging", until=("circuit_kg", ">=", 15.5), at_most_s=3 * HOUR),
        Step("start_charging", {"mode": "vapour"}, wait_s=60),
        Step("stop_charging", until=("circuit_kg", ">=", 16.49), at_most_s=3 * HOUR),
        end(300),
    ),
    duration_s=1.5 * HOUR,
    facts={"charged_kg": 16.5},
)

_START_UP = Scenario(
    "start_up",
    "Start-up of a glycol chiller, all well: valve near 45 %, superheat at its setpoint",
    full_charge_kg=98.0,
    charge_kg=98.0,
    volume_m3=0.26,
    oil_kg=0.0,
    circuit={"metal_j_k": 6e5, "fluid_k": 288.15},
    ambient_c=25.0,
    timeline=(begin("start-up"), Step("start_machine", wait_s=60), end(0.9 * HOUR)),
    duration_s=HOUR,
    facts={"healthy": True, "setpoint_k": 7.5},
)
START_UPS = (
    _START_UP,
    replace(
        _START_UP,
        name="hunting_valve",
        title="Expansion valve hunting: superheat swings by itself",
        chiller={"gain_per_k": 0.09, "reset_s": 8.0},
        facts={"hunting": True, "period_s": 132.0},
    ),
    replace(
        _START_UP,
        name="starved_evaporator",
        title="Charge short by a third: valve wide open, superheat high",
        charge_kg=62.0,
        facts={"starved": True, "cause": "charge", "missing_kg": 36.0},
    ),
    replace(
        _START_UP,
        name="clogged_drier",
        title="Drier nearly clogged: valve wide open, superheat high",
        chiller={"line_restriction": 0.34},
        facts={"starved": True, "cause": "restriction"},
    ),
)
