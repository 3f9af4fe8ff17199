"""The vacuum gauge: where it is fitted, how quickly it follows, and what can be wrong with it."""

import math
from dataclasses import dataclass

from sim_device.errors import BadSetting

FAULTS = ("", "oil", "frozen", "valve_closed")


@dataclass(slots=True)
class VacuumGauge:
    """fault: "" fine; "oil" wetted, reads high and late; "frozen" shows one number; "valve_closed" sees only
    its own small volume, which rises slowly of itself."""

    lag_s: float = 1.5
    fault: str = ""
    shown_pa: float = 101325.0
    oil_pressure_pa: float = 45.0
    trapped_rise_pa_s: float = 2e-4

    def fail(self, fault: str) -> None:
        if fault not in FAULTS:
            raise BadSetting(f"gauge fault {fault!r} is not known; known: {', '.join(f or 'none' for f in FAULTS)}")
        self.fault = fault

    def step(self, dt: float, pressure_pa: float) -> None:
        if self.fault == "frozen":
            return
        if self.fault == "valve_closed":
            self.shown_pa += self.trapped_rise_pa_s * dt
            return
        lag = self.lag_s
        if self.fault == "oil":
            pressure_pa, lag = pressure_pa + self.oil_pressure_pa, 240.0
        self.shown_pa += (pressure_pa - self.shown_pa) * -math.expm1(-dt / lag)
