"""Checks of a cylinder that are not about mass: service pressure, date of test, non-condensable gas."""

import math
from datetime import date

from logger.cylinder.filling_rules import CFR_FULL_K
from logger.model.cylinder import Cylinder, MonthOnly
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.units import STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Value, day_of, known, name_of, number, unknown, word
from logger.refrigerant import OutOfRange, Refrigerant

AIR_LIMIT = 0.015  # share of the vapour by volume: AHRI Standard 700, air and other non-condensables
WIDE_GLIDE = 0.75  # dew pressure below this share of bubble pressure

# Standard uncertainty of a saturation temperature by what it is computed from, K: about half the differences against
# independent sources in docs/accuracy.md.
PURE_U_K = 0.05
TIER_U_K = {"reference": 0.2, "predictive": 0.5, "estimated": 1.5}


def suitability(cylinder: Cylinder, inside: tuple[Refrigerant, ...]) -> Finding:
    """Whether the service pressure fits the refrigerant: 49 CFR 173.301a, at 131 °F (55 °C) at most 5/4 of the service
    pressure. Of several candidates the one with the highest pressure decides."""
    key = "cylinder.service-pressure"
    if not inside:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_refrigerant"),))
    reached = {refrigerant.name: _warmest(refrigerant) for refrigerant in inside}
    name, (kelvin, pressure_pa) = max(reached.items(), key=lambda item: item[1][1])
    short = [one for r in inside if reached[r.name][0] < CFR_FULL_K for one in _unreached(r)]
    inputs = [
        name_of("refrigerant", name),
        _gauge("reaches", pressure_pa),
        number("at", Quantity.TEMPERATURE, known(kelvin, "K")),
    ]
    service_pa = cylinder.service_pressure_pa
    if service_pa is None:
        inputs += [_gauge("needs", pressure_pa / 1.25), word("marking", "above" if short else "at_least"), *short]
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "no_marking")))
    inputs += [_gauge("service_pressure", service_pa), _gauge("allowed", 1.25 * service_pa)]
    if pressure_pa > 1.25 * service_pa:
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "too_high")))
    if short:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, *short, word("judged", "not_reached")))
    return Finding(key, Verdict.PASS, (*inputs, word("judged", "fits")))


def _gauge(name: str, pressure_pa: float) -> Argument:
    return number(name, Quantity.GAUGE_PRESSURE, known(pressure_pa, "Pa"))


def _warmest(refrigerant: Refrigerant) -> tuple[float, float]:
    """(K, gauge Pa) at 131 °F, or at the end of the table where that is colder: at 131 °F, holding liquid until then,
    it is above that."""
    kelvin = min(CFR_FULL_K, refrigerant.bubble_range_k[1])
    return kelvin, refrigerant.bubble_pressure(kelvin) - STANDARD_ATMOSPHERE_PA


def _unreached(refrigerant: Refrigerant) -> tuple[Argument, ...]:
    """Why its pressure at 131 °F is not known."""
    above_critical = refrigerant.critical_temperature_k <= CFR_FULL_K
    end_k = refrigerant.critical_temperature_k if above_critical else refrigerant.bubble_range_k[1]
    return (
        word("short", "above_critical" if above_critical else "table_ends"),
        name_of("short_of", refrigerant.name),
        number("ends_at", Quantity.TEMPERATURE, known(end_k, "K")),
    )


def one_refrigerant(cylinder: Cylinder, refrigerant: str) -> Finding:
    """Whether the cylinder is entered for the refrigerant of the job (its proper name): one refrigerant to a cylinder,
    common practice, no source."""
    entered = [name for name in (cylinder.refrigerant, *cylinder.candidates) if name is not None]
    inputs = [name_of("cylinder", cylinder.name), name_of("refrigerant", refrigerant)]
    inputs += [name_of("entered", name) for name in entered]
    verdict, judged = Verdict.PASS, "same"
    if entered and refrigerant not in entered:
        verdict, judged = Verdict.FAIL, "other"
    return Finding("cylinder.contents", verdict, (*inputs, word("judged", judged)))


def due_date(tested: date, years: float) -> date:
    """The day on which the test runs out; 29 February becomes 1 March; parts of a year count as whole months."""
    months = tested.month - 1 + round(years * 12)
    year, month = tested.year + months // 12, months % 12 + 1
    try:
        return date(year, month, tested.day)
    except ValueError:
        return date(year + month // 12, month % 12 + 1, 1)


def requalification(cylinder: Cylinder, today: date) -> Finding:
    """Whether the last test still holds: 49 CFR 180.205(c), 180.209. On the due date it does; the day after it does
    not."""
    key, tested = "cylinder.requalification", cylinder.tested
    if tested is None:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_date"),))
    inputs = [day_of("tested", tested.isoformat())]
    if tested > today:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "after_today")))
    due = due_date(tested, cylinder.requalify_years)
    inputs += [
        day_of("due", due.isoformat()),
        number("years_between_tests", Quantity.COUNT, known(cylinder.requalify_years, "a")),
    ]
    if today > due:
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "overdue")))
    if isinstance(tested, MonthOnly):
        inputs.append(word("counted", "month_only"))
    return Finding(key, Verdict.PASS, (*inputs, word("judged", "in_test")))


