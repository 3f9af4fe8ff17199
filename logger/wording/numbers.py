"""Numbers inside sentences: both unit systems at once, so that a sentence can be stored once and read by anyone."""

from logger.model.units import MICRON_PA, POUND_KG, PSI_PA


def vacuum(pressure_pa: float) -> str:
    """ "312 micron (41.6 Pa)"."""
    return f"{pressure_pa / MICRON_PA:,.0f} micron ({_three(pressure_pa)} Pa)"


def difference(pressure_pa: float) -> str:
    """ "0.35 psi (2.4 kPa)"."""
    return f"{pressure_pa / PSI_PA:,.2f} psi ({pressure_pa / 1e3:,.2f} kPa)"


def degrees(temperature_k: float) -> str:
    """The same to a tenth in both: "96.1 °C (205.0 °F)"."""
    return f"{temperature_k - 273.15:.1f} °C ({temperature_k * 1.8 - 459.67:.1f} °F)"


def mass(mass_kg: float) -> str:
    """ "27.1 lb (12.30 kg)"."""
    return f"{mass_kg / POUND_KG:,.1f} lb ({mass_kg:,.2f} kg)"


def kelvin(difference_k: float) -> str:
    """A difference of temperatures: "10.8 °F (6.0 K)"."""
    return f"{difference_k * 1.8:.1f} °F ({difference_k:.1f} K)"


def _three(number: float) -> str:
    """Three figures, no exponent for everyday sizes."""
    size = abs(number)
    if size != 0.0 and not 1e-3 <= size < 1e5:
        return f"{number:.2e}"
    return f"{number:,.{0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3}f}"
