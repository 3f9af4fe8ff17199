"""The machine running: compressor, air-cooled condenser, expansion valve, evaporator with its fluid loop.

Moving boundaries in their plainest form: the liquid in the evaporator decides how much of it is wetted, the dry
rest superheats; what is not in the evaporator stands in the condenser and subcools there. Refrigerant only moves
between the two, so the circuit's mass is kept. Good for minutes to hours; not for a compressor's first second.
"""

import math
from dataclasses import dataclass, field

from sim_device.physics.fluid import Fluid


@dataclass(slots=True)
class Chiller:
    """Sizes of one machine. Defaults make a glycol chiller of some 60 kW with 100 kg of R-407C.

    valve_kg_s: liquid through the wide open valve at 10 bar and 1100 kg/m3. gain, reset_s: its controller on
    superheat. full_evaporator_kg: wets it all. subcooling_kg: liquid in the condenser beyond what drains freely
    that subcools within 63 % of the air; drained_kg: mass in condenser and lines below which vapour reaches the valve.
    line_restriction: 1 clear, 0.3 a clogged drier.
    """

    fluid: Fluid
    swept_m3_s: float = 0.0170
    valve_kg_s: float = 0.74
    gain_per_k: float = 0.010
    reset_s: float = 60.0
    bulb_lag_s: float = 12.0
    setpoint_k: float = 7.5
    full_evaporator_kg: float = 34.0
    evaporator_w_k: float = 14000.0
    superheat_w_k: float = 11000.0
    fluid_w_k: float = 12000.0  # mass flow times specific heat of the glycol
    loop_j_k: float = 3.0e6
    load_w: float = 58000.0
    condenser_w_k: float = 7000.0
    condenser_j_k: float = 2.2e5
    evaporator_j_k: float = 1.2e5
    drained_kg: float = 55.0
    subcooling_kg: float = 9.0
    line_restriction: float = 1.0
    running: bool = field(init=False, default=False)
    evaporating_k: float = field(init=False, default=288.15)
    condensing_k: float = field(init=False, default=288.15)
    evaporator_kg: float = field(init=False, default=0.0)
    superheat_k: float = field(init=False, default=0.0)
    bulb_superheat_k: float = field(init=False, default=0.0)
    subcooling_k: float = field(init=False, default=0.0)
    valve: float = field(init=False, default=0.0)
    discharge_k: float = field(init=False, default=288.15)
    entering_k: float = field(init=False, default=288.15)
    leaving_k: float = field(init=False, default=288.15)
    running_s: float = field(init=False, default=0.0)
    _integral: float = field(init=False, default=0.3)

    def start(self, charge_kg: float, circuit_k: float) -> None:
        self.running, self.running_s = True, 0.0
        self.evaporating_k = self.condensing_k = self.discharge_k = circuit_k
        self.evaporator_kg = 0.15 * charge_kg  # it was pumped down when it was last stopped
        self.superheat_k = self.bulb_superheat_k = self.subcooling_k = 0.0
        self.valve = self._integral = 0.3

    def stop(self) -> None:
        self.running = False

    def step(self, dt: float, charge_kg: float, ambient_k: float) -> None:
        """One step of a running machine; charge_kg is all refrigerant in the circuit."""
        self.running_s += dt
        low, high = self.fluid.at(self.evaporating_k), self.fluid.at(self.condensing_k)
        suction_k = self.evaporating_k + self.superheat_k
        ratio = max(high.bubble_pa / low.dew_pa, 1.0)
        efficiency = max(0.0, 0.95 - 0.03 * (ratio - 1.0))
        # the motor needs some seconds to run up
        speed = -math.expm1(-self.running_s / 5.0)
        pumped = self.swept_m3_s * efficiency * speed * low.vapour_density * self.evaporating_k / suction_k
        fed = self._fed(max(high.bubble_pa - low.dew_pa, 0.0), high.liquid_density)

        liquid_enthalpy = high.liquid_enthalpy - 1450.0 * self.subcooling_k
        latent = low.vapour_enthalpy - low.liquid_enthalpy
        flash = min(0.9, max(0.0, (liquid_enthalpy - low.liquid_enthalpy) / latent))
        wet = min(1.0, max(0.0, self.evaporator_kg / self.full_evaporator_kg))
        boiling_w = self.fluid_w_k * -math.expm1(-self.evaporator_w_k * wet / self.fluid_w_k)
        boiling_w *= self.entering_k - self.evaporating_k
        boiled = boiling_w / latent
        fed = min(fed, (charge_kg - self.evaporator_kg) / dt)
        self.evaporator_kg += (fed - pumped) * dt
        if self.evaporator_kg < 0:
            pumped += self.evaporator_kg / dt
            self.evaporator_kg = 0.0
        made = boiled + fed * flash
        self.evaporating_k += (made - pumped) * latent * dt / self.evaporator_j_k
        self.evaporating_k = min(max(self.evaporating_k, 225.0), self.entering_k + 5.0)

        dry = 1.0 - wet
        gap = max(0.0, self.entering_k - self.evaporating_k)
        balance = gap * -math.expm1(-self.superheat_w_k * dry / 4000.0)
        self.superheat_k += (balance - self.superheat_k) * -math.expm1(-dt / 6.0)
        self.bulb_superheat_k += (self.superheat_k - self.bulb_superheat_k) * -math.expm1(-dt / self.bulb_lag_s)
        superheating_w = 850.0 * pumped * self.superheat_k

        taken_w = boiling_w + superheating_w
        self.entering_k += (self.load_w - taken_w) * dt / self.loop_j_k
        self.leaving_k = self.entering_k - taken_w / self.fluid_w_k

        lift_k = suction_k * (ratio**0.125 - 1.0) / 0.70
        self.discharge_k += (suction_k + lift_k - self.discharge_k) * -math.expm1(-dt / 25.0)
        rejected_w = pumped * (low.vapour_enthalpy + 850.0 * (self.superheat_k + lift_k) - liquid_enthalpy)
        self.condensing_k += (rejected_w - self._condensed_w(ambient_k)) * dt / self.condenser_j_k

        beyond = charge_kg - self.evaporator_kg - self.drained_kg
        room = max(0.0, self.condensing_k - ambient_k - 1.0)
        reach = room * -math.expm1(-max(0.0, beyond) / self.subcooling_kg)
        self.subcooling_k += (reach - self.subcooling_k) * -math.expm1(-dt / 20.0)
        self._control(dt)

    def _condensed_w(self, ambient_k: float) -> float:
        """Fans stage down below some 12 K over ambient, as head pressure control does."""
        over = self.condensing_k - ambient_k
        return self.condenser_w_k * over * min(1.0, max(0.15, over / 12.0))

    def _fed(self, drop_pa: float, density: float) -> float:
        """kg/s through the valve; vapour in front of it (no subcooling) takes most of its capacity."""
        solid = 0.25 + 0.75 * min(1.0, self.subcooling_k / 1.5)
        return self.valve_kg_s * self.valve * solid * self.line_restriction * math.sqrt(drop_pa / 1e6 * density / 1100)

    def _control(self, dt: float) -> None:
        error = self.bulb_superheat_k - self.setpoint_k
        wanted = self.gain_per_k * error + self._integral
        if 0.05 < wanted < 1.0:  # no wind-up at the stops
            self._integral += self.gain_per_k * error / self.reset_s * dt
        self._integral = min(1.0, max(0.05, self._integral))
        wanted = min(1.0, max(0.05, wanted))
        # a stepper motor takes about 30 s from end to end
        self.valve += min(dt / 30.0, max(-dt / 30.0, wanted - self.valve))
