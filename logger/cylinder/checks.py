"""Checks of a cylinder: mass against its limit, marked pressure, contents, date of test, non-condensable gas."""

import math
from datetime import date

from logger.cylinder.filling_rules import (
    BAR_PA,
    CFR_DENSITY,
    CFR_FULL_K,
    P200_BY_TEST,
    P200_LOW_PRESSURE_K,
    allowed_by_marking,
)
from logger.model.cylinder import Cylinder, MonthOnly
from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Argument, Value, day_of, known, name_of, number, unknown, word
from logger.refrigerant import OutOfRange, Refrigerant

AIR_LIMIT = 0.015  # share of the vapour by volume: AHRI Standard 700, air and other non-condensables
WIDE_GLIDE = 0.75  # dew pressure below this share of bubble pressure

# Standard uncertainty of a saturation temperature by what it is computed from, K: about half the differences against
# independent sources in docs/accuracy.md.
PURE_U_K = 0.05
TIER_U_K = {"reference": 0.2, "predictive": 0.5, "estimated": 1.5}


_WORST_FIRST = (Verdict.FAIL, Verdict.CANNOT_TELL, Verdict.PASS)


def filled(room: Value, max_net: Value) -> Finding:
    """Is it over its limit? room: left to the limit, kg, negative when over; unknown says why. max_net: the limit, kg.

    Over by the reading alone fails: what the scale may be off is no room to fill into.
    """
    inputs = (number("room", Quantity.MASS, room), number("max_net", Quantity.MASS, max_net))
    if room.number is None:
        return Finding("cylinder.fill", Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    if room.number < 0.0:
        over = number("over_by", Quantity.MASS, known(-room.number, "kg", room.u))
        return Finding("cylinder.fill", Verdict.FAIL, (*inputs, over, word("judged", "over")))
    if room.number <= 2.0 * (room.u or 0.0):
        return Finding("cylinder.fill", Verdict.CANNOT_TELL, (*inputs, word("judged", "within_u")))
    return Finding("cylinder.fill", Verdict.PASS, (*inputs, word("judged", "below")))


def suitability(cylinder: Cylinder, inside: tuple[Refrigerant, ...]) -> Finding:
    """Whether the marked pressure fits the refrigerant: the test pressure of a UN cylinder, the service pressure of a
    DOT cylinder; of one marked with both, what is worse. Of several candidates the worst one decides."""
    judged = []
    if cylinder.test_pressure_pa is not None:
        judged.append(_by_test_pressure(cylinder.test_pressure_pa, inside))
    if cylinder.service_pressure_pa is not None or not judged:
        judged.append(_by_service_pressure(cylinder, inside))
    return min(judged, key=lambda finding: _WORST_FIRST.index(finding.verdict))


def _by_test_pressure(test_pa: float, inside: tuple[Refrigerant, ...]) -> Finding:
    """P200(3): the test pressure is at least the vapor pressure at 65 °C less 1 bar, or what the table lists."""
    key = "cylinder.test-pressure"
    if not inside:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_refrigerant"),))
    needs = {refrigerant.name: _test_pressure_needed(refrigerant) for refrigerant in inside}
    name, (needed_pa, listed, _) = max(needs.items(), key=lambda item: item[1][0])
    inputs = [
        name_of("refrigerant", name),
        _gauge("test_pressure", test_pa),
        _gauge("needs", needed_pa),
        word("by", "table" if listed else "vapor_pressure"),
        number("at", Quantity.TEMPERATURE, known(P200_LOW_PRESSURE_K, "K")),
    ]
    if needed_pa > test_pa:
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "too_high")))
    for r in inside:
        if not needs[r.name][2]:
            inputs += [*_unreached(r), word("judged", "not_reached")]
            return Finding(key, Verdict.CANNOT_TELL, tuple(inputs))
    return Finding(key, Verdict.PASS, (*inputs, word("judged", "fits")))


def _test_pressure_needed(refrigerant: Refrigerant) -> tuple[float, bool, bool]:
    """(gauge Pa, whether it is the table's, whether it is all that is needed: False where the refrigerant's table ends
    below 65 °C or it is a high-pressure gas that P200 as known here does not list)."""
    by_test = P200_BY_TEST.get(refrigerant.name)
    if by_test is not None:
        return by_test[0][0] * BAR_PA, True, True
    kelvin = min(P200_LOW_PRESSURE_K, refrigerant.bubble_range_k[1])
    return refrigerant.bubble_pressure(kelvin) - BAR_PA, False, kelvin >= P200_LOW_PRESSURE_K


def _by_service_pressure(cylinder: Cylinder, inside: tuple[Refrigerant, ...]) -> Finding:
    """49 CFR 173.301a: at 131 °F (55 °C) at most 5/4 of the service pressure; a high-pressure gas by its own entry of
    173.304a."""
    key = "cylinder.service-pressure"
    if not inside:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_refrigerant"),))
    service_pa = cylinder.service_pressure_pa
    reached = {refrigerant.name: _warmest(refrigerant) for refrigerant in inside}
    name, (kelvin, pressure_pa) = max(reached.items(), key=lambda item: item[1][1])
    listed = {
        r.name: CFR_DENSITY[r.name] for r in inside if r.critical_temperature_k <= CFR_FULL_K and r.name in CFR_DENSITY
    }
    short = [one for r in inside if reached[r.name][0] < CFR_FULL_K and r.name not in listed for one in _unreached(r)]
    inputs = [
        name_of("refrigerant", name),
        _gauge("reaches", pressure_pa),
        number("at", Quantity.TEMPERATURE, known(kelvin, "K")),
    ]
    least_pa = max((rows[0][0] * PSI_PA for rows in listed.values()), default=0.0)
    needs_pa = max(pressure_pa / 1.25, least_pa)
    if service_pa is None:
        inputs += [_gauge("needs", needs_pa), word("marking", "above" if short else "at_least"), *short]
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "no_marking")))
    inputs += [_gauge("service_pressure", service_pa), _gauge("allowed", 1.25 * service_pa)]
    if pressure_pa > 1.25 * service_pa:
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "too_high")))
    for gas, rows in listed.items():
        if allowed_by_marking(rows, service_pa, PSI_PA)[0] is None:
            inputs += [name_of("listed", gas), _gauge("needs", least_pa), word("judged", "below_listed")]
            return Finding(key, Verdict.FAIL, tuple(inputs))
    if short:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, *short, word("judged", "not_reached")))
    if name in listed:
        return Finding(key, Verdict.PASS, (*inputs, _gauge("needs", least_pa), word("judged", "listed")))
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


