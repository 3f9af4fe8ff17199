"""Numbers inside sentences: both unit systems at once, so that a sentence can be stored once and read by anyone."""

import math

from logger.model.units import MICRON_PA, POUND_KG, PSI_PA


def vacuum(pressure_pa: float) -> str:
    """ "312 micron (41.6 Pa)"."""
    return f"{pressure_pa / MICRON_PA:,.0f} micron ({_three(pressure_pa)} Pa)"


def vacuum_beside(pressure_pa: float, limit_pa: float) -> str:
    """A pressure that is not its limit, with as many decimals as tell them apart: "500.3 micron (66.70 Pa)"."""
    if vacuum(pressure_pa) != vacuum(limit_pa) or pressure_pa == limit_pa:
        return vacuum(pressure_pa)
    micron, limit = pressure_pa / MICRON_PA, limit_pa / MICRON_PA
    digits = next((n for n in range(1, 6) if f"{micron:.{n}f}" != f"{limit:.{n}f}"), 6)
    return f"{micron:,.{digits}f} micron ({pressure_pa:,.{digits + 1}f} Pa)"


def vacuum_rate(rate_pa_s: float) -> str:
    """ "18 micron/h (2.40 Pa/h)"."""
    per_h = rate_pa_s * 3600.0
    micron = per_h / MICRON_PA
    return f"{micron:,.{0 if abs(micron) >= 10 else 1}f} micron/h ({_three(per_h)} Pa/h)"


def difference(pressure_pa: float) -> str:
    """ "0.35 psi (2.4 kPa)"."""
    return f"{pressure_pa / PSI_PA:,.2f} psi ({pressure_pa / 1e3:,.2f} kPa)"


def difference_spread(expanded_pa: float) -> str:
    """As `mass_spread`: "0.0042 psi (0.029 kPa)"."""
    return f"{_two(expanded_pa / PSI_PA, 2)} psi ({_two(expanded_pa / 1e3, 2)} kPa)"


def temperature(temperature_k: float) -> str:
    """ "-24.5 °C (-12 °F)"."""
    celsius = temperature_k - 273.15
    return f"{celsius:.1f} °C ({celsius * 1.8 + 32:.0f} °F)"


def degrees(temperature_k: float) -> str:
    """The same to a tenth in both: "96.1 °C (205.0 °F)"."""
    return f"{temperature_k - 273.15:.1f} °C ({temperature_k * 1.8 - 459.67:.1f} °F)"


def duration(seconds: float) -> str:
    """ "45 s", "12 min", "2 h 05 min"."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def exact(seconds: float, limit_s: float) -> str:
    """A time below a limit, never told as the limit itself: "9 min 58 s" where `duration` says "10 min"."""
    told = duration(seconds)
    if told != duration(limit_s):
        return told
    whole = min(int(seconds), math.ceil(limit_s) - 1)
    return f"{whole // 60} min {whole % 60:02d} s"


def mass_per_year(mass_kg_s: float) -> str:
    """ "196 g/yr" or "9.5 kg/yr"."""
    grams = mass_kg_s * 365.25 * 86400.0 * 1e3
    return f"{grams / 1e3:.1f} kg/yr" if abs(grams) >= 1e3 else f"{_three(grams)} g/yr"


def mass(mass_kg: float) -> str:
    """ "27.1 lb (12.30 kg)"."""
    return f"{mass_kg / POUND_KG:,.1f} lb ({mass_kg:,.2f} kg)"


def mass_spread(expanded_kg: float) -> str:
    """An expanded uncertainty, two figures of it: "0.044 lb (0.020 kg)"; only none at all reads as none."""
    return f"{_two(expanded_kg / POUND_KG, 1)} lb ({_two(expanded_kg, 2)} kg)"


def mass_with_spread(mass_kg: float, u_kg: float | None) -> str:
    """ "19.5 lb (8.85 kg) ± 0.044 lb (0.020 kg) (k=2)"; u_kg: standard uncertainty, None where nobody stated one."""
    return f"{mass(mass_kg)} ± {mass_spread(2 * u_kg)} (k=2)" if u_kg else f"{mass(mass_kg)} (no uncertainty stated)"


def mass_rate(rate_kg_s: float) -> str:
    """ "2.02 lb/min (0.916 kg/min)"."""
    per_min = rate_kg_s * 60.0
    return f"{per_min / POUND_KG:,.2f} lb/min ({per_min:,.3f} kg/min)"


def absolute(pressure_pa: float) -> str:
    """ "14.50 psia (99.97 kPa abs)"."""
    return f"{pressure_pa / PSI_PA:,.2f} psia ({pressure_pa / 1e3:,.2f} kPa abs)"


def kelvin(difference_k: float) -> str:
    """A difference of temperatures: "10.8 °F (6.0 K)"."""
    return f"{difference_k * 1.8:.1f} °F ({difference_k:.1f} K)"


def _two(number: float, least: int) -> str:
    digits = least if number <= 0.0 else max(least, 1 - math.floor(math.log10(number)))
    return f"{number:,.{digits}f}"


def _three(number: float) -> str:
    """Three figures, no exponent for everyday sizes."""
    size = abs(number)
    if size != 0.0 and not 1e-3 <= size < 1e5:
        return f"{number:.2e}"
    return f"{number:,.{0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3}f}"
