"""Recovery: 16 kg of R-407C out of a 45 L circuit, and a large one."""

from dataclasses import replace
from typing import Any

from sim_device.scenario import CylinderSpec, Scenario, Step
from sim_device.scenarios.steps import HOUR, begin, end

_RECOVERY_STEPS = (
    begin("recovery"),
    Step("start_recovery", wait_s=30),
    Step("stop_recovery", wait_s=300, until=("circuit_pa", "<=", 5.0e4), at_most_s=3 * HOUR),
    end(900),
)
_RECOVERY = Scenario(
    "recovery",
    "Recovery of 16 kg, nothing wrong",
    full_charge_kg=16.5,
    charge_kg=16.0,
    oil_kg=0.3,
    volume_m3=0.045,
    circuit={"metal_j_k": 1.5e5, "fluid_ua_w_k": 250.0, "fluid_k": 289.15, "wetting_kg": 4.0},
    machine={"trapped_kg": 4.0},
    oil={"conductance_m3_s": 2e-5},
    timeline=_RECOVERY_STEPS,
    duration_s=2.5 * HOUR,
    scale_unit="kg",
    scale_exponent=-2,
    facts={"charge_kg": 16.0},
)


def _recovery(name: str, title: str, extra: tuple[Step, ...] = (), stop_pa: float = 5.0e4, **changes: Any) -> Scenario:
    """extra: acts after the machine was started, before it is stopped (the stop's own wait then begins anew)."""
    begin, start, stop, end = _RECOVERY_STEPS
    timeline = (begin, start, *extra, replace(stop, until=("circuit_pa", "<=", stop_pa)), end)
    return replace(_RECOVERY, name=name, title=title, **({"timeline": timeline} | changes))


RECOVERIES = (
    _RECOVERY,
    _recovery(
        "recovery_subcooled",
        "Recovery of 16 kg with a subcooler at the outlet",
        (Step("fit_subcooler", {"w_k": 80.0, "coolant_c": 2.0}),),
        facts={"charge_kg": 16.0, "subcooler": True},
    ),
    _recovery(
        "late_oil",
        "Recovery; the oil gives refrigerant back for an hour after the machine is stopped",
        oil_kg=2.0,
        oil={"conductance_m3_s": 4e-6},
        facts={"charge_kg": 16.0, "rebound": True},
    ),
    _recovery(
        "restricted_hose",
        "Recovery; after two minutes the inlet hose is kinked nearly shut",
        (Step("restrict_hose", {"share": 0.07, "end": "in"}, wait_s=120),),
        facts={"charge_kg": 16.0, "restriction": "inlet", "restriction_after_s": 150.0},
    ),
    _recovery(
        "restricted_outlet",
        "Recovery; after two minutes the outlet hose is nearly shut",
        (Step("restrict_hose", {"share": 0.02, "end": "out"}, wait_s=120),),
        facts={"charge_kg": 16.0, "restriction": "outlet", "restriction_after_s": 150.0},
    ),
    _recovery(
        "hot_cylinder",
        "Recovery at 38 C into a cylinder in the sun",
        ambient_c=38.0,
        circuit_c=22.0,
        cylinders=(CylinderSpec("cylinder 1", 12.5, 21.6, 2.0, sun_w=130.0),),
        machine={"trapped_kg": 4.0, "condenser_w_k": 45.0},
        stop_pa=6.5e4,
        facts={"charge_kg": 16.0, "hot_cylinder": True},
    ),
    _recovery(
        "air_in_cylinder",
        "Recovery into a cylinder that holds 1 bar of air",
        cylinders=(CylinderSpec("cylinder 1", 22.0, 45.0, 12.0, air_bar=1.0),),
        timeline=(
            begin("recovery"),
            *(
                Step(s.do, s.kw, s.wait_s + (900 if i == 0 else 0), s.until, s.at_most_s)
                for i, s in enumerate(_RECOVERY_STEPS[1:])
            ),
        ),
        facts={"charge_kg": 16.0, "air_bar_at_start": 1.0},
    ),
    _recovery(
        "bumped_scale",
        "Recovery; the scale is knocked, tugged, shifted and the cylinder lifted",
        (
            Step("bump_scale", {"swing_kg": 4.0}, wait_s=240),
            Step("tug_hose", {"pull_kg": 0.9, "for_s": 25.0}, wait_s=180),
            Step("bump_scale", {"swing_kg": 2.0, "leaves_kg": 0.30}, wait_s=240),
            Step("lift_cylinder", {"for_s": 40.0}, wait_s=240),
        ),
        scale={"drift_kg_h": 0.03},
        facts={"charge_kg": 16.0, "shifted_kg": 0.30},
    ),
    _recovery(
        "overfilled",
        "A cylinder filled beyond all limits, then left in the sun",
        timeline=(
            *_RECOVERY_STEPS[:2],
            Step("swap_cylinder", {"to": "cylinder 2"}, wait_s=240),
            Step("sun", {"watt": 500.0}),
            end(1.2 * HOUR),
        ),
        duration_s=1.5 * HOUR,
        cylinders=(CylinderSpec("cylinder 1", 12.5, 21.6), CylinderSpec("cylinder 2", 12.5, 21.6, 23.6)),
        ambient_c=33.0,
        facts={"liquid_full": True},
    ),
    Scenario(
        "big_r134a",
        "Recovery of 104 kg of R-134a from a chiller on a hot day",
        refrigerant="R-134a",
        full_charge_kg=104.3,
        charge_kg=104.3,
        oil_kg=0.8,
        volume_m3=0.28,
        ambient_c=30.5,
        circuit_c=24.0,
        oil={"conductance_m3_s": 3e-5},
        circuit={
            "metal_j_k": 6e5,
            "fluid_ua_w_k": 300.0,
            "fluid_k": 296.15,
            "wetting_kg": 12.0,
            "wetted_ua_w_k": 250.0,
        },
        machine={"swept_m3_s": 2.9e-4, "liquid_kg_s": 0.030, "condenser_w_k": 170.0, "trapped_kg": 54.0},
        cylinders=(CylinderSpec("large cylinder", 70.0, 125.0, 8.0, contents_c=25.2),),
        timeline=(
            begin("recovery"),
            Step("start_recovery", wait_s=60),
            Step("stop_recovery", wait_s=5 * HOUR),
            end(900),
        ),
        duration_s=5.5 * HOUR,
        facts={"charge_kg": 104.3},
    ),
)
