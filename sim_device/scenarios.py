"""Named scenarios with known truth. All invented; R-407C unless the title says otherwise.

`scenario(name)` gives one, `SCENARIOS` all of them. `facts` states what a right analysis must find.
"""

from dataclasses import replace
from typing import Any

from sim_device.errors import UnknownScenario
from sim_device.physics.gas import Hose, Leak
from sim_device.scenario import CylinderSpec, Scenario, Settings, Step

MICRON_PA = 0.133322387415
HOUR = 3600.0


def _begin(kind: str, wait_s: float = 0.0) -> Step:
    return Step("stage", {"begin": kind}, wait_s)


def _end(wait_s: float = 0.0, until: tuple[str, str, float] | None = None, at_most_s: float = 24 * HOUR) -> Step:
    return Step("stage", {"end": True}, wait_s, until, at_most_s)


def _evacuate_and_hold(target_micron: float = 250.0, hold_s: float = HOUR, at_most_s: float = HOUR) -> tuple[Step, ...]:
    return (
        _begin("evacuation"),
        Step("start_pump", wait_s=20),
        _end(600, ("vacuum_pa", "<=", target_micron * MICRON_PA), at_most_s),
        _begin("decay-test"),
        Step("isolate", wait_s=5),
        Step("stop_pump", wait_s=5),
        _end(hold_s),
    )


# what gaskets and walls of a sound circuit still give off: some 25 micron an hour into 50 L
_WALLS = {"held_mol": 0.045, "capacity_mol_pa": 1e-3, "conductance_m3_s": 1e-6}

# --- evacuation and decay: a 50 L circuit that was open to air ------------------------------------------------

_EVACUATION = Scenario(
    "tight", "Evacuated 50 L circuit, tight and dry", start="evacuated", vacuum_pa=5e4, charge_kg=0.0, walls=_WALLS,
    hose=Hose(0.012, 1.5),
    timeline=_evacuate_and_hold(), duration_s=2.2 * HOUR, facts={"tight": True, "wet": False},
)  # fmt: skip


def _evacuation(name: str, title: str, facts: Settings, **changes: Any) -> Scenario:
    return replace(_EVACUATION, name=name, title=title, facts=facts, **changes)


_PUMP_OIL_STEPS = (
    _begin("evacuation"),
    Step("start_pump", wait_s=20),
    Step("isolate", wait_s=2.5 * HOUR),
    Step("note", {"text": "pump oil changed"}, wait_s=240),
    Step("change_pump_oil"),
    Step("open_valve", wait_s=60),
    _end(600, ("vacuum_pa", "<=", 300 * MICRON_PA), 2 * HOUR),
)

_TRIPLE_STEPS = (
    _begin("evacuation"),
    Step("start_pump", wait_s=20),
    *(
        step
        for _ in range(2)
        for step in (
            Step("stop_pump", wait_s=300, until=("vacuum_pa", "<=", 300 * MICRON_PA), at_most_s=HOUR),
            Step("fill_nitrogen", {"to_pa": 110000.0}, wait_s=20),
            Step("vent", wait_s=420),
            Step("close_ports", wait_s=60),
            Step("start_pump", wait_s=20),
        )
    ),
    _end(600, ("vacuum_pa", "<=", 300 * MICRON_PA), HOUR),
    _begin("decay-test"),
    Step("isolate", wait_s=5),
    _end(2 * HOUR),
)

