"""Which leak-rate law applies to an appliance on a day: a table of regimes, by refrigerant, charge, use and date.

GWP: 100-year values of IPCC AR4, as the exchange values of the AIM Act (42 USC 7675(c)) have them for HFCs; a
blend's by mass. What was verified of each text, and what is from memory, is said in docs/law.md.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from logger.model.units import POUND_KG
from logger.refrigerant import Refrigerant

GWP_AR4: dict[str, float] = {
    "R-11": 4750, "R-12": 10900, "R-13": 14400, "R-22": 1810, "R-113": 6130, "R-114": 10000, "R-115": 7370,
    "R-123": 77, "R-124": 609, "R-142b": 2310,
    "R-23": 14800, "R-32": 675, "R-125": 3500, "R-134a": 1430, "R-143a": 4470, "R-152a": 124, "R-227ea": 3220,
    "R-236fa": 9810, "R-245fa": 1030, "R-116": 12200,
    "R-1234yf": 4, "R-1234ze(E)": 7, "R-1233zd(E)": 5, "R-1224yd(Z)": 1, "R-1336mzz(Z)": 9, "R-1336mzz(E)": 18,
    "R-1130(E)": 5, "R-13I1": 1, "R-170": 6, "R-290": 3, "R-600": 4, "R-600a": 3, "R-601a": 5, "R-1150": 4,
    "R-1270": 2, "R-717": 0, "R-744": 1,
}  # fmt: skip
OZONE_DEPLETING = frozenset(
    {"R-11", "R-12", "R-13", "R-22", "R-113", "R-114", "R-115", "R-123", "R-124", "R-142b"}
)  # fmt: skip
USES = ("comfort-cooling", "residential-light-commercial", "commercial", "industrial")
_US_THRESHOLDS = {
    "comfort-cooling": 0.10, "residential-light-commercial": 0.10, "commercial": 0.20, "industrial": 0.30
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Regime:
    """law: how it is cited. from_day: in force; until: first day on which it is not, None while it is. smallest_kg: of
    full charge. ozone: True for class I and II substances only, False for others only, None for all. gwp_above: applies
    above it. excluded: uses it does not cover. thresholds: leak rate a year by use; empty where the law has none.
    """

    key: str
    law: str
    from_day: date
    until: date | None = None
    smallest_kg: float = 0.0
    ozone: bool | None = None
    gwp_above: float | None = None
    excluded: frozenset[str] = frozenset()
    thresholds: Mapping[str, float] = field(default_factory=dict)

    def in_force(self, day: date) -> bool:
        return self.from_day <= day and (self.until is None or day < self.until)


US_ODS = Regime("us-ods", "40 CFR 82.157", date(2019, 1, 1), None, 50 * POUND_KG, ozone=True, thresholds=_US_THRESHOLDS)
US_SUBSTITUTES = Regime(  # extended to substitutes in 2016, withdrawn by 85 FR 14150
    "us-substitutes", "40 CFR 82.157", date(2019, 1, 1), date(2020, 4, 10), 50 * POUND_KG, ozone=False,
    thresholds=_US_THRESHOLDS,
)  # fmt: skip
US_AIM = Regime(  # 89 FR 82682
    "us-aim", "40 CFR 84.106", date(2026, 1, 1), None, 15 * POUND_KG, ozone=False, gwp_above=53.0,
    excluded=frozenset({"residential-light-commercial"}), thresholds=_US_THRESHOLDS,
)  # fmt: skip
EU_573 = Regime("eu", "Regulation (EU) 2024/573, article 5", date(2024, 3, 11))
EU_517 = Regime("eu-2014", "Regulation (EU) 517/2014, article 4", date(2015, 1, 1), date(2024, 3, 11))
FEDERAL = (US_AIM, US_ODS, US_SUBSTITUTES)
EUROPEAN = (EU_573, EU_517)
CHOICES = ("us", "eu")

# Largest CO2 equivalent, t -> months between leak checks, without and with a leak detection system.
EU_CHECKS: tuple[tuple[float, int | None, int | None], ...] = (
    (5.0, None, None), (50.0, 12, 24), (500.0, 6, 12), (float("inf"), 3, 6),
)  # fmt: skip


def gwp(refrigerant: Refrigerant) -> float | None:
    """By mass of its components; None when one is not in the table."""
    parts = [(GWP_AR4.get(name), share) for name, share in refrigerant.composition.items()]
    if any(value is None for value, _ in parts):
        return None
    return sum((value or 0.0) * share for value, share in parts)


def ozone_depleting(refrigerant: Refrigerant) -> bool:
    return not OZONE_DEPLETING.isdisjoint(refrigerant.composition)


def federal(refrigerant: Refrigerant, day: date) -> Regime | None:
    """The US regime of a refrigerant on a day, whatever the charge and the use; None where no leak rate is regulated,
    or its GWP is not known."""
    ozone, warming = ozone_depleting(refrigerant), gwp(refrigerant)
    for regime in FEDERAL:
        fits = regime.ozone is None or regime.ozone is ozone
        if regime.gwp_above is not None:
            fits = fits and warming is not None and warming > regime.gwp_above
        if fits and regime.in_force(day):
            return regime
    return None


def eu_check_months(co2e_t: float) -> tuple[int | None, int | None]:
    """Months between leak checks of equipment with that much CO2 equivalent, t: without and with a leak detection
    system; None where none are required."""
    return next((plain, detected) for below, plain, detected in EU_CHECKS if co2e_t < below)
