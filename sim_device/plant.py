"""The plant: one circuit, its machines, cylinders and instruments' surroundings, moved on in fixed steps.

A plant is deterministic: the same scenario, seed and actions at the same plant times give the same values, however
`advance_to` is cut into calls. Time is plant time in seconds from 0; who calls decides how fast it runs.
"""

import inspect
import math
import random
from collections import deque
from dataclasses import dataclass, field
from typing import Any

from sim_device.actions import ACTIONS
from sim_device.build import ZERO_C, build_circuit, build_cylinder
from sim_device.errors import BadSetting, UnknownAction, UnknownChannel
from sim_device.exposure import POINTS, exposed
from sim_device.physics.chiller import Chiller
from sim_device.physics.cylinder import Scale
from sim_device.physics.fluid import GAS_CONSTANT, Fluid, fluid
from sim_device.physics.gas import Outdoors, VacuumPump
from sim_device.physics.gauge import VacuumGauge
from sim_device.physics.recovery import Flow, RecoveryMachine
from sim_device.physics.vessel import Vessel
from sim_device.physics.water import WATER_MOLAR_MASS
from sim_device.scenario import Scenario, Step
from sim_device.scenarios import scenario as scenario_by_name

STEP_S = 0.5
HOLD_S = 300.0
_IDLE_STEPS = 20
_MAX_STEPS = 1200  # steps of history, so that devices polled late still read what was then


@dataclass(frozen=True, slots=True)
class Done:
    """An action carried out: when (plant seconds), what, with what."""

    t_s: float
    action: str
    kw: dict[str, Any] = field(default_factory=dict)