_EVACUATIONS = (
    _EVACUATION,
    _evacuation("leak", "Evacuated 50 L circuit leaking 1e-3 Pa m3/s of air",
                {"tight": False, "wet": False, "leak_pa_m3_s": 1e-3}, leak=Leak(1e-3)),
    _evacuation("big_leak", "Pull-down held up by a leak of 0.2 Pa m3/s, whatever the time", {"tight": False,
                "wet": False, "leak_pa_m3_s": 0.2}, leak=Leak(0.2)),
    _evacuation("wet", "Evacuated 50 L circuit with 120 g of water, no leak", {"tight": True, "wet": True,
                "water_kg": 0.12}, water_kg=0.12, water={"conductance_m3_s": 4e-4}, ambient_c=14.0),
    _evacuation("icing", "Large pump freezes 120 g of water in a badly heated corner", {"tight": True, "wet": True,
                "water_kg": 0.12, "ice": True}, water_kg=0.12, water={"conductance_m3_s": 3e-3, "heat_flow_w_k": 0.6},
                ambient_c=10.0, pump={"speed_m3_s": 8e-3}, hose=Hose(0.025, 1.0)),
    _evacuation("leak_and_wet", "Evacuated 50 L circuit with 60 g of water and a leak of 1e-3 Pa m3/s",
                {"tight": False, "wet": True, "water_kg": 0.06, "leak_pa_m3_s": 1e-3}, water_kg=0.06,
                water={"conductance_m3_s": 4e-4}, leak=Leak(1e-3), ambient_c=14.0),
    _evacuation("oily", "Evacuated 50 L circuit whose oil still gives off refrigerant", {"tight": True, "wet": False,
                "oil_kg": 0.02}, oil_kg=0.02, oil={"capacity_mol_pa": 4e-4, "conductance_m3_s": 3e-5}),
    _evacuation("pump_oil", "Pull-down stalled near 1450 micron by wet pump oil, until the oil is changed",
                {"stall_micron": 1450.0, "cause": "pump oil"}, pump={"oil_water_kg": 0.0047, "oil_catches": 0.0},
                timeline=_PUMP_OIL_STEPS, duration_s=5 * HOUR),
    _evacuation("triple", "Triple evacuation with two nitrogen breaks, then a hold of 2 h", {"tight": True,
                "nitrogen_breaks": 2}, timeline=_TRIPLE_STEPS, duration_s=5.5 * HOUR, water_kg=0.004),
    _evacuation("gauge_oil", "Tight circuit, vacuum gauge wetted by oil", {"tight": True, "gauge": "oil"},
                gauge={"fault": "oil"}, timeline=_evacuate_and_hold(600.0)),
    _evacuation("gauge_frozen", "Leaking circuit, vacuum gauge stuck on one number", {"tight": False,
                "gauge": "frozen", "leak_pa_m3_s": 1e-3}, leak=Leak(1e-3), timeline=(
                    *_evacuate_and_hold()[:5], Step("gauge_fault", {"fault": "frozen"}), *_evacuate_and_hold()[5:])),
    _evacuation("gauge_valve_closed", "Leaking circuit, valve before the gauge closed", {"tight": False,
                "gauge": "valve_closed", "leak_pa_m3_s": 1e-3}, leak=Leak(1e-3), timeline=(
                    *_evacuate_and_hold()[:4], Step("gauge_fault", {"fault": "valve_closed"}),
                    *_evacuate_and_hold()[4:])),
    _evacuation("thin_hose", "Tight circuit pulled down through a long thin hose, gauge at the pump", {"tight": True},
                hose=Hose(0.0048, 1.8), gauge_at_pump=True, duration_s=3 * HOUR,
                timeline=_evacuate_and_hold(at_most_s=1.8 * HOUR)),
)  # fmt: skip

# --- standing pressure with nitrogen --------------------------------------------------------------------------

_NITROGEN_STEPS = (
    _begin("pressure-test"),
    Step("fill_nitrogen", {"to_pa": 2.2e6}, wait_s=10),
    _end(8 * HOUR),
)
_NITROGEN = Scenario(
    "nitrogen", "Nitrogen at 21 bar over a cooling evening, tight", start="nitrogen", nitrogen_pa=1.2e5, charge_kg=0.0,
    ambient_c=20.0, ambient_swing_c=6.0, ambient_start_h=16.0, circuit={"metal_j_k": 4e4, "ambient_ua_w_k": 20.0},
    timeline=_NITROGEN_STEPS, duration_s=8.2 * HOUR, facts={"tight": True},
)  # fmt: skip
_NITROGENS = (
    _NITROGEN,
    replace(_NITROGEN, name="nitrogen_leak", title="Nitrogen at 21 bar over a cooling evening, leaking",
            leak=Leak(5e-4), facts={"tight": False, "leak_pa_m3_s": 5e-4}),
)  # fmt: skip

# --- recovery: 16 kg out of a 45 L circuit --------------------------------------------------------------------

