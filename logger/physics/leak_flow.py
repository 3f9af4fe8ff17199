"""What a hole that lets air into a vacuum would lose in refrigerant.

Flow is in Pa m3/s at the gas's temperature. What a vacuum test sees is air going in; what matters later is refrigerant
going out, through a hole nobody has seen. Two assumptions bracket it, and the range is what is printed:
molecular flow (by the square root of the molar masses and by the pressure difference), viscous flow (by viscosity and
the difference of squared pressures: Poiseuille's law for a gas).
"""

import math
from dataclasses import dataclass

from logger.model.errors import ComputeError
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known, unknown

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
AIR_MOLAR_MASS = 0.0289655  # kg/mol, dry air
AIR_VISCOSITY_PA_S = 18.2e-6  # at 20 C (CoolProp)
TYPICAL_VISCOSITY_PA_S = 12e-6  # vapour of HFC and HFO refrigerants at 20 C: 11.5 to 13.7 (CoolProp)
VISCOSITY_PA_S = {  # saturated vapour at 20 C, CoolProp
    "R-134a": 11.5e-6, "R-22": 13.7e-6, "R-32": 13.5e-6, "R-410A": 13.3e-6, "R-404A": 12.6e-6, "R-407C": 12.3e-6,
    "R-507A": 12.7e-6, "R-290": 8.1e-6, "R-600a": 7.4e-6, "R-1234yf": 12.3e-6, "R-1234ze(E)": 12.2e-6,
    "R-744": 17.8e-6, "R-717": 9.7e-6, "R-152a": 11.0e-6,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ServiceGas:
    """The refrigerant as it would leave. molar_mass: kg/mol. pressure_pa: absolute, inside, at that temperature
    (the dew pressure when nothing better is known). viscosity_pa_s: of its vapour.
    """

    name: str
    molar_mass: float
    pressure_pa: float
    viscosity_pa_s: float = TYPICAL_VISCOSITY_PA_S


def service_gas(name: str, molar_mass: float, pressure_pa: float) -> ServiceGas:
    """A ServiceGas with the viscosity tabled here for its ASHRAE 34 name, else the typical one."""
    return ServiceGas(name, molar_mass, pressure_pa, VISCOSITY_PA_S.get(name, TYPICAL_VISCOSITY_PA_S))


@dataclass(frozen=True, slots=True)
class RefrigerantLoss:
    """Loss in kg/s between two assumptions, unknown with its reason where nothing is driven out.

    low, high: the ends of the range. assumption: the sentence that must stand beside it.
    """

    low: Value
    high: Value
    assumption: str


def mass_flow(flow_pa_m3_s: float, molar_mass: float, temperature_k: float = 293.15) -> float:
    """kg/s of a gas flowing at so many Pa m3/s."""
    _positive("temperature", temperature_k, "K")
    return flow_pa_m3_s * molar_mass / (GAS_CONSTANT * temperature_k)


@dataclass(frozen=True, slots=True)
class Drive:
    """What drove the test gas through the hole: absolute Pa on either side, kg/mol and Pa s of the gas."""

    high_pa: float
    low_pa: float
    molar_mass: float
    viscosity_pa_s: float


NITROGEN_MOLAR_MASS, NITROGEN_VISCOSITY_PA_S = 0.0280134, 17.6e-6  # at 20 C (CoolProp)


def air_into_vacuum(ambient_pa: float) -> Drive:
    return Drive(ambient_pa, 0.0, AIR_MOLAR_MASS, AIR_VISCOSITY_PA_S)


def nitrogen_out(test_pa: float, ambient_pa: float) -> Drive:
    return Drive(test_pa, ambient_pa, NITROGEN_MOLAR_MASS, NITROGEN_VISCOSITY_PA_S)


def service_range(
    flow_pa_m3_s: float, drive: Drive, gas: ServiceGas, ambient_pa: float, temperature_k: float = 293.15
) -> tuple[float, float]:
    """(least, most) kg/s that a hole passing `flow_pa_m3_s` of test gas lets out of `gas` in service.

    Bounds: molecular flow (by pressure difference and root of the molar mass) and viscous flow (by the difference of
    squared pressures and the viscosity). (0, 0) where the gas is not above ambient.
    """
    over = gas.pressure_pa - ambient_pa
    if over <= 0.0 or drive.high_pa <= drive.low_pa:
        return 0.0, 0.0
    mass = mass_flow(flow_pa_m3_s, gas.molar_mass, temperature_k)
    molecular = mass * math.sqrt(drive.molar_mass / gas.molar_mass) * over / (drive.high_pa - drive.low_pa)
    squares = (gas.pressure_pa**2 - ambient_pa**2) / (drive.high_pa**2 - drive.low_pa**2)
    viscous = mass * squares * drive.viscosity_pa_s / gas.viscosity_pa_s
    return min(molecular, viscous), max(molecular, viscous)


def refrigerant_loss(
    air_flow: Value, gas: ServiceGas, *, temperature_k: float = 293.15, ambient_pa: float = STANDARD_ATMOSPHERE_PA
) -> RefrigerantLoss:
    """What a hole that lets `air_flow` (Pa m3/s, into vacuum) in would let out of `gas` at its service pressure."""
    assumption = (
        f"the hole is not known, only a range: from molecular to viscous flow, with {gas.name} at "
        f"{gas.pressure_pa / 1e5:.1f} bar absolute inside"
    )
    if air_flow.number is None:
        none = unknown("kg/s", air_flow.problem or "the flow of air is not known")
        return RefrigerantLoss(none, none, assumption)
    if gas.pressure_pa <= ambient_pa:
        inside = f"{gas.name} at {gas.pressure_pa / 1e3:.0f} kPa absolute is not above ambient: nothing is driven out"
        return RefrigerantLoss(unknown("kg/s", inside), unknown("kg/s", inside), assumption)
    ends = service_range(air_flow.number, air_into_vacuum(ambient_pa), gas, ambient_pa, temperature_k)
    relative = None if air_flow.u is None or air_flow.number == 0.0 else abs(air_flow.u / air_flow.number)
    low, high = (known(kg_s, "kg/s", None if relative is None else abs(kg_s) * relative) for kg_s in ends)
    return RefrigerantLoss(low, high, assumption)


def _positive(what: str, number: float, unit: str) -> None:
    if not number > 0.0:
        raise ComputeError(f"{what} must be above zero, not {number:g} {unit}")