class Plant:
    """Advance with `advance_to`, look with `read` (what a sensor is exposed to) and `truth`, act with `do`.

    autopilot: carry out the scenario's time line; `done` lists every action so far, the time line's too.
    With `hold` the time line waits, at its start and after every stage change, for `go_on` (or, from then on no
    more, for `begin_timeline`), so that a slow host misses nothing at high speed; time itself goes on. Held, it goes on
    at a whole number of HOLD_S after that stage change, so that how fast a host is within them changes nothing.
    """

    def __init__(self, scenario: Scenario | str, seed: int = 0, autopilot: bool = True, hold: bool = False) -> None:
        if isinstance(scenario, str):
            scenario = scenario_by_name(scenario)
        self.scenario = scenario
        self.seed = seed
        self.t_s = 0.0
        self.done: list[Done] = []
        rng = random.Random(f"{scenario.name}/{seed}/weather")
        self._weather = [(rng.uniform(0.05, 0.15), 2 * math.pi / rng.uniform(700, 5000), rng.uniform(0, 6.3))
                         for _ in range(3)]  # fmt: skip
        self.outdoors = Outdoors(scenario.barometer_pa, self._ambient_k(0.0))
        self.fluid: Fluid = fluid(scenario.refrigerant)
        self.circuit = build_circuit(scenario, self.fluid, self.outdoors)
        self.cylinders = {c.name: build_cylinder(c, self.fluid, self.outdoors) for c in scenario.cylinders}
        self.on_scale: str | None = scenario.cylinders[0].name if scenario.cylinders else None
        self.machine = RecoveryMachine(**scenario.machine)
        self.pump = VacuumPump(**scenario.pump)
        self.pump_valve_open = False
        self.chiller = Chiller(self.fluid, **scenario.chiller)
        self.chiller.entering_k = self.chiller.leaving_k = self.circuit.fluid_k
        self.scale = Scale(**scenario.scale)
        self.gauge = VacuumGauge(**scenario.gauge)
        self.gauge.shown_pa = min(self.circuit.pressure_pa, scenario.barometer_pa)
        self.flow = Flow()
        self.charging: str | None = None
        self.filling_to_pa: float | None = None
        self.venting = False
        self.lift_until_s = 0.0
        self._steps = deque(scenario.timeline if autopilot else ())
        self._hold = self._held = hold
        self._last_step_s = 0.0
        self._history: deque[tuple[float, ...]] = deque(maxlen=_MAX_STEPS)
        self._index = {name: i for i, name in enumerate(POINTS)}
        self._count = 0
        self.flow = self.machine.flow(self.circuit.vessel, self._cylinder_vessel(), self.outdoors.temp_k)
        self._history.append(exposed(self))

    # --- time -------------------------------------------------------------------------------------------------

    def advance_to(self, t_s: float) -> None:
        """Move on to at least t_s (whole steps). Earlier times are no error and change nothing."""
        while self.t_s < t_s:
            self._follow_timeline()
            self._step(STEP_S)
            self._count += 1
            self.t_s = self._count * STEP_S
            self._history.append(exposed(self))

    def begin_timeline(self) -> None:
        """Let a held time line go on from now, to its end."""
        self._hold = self._held = False
        self._last_step_s = self.t_s

    def go_on(self) -> None:
        """Let a held time line go on from now, to the next stage change. No error when it is not held."""
        if self._held:
            self._held = False
            self._last_step_s += HOLD_S * math.ceil((self.t_s - self._last_step_s) / HOLD_S)

    @property
    def timeline_finished(self) -> bool:
        return not self._steps

    def _follow_timeline(self) -> None:
        while self._steps and not self._held:
            step = self._steps[0]
            waited = self.t_s - self._last_step_s
            if waited < step.wait_s:
                return
            if step.until is not None and waited < step.wait_s + step.at_most_s and not self._holds(step):
                return
            self._steps.popleft()
            self._last_step_s = self.t_s
            self._held = self._hold and step.do == "stage"
            self.do(step.do, **step.kw)

    def _holds(self, step: Step) -> bool:
        assert step.until is not None
        name, sign, value = step.until
        now = self.watch(name)
        return now >= value if sign == ">=" else now <= value

    # --- looking ----------------------------------------------------------------------------------------------

    @property
    def channels(self) -> tuple[str, ...]:
        """Names `read` knows: the measuring points of the trade."""
        return tuple(self._index)

    def read(self, name: str, t_s: float | None = None) -> float:
        """What a sensor at that point is exposed to, SI, at plant time t_s (default: now; bounded history)."""
        index = self._index.get(name)
        if index is None:
            raise UnknownChannel(f"{name!r} is no point of this plant; known: {', '.join(self._index)}")
        history = self._history
        if t_s is None or t_s >= self.t_s:
            return history[-1][index]
        back = (self.t_s - t_s) / STEP_S
        whole = int(back)
        if whole + 2 > len(history):
            return history[0][index]
        later, earlier = history[-1 - whole][index], history[-2 - whole][index]
        return later + (earlier - later) * (back - whole)

    def watch(self, name: str) -> float:
        """Quantities the time line and a demo wait for. Raises BadSetting for an unknown name."""
        match name:
            case "cylinder_net_kg":
                return self.cylinders[self.on_scale].vessel.mass_kg if self.on_scale else 0.0
            case "circuit_kg":
                return self.circuit.vessel.mass_kg + self.circuit.held_by_oil_kg
            case "circuit_pa":
                return self.circuit_pressure_pa
            case "vacuum_pa":
                return self.gauge.shown_pa
            case "flow_kg_s":
                return self.flow.kg_s
            case "superheat_k":
                return self.chiller.superheat_k
        if name in self._index:
            return self.read(name)
        raise BadSetting(f"cannot wait for {name!r}")

    def truth(self) -> dict[str, Any]:
        """What really is: refrigerant by place in kg, water, leak, pressures (Pa), temperatures (K), what runs."""
        circuit, vessel, molar = self.circuit, self.circuit.vessel, self.fluid.molar_mass
        leaked = circuit.ledger.leaked_out.refrigerant * molar
        pumped = circuit.ledger.pumped.refrigerant * molar
        cylinders = {name: c.vessel.mass_kg for name, c in self.cylinders.items()}
        total = vessel.mass_kg + circuit.held_by_oil_kg + sum(cylinders.values()) + leaked + pumped
        relieved = sum(c.relieved_kg for c in self.cylinders.values())
        return {
            "t_s": self.t_s,
            "circuit_liquid_kg": vessel.liquid_kg,
            "circuit_vapour_kg": vessel.vapour_kg,
            "oil_kg": circuit.held_by_oil_kg,
            "cylinders_kg": cylinders,
            "on_scale": self.on_scale,
            "leaked_kg": leaked,
            "pumped_kg": pumped,
            "relieved_kg": relieved,
            "total_kg": total + relieved,
            "flow_kg_s": self.flow.kg_s,
            "flow_liquid_share": self.flow.liquid_share,
            "water_kg": circuit.water.mass_kg,
            "water_k": circuit.water.temp_k,
            "ice_fraction": circuit.water.ice_fraction,
            "water_vapour_kg": circuit.water_vapour_mol * WATER_MOLAR_MASS,
            "air_mol": circuit.air_mol,
            "nitrogen_mol": circuit.nitrogen_mol,
            "leak_pa_m3_s": circuit.leak.size_pa_m3_s,
            "circuit_pa": self.circuit_pressure_pa,
            "circuit_k": vessel.temp_k,
            "metal_k": circuit.metal_k,
            "ambient_k": self.outdoors.temp_k,
            "pump_base_pa": self.pump.base_pa,
            "recovering": self.machine.running,
            "tripped": self.machine.tripped,
            "pumping": self.pump.running and self.pump_valve_open,
            "charging": self.charging,
            "running": self.chiller.running,
        }

    @property
    def circuit_pressure_pa(self) -> float:
        if self.chiller.running:
            return self.fluid.at(self.chiller.evaporating_k).dew_pa
        return self.circuit.pressure_pa

    def do(self, action: str, **kw: Any) -> None:
        """Carry out an action now. Raises UnknownAction, or BadSetting for values that make no sense."""
        handler = ACTIONS.get(action)
        if handler is None:
            raise UnknownAction(f"action {action!r} is not known; known: {', '.join(sorted(ACTIONS))}")
        try:
            inspect.signature(handler).bind(self, **kw)
        except TypeError as exc:
            raise BadSetting(f"action {action!r}: {exc}") from exc
        handler(self, **kw)
        self.done.append(Done(self.t_s, action, dict(kw)))

    # --- one step ---------------------------------------------------------------------------------------------

    def _ambient_k(self, t_s: float) -> float:
        scenario = self.scenario
        hour = scenario.ambient_start_h + t_s / 3600.0
        day = scenario.ambient_swing_c * math.cos(2 * math.pi * (hour - 15.0) / 24.0)
        wander = sum(a * math.sin(w * t_s + phase) for a, w, phase in self._weather)
        return ZERO_C + scenario.ambient_c + day + wander

    def _cylinder_vessel(self) -> Vessel:
        """Of the cylinder on the scale; with none there, the machine sees the circuit itself."""
        return self.cylinders[self.on_scale].vessel if self.on_scale else self.circuit.vessel

    def _step(self, dt: float) -> None:
        outdoors, circuit = self.outdoors, self.circuit
        outdoors.temp_k = self._ambient_k(self.t_s)
        self._recover(dt)
        self._charge(dt)
        self._nitrogen(dt)
        if self.chiller.running:
            self.chiller.step(dt, circuit.vessel.mass_kg, outdoors.temp_k)
        else:
            circuit.step(dt, outdoors, self.pump if self.pump_valve_open else None, self.scenario.hose)
        for name, cylinder in self.cylinders.items():
            if name == self.on_scale:
                cylinder.step(dt, outdoors.temp_k)
            elif self._count % _IDLE_STEPS == 0:  # standing aside it only follows the weather
                cylinder.step(dt * _IDLE_STEPS, outdoors.temp_k)
        self.scale.lifted = self.t_s < self.lift_until_s
        self.scale.step(dt)
        self.gauge.step(dt, self._at_gauge())

    def _recover(self, dt: float) -> None:
        source, cylinder = self.circuit.vessel, self._cylinder_vessel()
        flow = self.flow = self.machine.flow(source, cylinder, self.outdoors.temp_k)
        moved = min(flow.kg_s * dt, 0.3 * source.mass_kg)
        if moved <= 0 or self.on_scale is None:
            return
        if source.gas_mol > 0 and flow.liquid_share < 1 and source.vapour_kg > 0:
            # air and nitrogen leave with the vapour, in its proportion
            share = moved * (1 - flow.liquid_share) / source.vapour_kg
            gas = min(1.0, share) * (self.circuit.air_mol + self.circuit.nitrogen_mol)
            total = self.circuit.air_mol + self.circuit.nitrogen_mol
            if total > 0:
                self.circuit.air_mol -= gas * self.circuit.air_mol / total
                self.circuit.nitrogen_mol -= gas * self.circuit.nitrogen_mol / total
                source.add_gas(-gas, source.temp_k)
                cylinder.add_gas(gas, self.outdoors.temp_k)
        source.add(-moved, flow.enthalpy_in)
        cylinder.add(moved, flow.enthalpy_out)

    def _charge(self, dt: float) -> None:
        if self.charging is None or self.on_scale is None:
            return
        cylinder, circuit = self.cylinders[self.on_scale].vessel, self.circuit.vessel
        drop = cylinder.pressure_pa - self.circuit_pressure_pa
        if drop <= 0 or cylinder.mass_kg <= 0:
            return
        if self.charging == "vapour" or cylinder.liquid_kg <= 0.05:
            kg_s = 4 * self.scenario.charging_hose * math.sqrt(cylinder.vapour_density * drop)
            enthalpy = cylinder.vapour_enthalpy
        else:
            kg_s = self.scenario.charging_hose * math.sqrt(cylinder.saturation.liquid_density * drop)
            enthalpy = cylinder.saturation.liquid_enthalpy
        moved = min(kg_s * dt, 0.3 * cylinder.mass_kg)
        cylinder.add(-moved, enthalpy)
        circuit.add(moved, enthalpy)
        if self.chiller.running:
            self.chiller.evaporator_kg += moved

    def _nitrogen(self, dt: float) -> None:
        circuit = self.circuit
        if self.venting:
            circuit.vent(dt, self.outdoors, 0.02)
        elif self.filling_to_pa is not None:
            short = self.filling_to_pa - circuit.pressure_pa
            if short <= 0:
                self.filling_to_pa = None
                return
            # a regulator: full flow until close, then less and less
            pa_s = min(4000.0 * 0.1 / circuit.vessel.volume_m3, short / 2.0 + 200.0)
            circuit.add_nitrogen(
                pa_s * dt * circuit.vessel.volume_m3 / (GAS_CONSTANT * circuit.vessel.temp_k), self.outdoors.temp_k
            )
            if circuit.vessel.liquid_kg == 0 and short < 300.0:
                self.filling_to_pa = None

    def _at_gauge(self) -> float:
        inside = self.circuit_pressure_pa
        if self.scenario.gauge_at_pump and self.pump.running and self.pump_valve_open:
            share = self.pump.effective_m3_s(self.scenario.hose, inside) / self.pump.speed_m3_s
            inside = self.pump.base_pa + (inside - self.pump.base_pa) * share
        return inside
