"""Numbers inside sentences: both unit systems at once, so that a sentence can be stored once and read by anyone."""

from logger.model.units import POUND_KG


def degrees(temperature_k: float) -> str:
    """The same to a tenth in both: "96.1 °C (205.0 °F)"."""
    return f"{temperature_k - 273.15:.1f} °C ({temperature_k * 1.8 - 459.67:.1f} °F)"


def mass(mass_kg: float) -> str:
    """ "27.1 lb (12.30 kg)"."""
    return f"{mass_kg / POUND_KG:,.1f} lb ({mass_kg:,.2f} kg)"
