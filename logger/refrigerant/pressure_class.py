"""Pressure class of a refrigerant as 40 CFR 82.152 has it: by liquid saturation pressure at 104 °F.

Limits in psia: the high class 170 to 355 is quoted from the regulation; the others (low below 45, medium 45 to 170,
very high above 355 or critical temperature below 104 °F) are from memory. Read the rule itself before relying on it.
"""

PSI_PA = 6894.757293168
REFERENCE_TEMPERATURE_K = 313.15  # 104 °F
LIMITS_PSIA = (("low", 45.0), ("medium", 170.0), ("high", 355.0))


def pressure_class(bubble_pressure_pa: float | None, critical_temperature_k: float) -> str:
    """One of "low", "medium", "high", "very high".

    bubble_pressure_pa: absolute, at 104 °F; None where there is no liquid or the table ends below 104 °F.
    """
    if critical_temperature_k < REFERENCE_TEMPERATURE_K or bubble_pressure_pa is None:
        return "very high"
    for name, limit_psia in LIMITS_PSIA:
        if bubble_pressure_pa < limit_psia * PSI_PA:
            return name
    return "very high"


NEAR_SHARE = 0.05  # of a limit: how far an estimated blend's pressure may be off (our own figure)


def near_a_limit(bubble_pressure_pa: float) -> bool:
    """Whether another class is within what an estimated blend's pressure at 104 °F may be off."""
    return any(abs(bubble_pressure_pa / (limit * PSI_PA) - 1) <= NEAR_SHARE for _, limit in LIMITS_PSIA)