_RECOVERY_STEPS = (
    _begin("recovery"),
    Step("start_recovery", wait_s=30),
    Step("stop_recovery", wait_s=300, until=("circuit_pa", "<=", 5.0e4), at_most_s=3 * HOUR),
    _end(900),
)
_RECOVERY = Scenario(
    "recovery", "Recovery of 16 kg, nothing wrong", full_charge_kg=16.5, charge_kg=16.0, oil_kg=0.3, volume_m3=0.045,
    circuit={"metal_j_k": 1.5e5, "fluid_ua_w_k": 250.0, "fluid_k": 289.15, "wetting_kg": 4.0},
    machine={"trapped_kg": 4.0}, oil={"conductance_m3_s": 2e-5}, timeline=_RECOVERY_STEPS, duration_s=2.5 * HOUR,
    scale_unit="kg", scale_exponent=-2, facts={"charge_kg": 16.0},
)  # fmt: skip


def _recovery(name: str, title: str, extra: tuple[Step, ...] = (), stop_pa: float = 5.0e4, **changes: Any) -> Scenario:
    """extra: acts after the machine was started, before it is stopped (the stop's own wait then begins anew)."""
    begin, start, stop, end = _RECOVERY_STEPS
    timeline = (begin, start, *extra, replace(stop, until=("circuit_pa", "<=", stop_pa)), end)
    return replace(_RECOVERY, name=name, title=title, **({"timeline": timeline} | changes))


_RECOVERIES = (
    _RECOVERY,
    _recovery("recovery_subcooled", "Recovery of 16 kg with a subcooler at the outlet", (
                  Step("fit_subcooler", {"w_k": 80.0, "coolant_c": 2.0}),),
              facts={"charge_kg": 16.0, "subcooler": True}),
    _recovery("late_oil", "Recovery; the oil gives refrigerant back for an hour after the machine is stopped",
              oil_kg=2.0, oil={"conductance_m3_s": 4e-6}, facts={"charge_kg": 16.0, "rebound": True}),
    _recovery("restricted_hose", "Recovery; after two minutes the inlet hose is kinked nearly shut", (
                  Step("restrict_hose", {"share": 0.07, "end": "in"}, wait_s=120),),
              facts={"charge_kg": 16.0, "restriction": "inlet", "restriction_after_s": 150.0}),
    _recovery("restricted_outlet", "Recovery; after two minutes the outlet hose is nearly shut", (
                  Step("restrict_hose", {"share": 0.02, "end": "out"}, wait_s=120),),
              facts={"charge_kg": 16.0, "restriction": "outlet", "restriction_after_s": 150.0}),
    _recovery("hot_cylinder", "Recovery at 38 C into a cylinder in the sun", ambient_c=38.0, circuit_c=22.0, cylinders=(
                  CylinderSpec("cylinder 1", 12.5, 21.6, 2.0, sun_w=130.0),), machine={"trapped_kg": 4.0,
                  "condenser_w_k": 45.0}, stop_pa=6.5e4, facts={"charge_kg": 16.0, "hot_cylinder": True}),
    _recovery("air_in_cylinder", "Recovery into a cylinder that holds 1 bar of air", cylinders=(
                  CylinderSpec("cylinder 1", 22.0, 45.0, 12.0, air_bar=1.0),), timeline=(
                      _begin("recovery"), *(Step(s.do, s.kw, s.wait_s + (900 if i == 0 else 0), s.until, s.at_most_s)
                                            for i, s in enumerate(_RECOVERY_STEPS[1:]))),
              facts={"charge_kg": 16.0, "air_bar_at_start": 1.0}),
    _recovery("bumped_scale", "Recovery; the scale is knocked, tugged, shifted and the cylinder lifted", (
                  Step("bump_scale", {"swing_kg": 4.0}, wait_s=240),
                  Step("tug_hose", {"pull_kg": 0.9, "for_s": 25.0}, wait_s=180),
                  Step("bump_scale", {"swing_kg": 2.0, "leaves_kg": 0.30}, wait_s=240),
                  Step("lift_cylinder", {"for_s": 40.0}, wait_s=240)),
              scale={"drift_kg_h": 0.03}, facts={"charge_kg": 16.0, "shifted_kg": 0.30}),
    _recovery("overfilled", "A cylinder filled beyond all limits, then left in the sun", timeline=(
                  *_RECOVERY_STEPS[:2], Step("swap_cylinder", {"to": "cylinder 2"}, wait_s=240),
                  Step("sun", {"watt": 500.0}), _end(1.2 * HOUR)), duration_s=1.5 * HOUR,
              cylinders=(CylinderSpec("cylinder 1", 12.5, 21.6), CylinderSpec("cylinder 2", 12.5, 21.6, 23.6)),
              ambient_c=33.0, facts={"liquid_full": True}),
    Scenario(
        "big_r134a", "Recovery of 104 kg of R-134a from a chiller on a hot day", refrigerant="R-134a",
        full_charge_kg=104.3, charge_kg=104.3, oil_kg=0.8, volume_m3=0.28, ambient_c=30.5, circuit_c=24.0,
        oil={"conductance_m3_s": 3e-5}, circuit={"metal_j_k": 6e5, "fluid_ua_w_k": 300.0, "fluid_k": 296.15,
                                                 "wetting_kg": 12.0, "wetted_ua_w_k": 250.0},
        machine={"swept_m3_s": 2.9e-4, "liquid_kg_s": 0.030, "condenser_w_k": 170.0, "trapped_kg": 54.0},
        cylinders=(CylinderSpec("large cylinder", 70.0, 125.0, 8.0, contents_c=25.2),),
        timeline=(_begin("recovery"), Step("start_recovery", wait_s=60),
                  Step("stop_recovery", wait_s=5 * HOUR), _end(900)),
        duration_s=5.5 * HOUR, facts={"charge_kg": 104.3},
    ),
)  # fmt: skip