def one_refrigerant(cylinder: Cylinder, refrigerant: Refrigerant) -> Finding:
    """Whether the cylinder is entered for the refrigerant of the job: one refrigerant to a cylinder, and a flammable
    one only where the cylinder is entered for it (its valve, relief device and label are made for that). Common
    practice, no source."""
    entered = [name for name in (cylinder.refrigerant, *cylinder.candidates) if name is not None]
    inputs = [name_of("cylinder", cylinder.name), name_of("refrigerant", refrigerant.name)]
    inputs += [name_of("entered", name) for name in entered]
    if entered and refrigerant.name not in entered:
        return Finding("cylinder.contents", Verdict.FAIL, (*inputs, word("judged", "other")))
    if flammable(refrigerant) and cylinder.refrigerant != refrigerant.name:
        inputs.append(name_of("safety_class", refrigerant.safety_class))
        return Finding("cylinder.contents", Verdict.FAIL, (*inputs, word("judged", "flammable")))
    return Finding("cylinder.contents", Verdict.PASS, (*inputs, word("judged", "same")))


def flammable(refrigerant: Refrigerant) -> bool:
    """Of class 2L, 2 or 3 of ISO 817; what has no class counts as flammable."""
    return not refrigerant.safety_class.endswith("1")


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
    fill: Value | None = None, other: tuple[Value, Value] | None = None,
) -> Finding:  # fmt: skip
    """Air or nitrogen in the cylinder: its pressure against saturation at its settled temperature.

    pressure: absolute Pa with u. temperature: of the contents, K, with u; both u (k=1) decide, with the model's own.
    settled: whether shell, contents and surroundings have come to one temperature; None when nobody knows.
    fill: liquid share if known; without liquid there is no saturation to compare with. A blend that is part vapour
    lies below its bubble pressure, the further the emptier the cylinder: air is called only in excess of bubble, and
    "none" only against the lowest pressure that the blend itself may have.
    other: pressure and temperature of the same settled cylinder at another temperature: they tell air from a mixture.
    """
    read = (number("pressure", Quantity.PRESSURE, pressure), number("temperature", Quantity.TEMPERATURE, temperature))

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
        evidence = "two_temperatures" if other is None else _air_or_mixture((pressure, temperature), other, refrigerant)
        causes = (word("cause", cause) for cause in (("mixed", "air") if evidence == "mixed" else ("air", "mixed")))
        checks = (word("check", check) for check in ("liquid_temperature", "identity"))
        return found(Verdict.FAIL, "air", *inputs, word("told_apart", evidence), *causes, *checks)
    if pressure.number - least_pa + expanded <= limit_pa:
        return found(Verdict.PASS, "none", *inputs)
    if excess_pa + expanded <= limit_pa:
        hidden = number("could_hide", Quantity.PRESSURE_DIFFERENCE, known(bubble_pa - least_pa, "Pa"))
        next_step = "fuller" if fill is not None and fill.number is not None else "weigh"
        return found(Verdict.CANNOT_TELL, "blend", *inputs, hidden, word("check", next_step))
    return found(Verdict.CANNOT_TELL, "instruments", *inputs, word("check", "closer"))


def _air_or_mixture(one: tuple[Value, Value], other: tuple[Value, Value], refrigerant: Refrigerant) -> str:
    """ "air", "mixed" or "not_apart": what the excess over saturation does from one temperature to another.

    Air's partial pressure goes with the absolute temperature; the excess of a mixture grows with saturation, though
    not by as much. What divides them is a third of the way between the two, with a guard band of U (k=2).
    """
    (first, first_k), (second, second_k) = one, other
    if first.number is None or second.number is None or first_k.number is None or second_k.number is None:
        return "not_apart"
    if None in (first.u, second.u, first_k.u, second_k.u):
        return "not_apart"
    excess, doubt = [], []
    for pressure, kelvin in (one, other):
        assert pressure.number is not None and kelvin.number is not None
        try:
            saturated = refrigerant.bubble_pressure(kelvin.number)
            slope = saturated - refrigerant.bubble_pressure(kelvin.number - 1.0)
        except OutOfRange:
            return "not_apart"
        excess.append(pressure.number - saturated)
        doubt.append(math.hypot(pressure.u or 0.0, slope * (kelvin.u or 0.0)))
    as_air = second_k.number / first_k.number
    as_saturation = refrigerant.bubble_pressure(second_k.number) / refrigerant.bubble_pressure(first_k.number)
    between = as_air + (as_saturation - as_air) / 3
    over = (excess[1] - between * excess[0]) * (1 if as_saturation > as_air else -1)
    if abs(over) <= 2 * math.hypot(doubt[1], between * doubt[0]):
        return "not_apart"
    return "mixed" if over > 0 else "air"


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
