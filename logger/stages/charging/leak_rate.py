"""Leak rate of an appliance by what was added to it: both methods of 40 CFR 82.152, thresholds of 82.157.

In percent of full charge a year, as a ratio here (0.10 is 10 %). Thresholds and formulas as secondary sources quote
the regulation; read the rule itself, and local codes, before relying on it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.units import POUND_KG
from logger.model.value import Value, known, name_of, number, unknown, word

KEY = "charging.leak_rate"
SMALLEST_COVERED_KG = 50 * POUND_KG
THRESHOLD: dict[str, float] = {"comfort-cooling": 0.10, "commercial": 0.20, "industrial": 0.30}
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Addition:
    """Refrigerant added to an appliance on a day, in this job or an earlier one."""

    day: date
    added_kg: float


def annualizing(added_kg: float, full_charge_kg: float | None, days: float | None) -> Value:
    """added / full charge / (min(days since the last addition, 365) / 365)."""
    problem = _refusal(full_charge_kg) or _bad_mass(added_kg)
    if problem is None and days is None:
        problem = "the day of the addition before this one is not known"
    elif problem is None and days is not None and not days > 0:
        problem = "no days since the addition before this one"
    if problem is not None:
        return unknown("1", problem)
    assert full_charge_kg is not None and days is not None
    return known(added_kg / full_charge_kg / (min(days, 365.0) / 365.0), "1")


def rolling(
    additions: Sequence[Addition], full_charge_kg: float | None, on: date, verified: date | None = None
) -> Value:
    """Sum of the additions of the 365 days up to `on` / full charge.

    verified: day of the last successful follow-up verification test; only additions after it count.
    """
    problem = _refusal(full_charge_kg)
    for addition in additions:
        problem = problem or _bad_mass(addition.added_kg)
    if problem is not None:
        return unknown("1", problem)
    assert full_charge_kg is not None
    since = on - timedelta(days=365)
    counted = [a for a in additions if since < a.day <= on and (verified is None or a.day > verified)]
    return known(sum(a.added_kg for a in counted) / full_charge_kg, "1")


def days_before(additions: Sequence[Addition], on: date) -> float | None:
    """Days from the newest addition before `on`, None when there is none."""
    earlier = [a.day for a in additions if a.day < on]
    return float((on - max(earlier)).days) if earlier else None


def judge_leak_rate(
    additions: Sequence[Addition],
    full_charge_kg: float | None,
    on: date,
    appliance_class: str,
    *,
    method: str = "annualizing",
    verified: date | None = None,
    purpose: str = "",
) -> Finding:
    """The leak rate with the additions up to and of the day `on`, against the threshold of the appliance's class.

    method: "annualizing" or "rolling"; an appliance keeps to one. purpose: why it was added, when not for a leak
    (a full charge after a repair or a seasonal variance is not a leak): said in the text, not judged.
    """
    today = sum(a.added_kg for a in additions if a.day == on)
    if appliance_class not in THRESHOLD:
        rate = unknown("1", f"appliance class {appliance_class!r} is not one of {', '.join(THRESHOLD)}")
    elif method == "rolling":
        rate = rolling(additions, full_charge_kg, on, verified)
    elif method == "annualizing":
        rate = annualizing(today, full_charge_kg, days_before(additions, on))
    else:
        rate = unknown("1", f"method {method!r} is not annualizing or rolling")
    full = unknown("kg", "not entered") if full_charge_kg is None else known(full_charge_kg, "kg")
    inputs = (
        number("added_today", Quantity.MASS, known(today, "kg")),
        number("full_charge", Quantity.MASS, full),
        number("leak_rate", Quantity.RATIO, rate),
        word("method", method),
    )
    if rate.number is None or full_charge_kg is None:
        return Finding(KEY, Verdict.CANNOT_TELL, (*inputs, word("judged", "no_rate")))
    smallest = number("smallest_covered", Quantity.MASS, known(SMALLEST_COVERED_KG, "kg"))
    if purpose:
        return Finding(KEY, Verdict.INFO, (*inputs, word("judged", "other_purpose"), name_of("purpose", purpose)))
    if full_charge_kg < SMALLEST_COVERED_KG * (1 - _ROUNDING):
        return Finding(KEY, Verdict.INFO, (*inputs, word("judged", "too_small"), smallest))
    limit = THRESHOLD[appliance_class]
    over = rate.number > limit * (1 + _ROUNDING)
    judged = (
        word("judged", "over" if over else "within"),
        word("class", appliance_class),
        number("threshold", Quantity.RATIO, known(limit, "1")),
    )
    return Finding(KEY, Verdict.FAIL if over else Verdict.PASS, (*inputs, *judged))


def _refusal(full_charge_kg: float | None) -> str | None:
    if full_charge_kg is None:
        return "the appliance's full charge is not entered"
    if not full_charge_kg > 0:
        return f"a full charge of {full_charge_kg:g} kg is no charge"
    return None


def _bad_mass(added_kg: float) -> str | None:
    return None if added_kg >= 0 else f"an addition of {added_kg:g} kg is none"
