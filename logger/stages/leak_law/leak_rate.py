"""Leak rate of an appliance by what was added to it: both methods of 40 CFR 82.152 and 84.102, against the threshold of
the regime that applies (regimes.py).

In percent of full charge a year, as a ratio here (0.10 is 10 %). Read the rule itself, and local codes, before relying
on it; docs/law.md says what of each text was verified.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.value import Argument, Value, day_of, known, name_of, number, unknown, word
from logger.refrigerant import Refrigerant
from logger.stages.leak_law.regimes import EUROPEAN, USES, eu_check_months, federal, gwp

KEY = "charging.leak_rate"
FIRST_DAYS = 365.0  # for an appliance's first addition on record
CHRONIC = 1.25  # of the full charge in a calendar year: reported to the agency
REPAIR_DAYS = 30  # 120 where an industrial process must be shut down
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


@dataclass(frozen=True, slots=True)
class Appliance:
    """What the law is chosen by. use: one of regimes.USES. regime: "us" or "eu"."""

    refrigerant: Refrigerant | None
    full_charge_kg: float | None
    use: str = "comfort-cooling"
    regime: str = "us"


def judge_leak_rate(
    additions: Sequence[Addition],
    appliance: Appliance,
    on: date,
    *,
    method: str = "annualizing",
    verified: date | None = None,
    since: date | None = None,
    purpose: str = "",
) -> Finding:
    """The leak rate with the additions up to and of the day `on`, against the threshold of the regime that applies.

    method: "annualizing" or "rolling"; an owner keeps to one. verified: day of the last successful follow-up
    verification test. since: day of the job before, for a first addition; None: it counts as a year. purpose: why it
    was added, when not for a leak (a full charge after a repair or a seasonal variance is not a leak).
    """
    full_charge_kg = appliance.full_charge_kg
    today = sum(a.added_kg for a in additions if a.day == on)
    full = unknown("kg", "not entered") if full_charge_kg is None else known(full_charge_kg, "kg")
    if appliance.use not in USES:
        rate = unknown("1", f"appliance class {appliance.use!r} is not one of {', '.join(USES)}")
    elif method == "rolling":
        rate = rolling(additions, full_charge_kg, on, verified)
    elif method == "annualizing":
        days = days_before(additions, on)
        if days is None:
            days = float((on - since).days) if since is not None and since < on else FIRST_DAYS
        if verified is not None and verified < on:
            days = min(days, float((on - verified).days)) if days_before(additions, on) is None else days
        rate = annualizing(today, full_charge_kg, days)
    else:
        rate = unknown("1", f"method {method!r} is not annualizing or rolling")
    inputs: tuple[Argument, ...] = (
        number("added_today", Quantity.MASS, known(today, "kg")),
        number("full_charge", Quantity.MASS, full),
        number("leak_rate", Quantity.RATIO, rate),
        word("method", method),
    )

    def found(verdict: Verdict, judged: str, *more: Argument) -> Finding:
        return Finding(KEY, verdict, (*inputs, word("judged", judged), *more))

    if rate.number is None or full_charge_kg is None:
        return found(Verdict.CANNOT_TELL, "no_rate")
    if purpose:
        return found(Verdict.INFO, "other_purpose", name_of("purpose", purpose))
    if appliance.refrigerant is None:
        return found(Verdict.INFO, "no_refrigerant")
    if appliance.regime == "eu":
        return _european(found, appliance.refrigerant, full_charge_kg, on)
    warming = gwp(appliance.refrigerant)
    if warming is not None:
        inputs = (*inputs, number("gwp", Quantity.COUNT, known(round(warming, 1), "1")))
    regime = federal(appliance.refrigerant, on)
    if regime is None:
        return found(Verdict.INFO, "gwp_unknown" if warming is None else "not_regulated")
    inputs = (*inputs, name_of("law", regime.law))
    if appliance.use in regime.excluded:
        return found(Verdict.INFO, "excluded")
    if full_charge_kg < regime.smallest_kg * (1 - _ROUNDING):
        return found(
            Verdict.INFO, "too_small", number("smallest_covered", Quantity.MASS, known(regime.smallest_kg, "kg"))
        )
    limit = regime.thresholds[appliance.use]
    over = rate.number > limit * (1 + _ROUNDING)
    more: list[Argument] = [word("class", appliance.use), number("threshold", Quantity.RATIO, known(limit, "1"))]
    if over:
        more.append(day_of("repair_due", (on + timedelta(days=REPAIR_DAYS)).isoformat()))
    of_year = sum(a.added_kg for a in additions if a.day.year == on.year and a.day <= on) / full_charge_kg
    if of_year >= CHRONIC * (1 - _ROUNDING):
        more += [word("chronic", "chronic"), number("of_year", Quantity.RATIO, known(of_year, "1"))]
    return found(Verdict.FAIL if over else Verdict.PASS, "over" if over else "within", *more)


def _european(found: Callable[..., Finding], refrigerant: Refrigerant, full_charge_kg: float, on: date) -> Finding:
    """No leak rate is regulated there but how often to look for leaks."""
    warming = gwp(refrigerant)
    regime = next((one for one in EUROPEAN if one.in_force(on)), None)
    if warming is None or regime is None:
        return found(Verdict.INFO, "gwp_unknown" if warming is None else "not_regulated")
    co2e_kg = warming * full_charge_kg
    plain, detected = eu_check_months(co2e_kg / 1e3)
    more = [
        name_of("law", regime.law),
        number("gwp", Quantity.COUNT, known(round(warming, 1), "1")),
        number("co2e", Quantity.COUNT, known(round(co2e_kg / 1e3, 2), "1")),
    ]
    if plain is None or detected is None:
        return found(Verdict.INFO, "no_checks", *more)
    more += [
        number("months", Quantity.COUNT, known(float(plain), "1")),
        number("months_detected", Quantity.COUNT, known(float(detected), "1")),
    ]
    return found(Verdict.INFO, "checks", *more)


def _refusal(full_charge_kg: float | None) -> str | None:
    if full_charge_kg is None:
        return "the appliance's full charge is not entered"
    if not full_charge_kg > 0:
        return f"a full charge of {full_charge_kg:g} kg is no charge"
    return None


def _bad_mass(added_kg: float) -> str | None:
    return None if added_kg >= 0 else f"an addition of {added_kg:g} kg is none"
