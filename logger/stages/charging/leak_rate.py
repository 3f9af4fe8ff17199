"""Leak rate of an appliance by what was added to it: both methods of 40 CFR 82.152, thresholds of 82.157.

In percent of full charge a year, as a ratio here (0.10 is 10 %). Thresholds and formulas as secondary sources quote
the regulation; read the rule itself, and local codes, before relying on it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from logger.model.finding import Finding, Verdict
from logger.model.units import POUND_KG
from logger.model.value import Value, known, unknown

RULE = "40 CFR 82.157(c)(2)"
SMALLEST_COVERED_KG = 50 * POUND_KG
THRESHOLD: dict[str, float] = {"comfort-cooling": 0.10, "commercial": 0.20, "industrial": 0.30}
CLASS_LABEL: dict[str, str] = {
    "comfort-cooling": "comfort cooling and other appliances",
    "commercial": "commercial refrigeration",
    "industrial": "industrial process refrigeration",
}
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
    key, rule = "charging.leak_rate", f"{RULE}, {method} method (82.152)"
    label = CLASS_LABEL.get(appliance_class)
    today = sum(a.added_kg for a in additions if a.day == on)
    if label is None:
        known_classes = ", ".join(THRESHOLD)
        rate = unknown("1", f"appliance class {appliance_class!r} is not one of {known_classes}")
    elif method == "rolling":
        rate = rolling(additions, full_charge_kg, on, verified)
    elif method == "annualizing":
        rate = annualizing(today, full_charge_kg, days_before(additions, on))
    else:
        rate = unknown("1", f"method {method!r} is not annualizing or rolling")
    inputs = (
        ("added today", known(today, "kg")),
        ("full charge", unknown("kg", "not entered") if full_charge_kg is None else known(full_charge_kg, "kg")),
        ("leak rate, share a year", rate),
    )
    if rate.number is None or full_charge_kg is None or label is None:
        text = f"No leak rate: {rate.problem}."
        return Finding(key, Verdict.CANNOT_TELL, "no leak rate", text, rule, inputs=inputs)
    percent = f"{100 * rate.number:.1f} % of the full charge a year"
    if purpose:
        return Finding(key, Verdict.INFO, percent, f"{percent}, not judged: added for {purpose}.", rule, inputs=inputs)
    if full_charge_kg < SMALLEST_COVERED_KG * (1 - _ROUNDING):
        text = f"{percent}. The repair thresholds begin at 50 lb of full charge; this appliance has less."
        return Finding(key, Verdict.INFO, percent, text, rule, inputs=inputs)
    limit = THRESHOLD[appliance_class]
    over = rate.number > limit * (1 + _ROUNDING)
    if over and f"{100 * rate.number:.1f}" == f"{100 * limit:.1f}":  # never told as the threshold itself
        percent = f"{100 * rate.number:.4f} % of the full charge a year"
    text = f"{percent}; the threshold for {label} is {100 * limit:.0f} %."
    if not over:
        return Finding(key, Verdict.PASS, percent, text, rule, "simple acceptance: at or below the threshold", inputs)
    check = ("find and repair the leaks within the rule's time (30 days, from memory)", "keep the record of it")
    return Finding(
        key, Verdict.FAIL, percent, text, rule, "simple acceptance: above the threshold", inputs, check_next=check
    )


def _refusal(full_charge_kg: float | None) -> str | None:
    if full_charge_kg is None:
        return "the appliance's full charge is not entered"
    if not full_charge_kg > 0:
        return f"a full charge of {full_charge_kg:g} kg is no charge"
    return None


def _bad_mass(added_kg: float) -> str | None:
    return None if added_kg >= 0 else f"an addition of {added_kg:g} kg is none"