def non_condensables(
    pressure: Value, temperature: Value, inside: tuple[Refrigerant, ...], *, settled: bool | None,
    fill: Value | None = None,
) -> Finding:  # fmt: skip
    """Air or nitrogen in the cylinder: its pressure against saturation at its settled temperature.

    pressure: absolute Pa with u. temperature: of the contents, K, with u; both u (k=1) decide, with the model's own.
    settled: whether shell, contents and surroundings have come to one temperature; None when nobody knows.
    fill: liquid share if known; without liquid there is no saturation to compare with. A blend that is part vapour
    lies below its bubble pressure, the further the emptier the cylinder: air is called only in excess of bubble, and
    "none" only against the lowest pressure that the blend itself may have.
    """
    read = (
        number("pressure", Quantity.PRESSURE, pressure),
        number("temperature", Quantity.TEMPERATURE, temperature),
    )

    def found(verdict: Verdict, judged: str, *inputs: Argument) -> Finding:
        return Finding("cylinder.non-condensables", verdict, (*read, *inputs, word("judged", judged)))

    if pressure.number is None or temperature.number is None:
        return found(Verdict.CANNOT_TELL, "no_reading")
    if len(inside) != 1:
        return found(Verdict.CANNOT_TELL, "no_single_refrigerant")
    if pressure.u is None or temperature.u is None:
        return found(Verdict.CANNOT_TELL, "no_accuracy")
    if fill is not None and fill.number is not None and fill.number <= 0:
        return found(Verdict.CANNOT_TELL, "no_liquid")
    refrigerant, kelvin = inside[0], temperature.number
    name = name_of("refrigerant", refrigerant.name)
    try:
        bubble_pa = refrigerant.bubble_pressure(kelvin)
        slope = bubble_pa - refrigerant.bubble_pressure(kelvin - 1.0)
    except OutOfRange:
        return found(Verdict.CANNOT_TELL, "out_of_range", name)
    kelvin_u = math.hypot(temperature.u, PURE_U_K if refrigerant.pure else TIER_U_K[refrigerant.tier])
    least_pa = _least_pressure(refrigerant, kelvin, fill)
    excess_pa, excess_u = pressure.number - bubble_pa, math.hypot(pressure.u, slope * kelvin_u)
    expanded, limit_pa = 2 * excess_u, AIR_LIMIT * pressure.number
    share = unknown("1", "no pressure")
    if pressure.number > 0:
        share = known(excess_pa / pressure.number, "1", excess_u / pressure.number)
    inputs = (
        number("saturation", Quantity.PRESSURE, known(bubble_pa, "Pa", slope * kelvin_u)),
        *([] if refrigerant.pure else [number("lowest", Quantity.PRESSURE, known(least_pa, "Pa"))]),
        number("over_saturation", Quantity.PRESSURE_DIFFERENCE, known(excess_pa, "Pa", excess_u)),
        number("share_of_vapor", Quantity.RATIO, share),
        number("limit", Quantity.PRESSURE_DIFFERENCE, known(limit_pa, "Pa")),
        number("limit_share", Quantity.RATIO, known(AIR_LIMIT, "1")),
        name,
    )
    if settled is not True:
        return found(Verdict.CANNOT_TELL, "not_settled" if settled is False else "settled_unknown", *inputs)
    if pressure.number + expanded < least_pa:
        checks = (word("check", check) for check in ("refrigerant", "where_taken", "gauge_zero"))
        return found(Verdict.ATTENTION, "below", *inputs, *checks)
    if excess_pa - expanded > limit_pa:
        causes = (word("cause", cause) for cause in ("air", "mixed"))
        checks = (word("check", check) for check in ("liquid_temperature", "identity"))
        return found(Verdict.FAIL, "air", *inputs, *causes, *checks)
    if pressure.number - least_pa + expanded <= limit_pa:
        return found(Verdict.PASS, "none", *inputs)
    if excess_pa + expanded <= limit_pa:
        hidden = number("could_hide", Quantity.PRESSURE_DIFFERENCE, known(bubble_pa - least_pa, "Pa"))
        next_step = "fuller" if fill is not None and fill.number is not None else "weigh"
        return found(Verdict.CANNOT_TELL, "blend", *inputs, hidden, word("check", next_step))
    return found(Verdict.CANNOT_TELL, "instruments", *inputs, word("check", "closer"))


def _least_pressure(refrigerant: Refrigerant, kelvin: float, fill: Value | None) -> float:
    """What a blend presses with at the least, absolute Pa, with this share of liquid; dew pressure when nobody knows.

    With the share q of its mass as vapour it lies below bubble by about q times the way to dew; by less than twice
    that, unless the two lie so far apart that the lightest part leaves first (R-455A's CO2, cold). By CoolProp's
    flashes of every blend of the table; tests/compute has some. Raises OutOfRange.
    """
    bubble_pa, dew_pa = refrigerant.bubble_pressure(kelvin), refrigerant.dew_pressure(kelvin)
    if fill is None or fill.number is None or dew_pa < WIDE_GLIDE * bubble_pa:
        return dew_pa
    liquid = fill.number * refrigerant.liquid_density(kelvin)
    vapour = (1 - fill.number) * refrigerant.vapour_density(kelvin)
    return bubble_pa - min(1.0, 2 * vapour / (liquid + vapour)) * (bubble_pa - dew_pa)
