"""`python -m tests.end_to_end.small_job small-job`: the simulated rig, with a plant on which a whole job is short."""

import sys

from sim_device.__main__ import main
from sim_device.physics.gas import Hose
from sim_device.scenario import CylinderSpec, Scenario, Step
from sim_device.scenarios import SCENARIOS
from sim_device.scenarios.steps import MICRON_PA, begin, end

CHARGE_KG = 4.0
SMALL_JOB = Scenario(
    "small-job",
    "Four kilograms out into two cylinders, evacuated, held and charged again",
    full_charge_kg=CHARGE_KG,
    charge_kg=CHARGE_KG,
    volume_m3=0.012,
    circuit={"metal_j_k": 1.5e5, "fluid_ua_w_k": 400.0, "fluid_k": 291.15, "wetting_kg": 1.0},
    machine={"trapped_kg": 0.5, "liquid_kg_s": 0.05},
    hose=Hose(0.016, 1.0),
    pump={"speed_m3_s": 4e-3, "ultimate_pa": 3.0},
    walls={"held_mol": 0.004, "capacity_mol_pa": 1e-4, "conductance_m3_s": 1e-7},
    charging_hose=2.5e-6,
    cylinders=(
        CylinderSpec("cylinder A", 12.5, 21.6),
        CylinderSpec("cylinder B", 12.4, 21.6),
        CylinderSpec("charging cylinder", 14.0, 26.0, 12.0),
    ),
    scale_unit="kg",
    scale_exponent=-2,
    timeline=(
        begin("recovery", 20),
        Step("start_recovery", wait_s=45),
        Step("stop_recovery", until=("cylinder_net_kg", ">=", 2.0), at_most_s=600),
        Step("swap_cylinder", {"to": "cylinder B"}, wait_s=45),
        Step("start_recovery", wait_s=60),
        Step("stop_recovery", wait_s=30, until=("circuit_pa", "<=", 4.6e4), at_most_s=900),
        end(120),
        begin("evacuation", 10),
        Step("start_pump", wait_s=10),
        end(90, ("vacuum_pa", "<=", 250 * MICRON_PA), 600),
        begin("decay-test", profile="short"),
        Step("isolate", wait_s=5),
        Step("stop_pump", wait_s=5),
        end(630),
        Step("swap_cylinder", {"to": "charging cylinder"}, wait_s=10),
        begin("charging", 45, target=CHARGE_KG, direction="supply"),
        Step("start_charging", {"mode": "liquid"}, wait_s=60),
        Step("stop_charging", until=("circuit_kg", ">=", CHARGE_KG - 0.02), at_most_s=600),
        end(90),
    ),
    duration_s=3600.0,
)

if __name__ == "__main__":
    SCENARIOS[SMALL_JOB.name] = SMALL_JOB
    sys.exit(main())