# --- charging -------------------------------------------------------------------------------------------------

_CHARGING = Scenario(
    "charging", "Charging 16.5 kg from a drum: liquid, push-pull, the last kilogram vapour",
    full_charge_kg=16.5, charge_kg=0.0,
    start="evacuated", vacuum_pa=30.0, volume_m3=0.045, circuit_c=10.0, circuit={"metal_j_k": 1.5e5},
    scale_unit="kg", scale_exponent=-2,
    cylinders=(CylinderSpec("drum", 28.0, 60.0, 45.0),), charging_hose=2.0e-6,
    machine={"swept_m3_s": 3e-4, "condenser_w_k": 20.0},
    timeline=(
        _begin("charging"),
        Step("start_charging", {"mode": "liquid"}, wait_s=60),
        Step("start_charging", {"mode": "push-pull"}, wait_s=240),
        Step("stop_charging", until=("circuit_kg", ">=", 15.5), at_most_s=3 * HOUR),
        Step("start_charging", {"mode": "vapour"}, wait_s=60),
        Step("stop_charging", until=("circuit_kg", ">=", 16.49), at_most_s=3 * HOUR),
        _end(300),
    ),
    duration_s=1.5 * HOUR, facts={"charged_kg": 16.5},
)  # fmt: skip

# --- the machine running --------------------------------------------------------------------------------------

_START_UP = Scenario(
    "start_up", "Start-up of a glycol chiller, all well: valve near 60 %, superheat at its setpoint",
    full_charge_kg=98.0, charge_kg=98.0, volume_m3=0.26, oil_kg=0.0,
    circuit={"metal_j_k": 6e5, "fluid_k": 288.15}, ambient_c=25.0,
    timeline=(_begin("start-up"), Step("start_machine", wait_s=60), _end(0.9 * HOUR)), duration_s=HOUR,
    facts={"healthy": True, "setpoint_k": 6.2},
)  # fmt: skip
_START_UPS = (
    _START_UP,
    replace(_START_UP, name="hunting_valve", title="Expansion valve hunting: superheat swings by itself",
            chiller={"gain_per_k": 0.12, "reset_s": 8.0}, facts={"hunting": True, "period_s": 127.0}),
    replace(_START_UP, name="starved_evaporator", title="Charge short by a third: valve wide open, superheat high",
            charge_kg=62.0, facts={"starved": True, "cause": "charge", "missing_kg": 36.0}),
    replace(_START_UP, name="clogged_drier", title="Drier nearly clogged: valve wide open, superheat high",
            chiller={"line_restriction": 0.45}, facts={"starved": True, "cause": "restriction"}),
)  # fmt: skip

