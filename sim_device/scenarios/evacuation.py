"""Evacuation and decay test of a 50 L circuit that was open to air."""

from dataclasses import replace
from typing import Any

from sim_device.physics.gas import Hose, Leak
from sim_device.scenario import Scenario, Settings, Step
from sim_device.scenarios.steps import HOUR, MICRON_PA, begin, end


def _evacuate_and_hold(target_micron: float = 250.0, hold_s: float = HOUR, at_most_s: float = HOUR) -> tuple[Step, ...]:
    return (
        begin("evacuation"),
        Step("start_pump", wait_s=20),
        end(600, ("vacuum_pa", "<=", target_micron * MICRON_PA), at_most_s),
        begin("decay-test"),
        Step("isolate", wait_s=5),
        Step("stop_pump", wait_s=5),
        end(hold_s),
    )


# what gaskets and walls of a sound circuit still give off: some 25 micron an hour into 50 L
_WALLS = {"held_mol": 0.045, "capacity_mol_pa": 1e-3, "conductance_m3_s": 1e-6}

_EVACUATION = Scenario(
    "tight",
    "Evacuated 50 L circuit, tight and dry",
    start="evacuated",
    vacuum_pa=5e4,
    charge_kg=0.0,
    walls=_WALLS,
    hose=Hose(0.012, 1.5),
    timeline=_evacuate_and_hold(),
    duration_s=2.2 * HOUR,
    facts={"tight": True, "wet": False},
)


def _evacuation(name: str, title: str, facts: Settings, **changes: Any) -> Scenario:
    return replace(_EVACUATION, name=name, title=title, facts=facts, **changes)


_PUMP_OIL_STEPS = (
    begin("evacuation"),
    Step("start_pump", wait_s=20),
    Step("isolate", wait_s=2.5 * HOUR),
    Step("note", {"text": "pump oil changed"}, wait_s=240),
    Step("change_pump_oil"),
    Step("open_valve", wait_s=60),
    end(600, ("vacuum_pa", "<=", 300 * MICRON_PA), 2 * HOUR),
)

_TRIPLE_STEPS = (
    begin("evacuation"),
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
    end(600, ("vacuum_pa", "<=", 300 * MICRON_PA), HOUR),
    begin("decay-test"),
    Step("isolate", wait_s=5),
    end(2 * HOUR),
)

EVACUATIONS = (
    _EVACUATION,
    _evacuation(
        "leak",
        "Evacuated 50 L circuit leaking 1e-3 Pa m3/s of air",
        {"tight": False, "wet": False, "leak_pa_m3_s": 1e-3},
        leak=Leak(1e-3),
    ),
    _evacuation(
        "big_leak",
        "Pull-down held up by a leak of 0.2 Pa m3/s, whatever the time",
        {"tight": False, "wet": False, "leak_pa_m3_s": 0.2},
        leak=Leak(0.2),
    ),
    _evacuation(
        "wet",
        "Evacuated 50 L circuit with 120 g of water, no leak",
        {"tight": True, "wet": True, "water_kg": 0.12},
        water_kg=0.12,
        water={"conductance_m3_s": 4e-4},
        ambient_c=14.0,
    ),
    _evacuation(
        "icing",
        "Large pump freezes 120 g of water in a badly heated corner",
        {"tight": True, "wet": True, "water_kg": 0.12, "ice": True},
        water_kg=0.12,
        water={"conductance_m3_s": 3e-3, "heat_flow_w_k": 0.6},
        ambient_c=10.0,
        pump={"speed_m3_s": 8e-3},
        hose=Hose(0.025, 1.0),
    ),
    _evacuation(
        "leak_and_wet",
        "Evacuated 50 L circuit with 60 g of water and a leak of 1e-3 Pa m3/s",
        {"tight": False, "wet": True, "water_kg": 0.06, "leak_pa_m3_s": 1e-3},
        water_kg=0.06,
        water={"conductance_m3_s": 4e-4},
        leak=Leak(1e-3),
        ambient_c=14.0,
    ),
    _evacuation(
        "oily",
        "Evacuated 50 L circuit whose oil still gives off refrigerant",
        {"tight": True, "wet": False, "oil_kg": 0.02},
        oil_kg=0.02,
        oil={"capacity_mol_pa": 4e-4, "conductance_m3_s": 3e-5},
    ),
    _evacuation(
        "pump_oil",
        "Pull-down stalled near 1450 micron by wet pump oil, until the oil is changed",
        {"stall_micron": 1450.0, "cause": "pump oil"},
        pump={"oil_water_kg": 0.0047, "oil_catches": 0.0},
        timeline=_PUMP_OIL_STEPS,
        duration_s=5 * HOUR,
    ),
    _evacuation(
        "triple",
        "Triple evacuation with two nitrogen breaks, then a hold of 2 h",
        {"tight": True, "nitrogen_breaks": 2},
        timeline=_TRIPLE_STEPS,
        duration_s=5.5 * HOUR,
        water_kg=0.004,
    ),
    _evacuation(
        "gauge_oil",
        "Tight circuit, vacuum gauge wetted by oil",
        {"tight": True, "gauge": "oil"},
        gauge={"fault": "oil"},
        timeline=_evacuate_and_hold(600.0),
    ),
    _evacuation(
        "gauge_frozen",
        "Leaking circuit, vacuum gauge stuck on one number",
        {"tight": False, "gauge": "frozen", "leak_pa_m3_s": 1e-3},
        leak=Leak(1e-3),
        timeline=(*_evacuate_and_hold()[:5], Step("gauge_fault", {"fault": "frozen"}), *_evacuate_and_hold()[5:]),
    ),
    _evacuation(
        "gauge_valve_closed",
        "Leaking circuit, valve before the gauge closed",
        {"tight": False, "gauge": "valve_closed", "leak_pa_m3_s": 1e-3},
        leak=Leak(1e-3),
        timeline=(*_evacuate_and_hold()[:4], Step("gauge_fault", {"fault": "valve_closed"}), *_evacuate_and_hold()[4:]),
    ),
    _evacuation(
        "thin_hose",
        "Tight circuit pulled down through a long thin hose, gauge at the pump",
        {"tight": True},
        hose=Hose(0.0048, 1.8),
        gauge_at_pump=True,
        duration_s=3 * HOUR,
        timeline=_evacuate_and_hold(at_most_s=1.8 * HOUR),
    ),
)