# --- the demo: a whole job ------------------------------------------------------------------------------------

_BREWERY = Scenario(
    "brewery", "A brewery's R-407C glycol chiller: recover, prove tight, evacuate, charge, start",
    full_charge_kg=98.0, charge_kg=96.4, oil_kg=1.1, volume_m3=0.26, ambient_c=23.0, ambient_swing_c=3.0,
    ambient_start_h=10.0, circuit_c=17.0, hose=Hose(0.025, 1.5),
    circuit={"metal_j_k": 6e5, "fluid_ua_w_k": 900.0, "fluid_k": 289.15, "wetting_kg": 8.0, "wetted_ua_w_k": 700.0},
    machine={"swept_m3_s": 8.5e-4, "liquid_kg_s": 0.055, "condenser_w_k": 420.0, "trapped_kg": 26.0,
             "hose_in": 2e-5, "hose_out": 2e-5},
    pump={"speed_m3_s": 8e-3, "ultimate_pa": 3.0}, oil={"conductance_m3_s": 2.5e-4}, water_kg=0.012,
    walls={"held_mol": 0.06, "capacity_mol_pa": 1e-3, "conductance_m3_s": 4e-6},
    water={"conductance_m3_s": 6e-4, "heat_flow_w_k": 4.0}, charging_hose=2.2e-6,
    cylinders=(
        CylinderSpec("cylinder A", 29.4, 59.9, 0.4),
        CylinderSpec("cylinder B", 29.1, 59.9, 0.3),
        CylinderSpec("drum", 66.0, 142.0, 112.0),
    ),
    timeline=(
        _begin("recovery"),
        Step("start_recovery", wait_s=90),
        Step("stop_recovery", until=("cylinder_net_kg", ">=", 52.8), at_most_s=2 * HOUR),
        Step("swap_cylinder", {"to": "cylinder B"}, wait_s=90),
        Step("start_recovery", wait_s=120),
        Step("stop_recovery", wait_s=600, until=("circuit_pa", "<=", 4.6e4), at_most_s=3 * HOUR),
        _end(600),
        _begin("pressure-test", wait_s=60),
        Step("fill_nitrogen", {"to_pa": 1.6e6}, wait_s=30),
        _end(1.2 * HOUR),
        Step("vent", wait_s=60),
        Step("close_ports", wait_s=240),
        _begin("evacuation", wait_s=60),
        Step("start_pump", wait_s=30),
        _end(900, ("vacuum_pa", "<=", 230 * MICRON_PA), 2.5 * HOUR),
        _begin("decay-test"),
        Step("isolate", wait_s=5),
        Step("stop_pump", wait_s=10),
        _end(HOUR),
        Step("swap_cylinder", {"to": "drum"}, wait_s=60),
        _begin("charging", wait_s=120),
        Step("start_charging", {"mode": "liquid"}, wait_s=60),
        Step("start_charging", {"mode": "push-pull"}, wait_s=300),
        Step("stop_charging", until=("circuit_kg", ">=", 97.98), at_most_s=2 * HOUR),
        _end(180),
        _begin("start-up", wait_s=60),
        Step("start_machine", wait_s=60),
        _end(0.75 * HOUR),
        Step("stop_machine", wait_s=60),
    ),
    duration_s=9 * HOUR,
    facts={"charge_kg": 96.4, "charged_kg": 98.0, "tight": True, "swaps": 1, "healthy": True},
)  # fmt: skip

SCENARIOS: dict[str, Scenario] = {
    s.name: s for s in (*_EVACUATIONS, *_NITROGENS, *_RECOVERIES, _CHARGING, *_START_UPS, _BREWERY)
}


def scenario(name: str) -> Scenario:
    """A scenario by name. Raises UnknownScenario."""
    found = SCENARIOS.get(name)
    if found is None:
        raise UnknownScenario(f"no scenario {name!r}; known: {', '.join(SCENARIOS)}")
    return found
