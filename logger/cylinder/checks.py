"""Checks of a cylinder that are not about mass: service pressure, date of test, non-condensable gas."""

import math
from datetime import date

from logger.cylinder.filling_rules import CFR_FULL_K
from logger.model.cylinder import Cylinder, MonthOnly
from logger.model.finding import Finding, Verdict, worded
from logger.model.units import PSI_PA, STANDARD_ATMOSPHERE_PA
from logger.model.value import Value, known, unknown
from logger.refrigerant import OutOfRange, Refrigerant
from logger.wording.numbers import degrees

SERVICE_RULE = "49 CFR 173.301a: pressure at 131 °F (55 °C) at most 5/4 of the service pressure"
CONTENTS_RULE = "one refrigerant to a cylinder: common practice, no source"
TEST_RULE = (
    "49 CFR 180.205(c), 180.209: not to be filled once requalification is due, though what was filled before may be "
    "used up; 5 years unless the owner's own setting says otherwise"
)
AIR_LIMIT = 0.015  # share of the vapour by volume
AIR_RULE = f"AHRI 700 (from memory): non-condensables at most {AIR_LIMIT:.1%} of the vapour by volume"
WIDE_GLIDE = 0.75  # dew pressure below this share of bubble pressure
DECISION = "guard band of the expanded uncertainty (k=2): a verdict only where all of the interval agrees"

# Standard uncertainty of a saturation temperature by what stands behind it, K: about half the differences against
# independent sources in docs/accuracy.md.
PURE_U_K = 0.05
TIER_U_K = {"reference": 0.2, "predictive": 0.5, "estimated": 1.5}


def suitability(cylinder: Cylinder, inside: tuple[Refrigerant, ...]) -> Finding:
    """Whether the service pressure fits the refrigerant; of several candidates the one with the highest pressure."""
    key = "cylinder.service-pressure"
    if not inside:
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", "The refrigerant is not known.", SERVICE_RULE)
    reached = {refrigerant.name: _warmest(refrigerant) for refrigerant in inside}
    name, (kelvin, pressure_pa) = max(reached.items(), key=lambda item: item[1][1])
    at = f"{degrees(kelvin)}, gauge"
    inputs = [(f"pressure at {at}", known(pressure_pa, "Pa", note=name))]
    reaches = f"{name} reaches {_psi(pressure_pa)} at {'131 °F' if kelvin == CFR_FULL_K else degrees(kelvin)}"
    short = [_unreached(r) for r in inside if reached[r.name][0] < CFR_FULL_K]
    service_pa = cylinder.service_pressure_pa
    if service_pa is None:
        needs = f"needs a marking {'above' if short else 'of at least'} {_psi(pressure_pa / 1.25)}"
        text = " ".join((f"The service pressure is not known; {reaches}, which {needs}.", *short))
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, SERVICE_RULE, inputs=tuple(inputs))
    allowed_pa = 1.25 * service_pa
    inputs += [("service pressure, gauge", known(service_pa, "Pa")), ("5/4 of it", known(allowed_pa, "Pa"))]
    if pressure_pa > allowed_pa:
        text = (
            f"{reaches}, above the {_psi(allowed_pa)} that a service pressure of {_psi(service_pa)} allows. "
            "Do not fill this cylinder with it."
        )
        return worded(key, Verdict.FAIL, "not suitable", text, SERVICE_RULE, inputs=tuple(inputs))
    if short:
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", " ".join(short), SERVICE_RULE, inputs=tuple(inputs))
    text = f"{reaches}; {_psi(allowed_pa)} is allowed."
    return worded(key, Verdict.PASS, "suitable", text, SERVICE_RULE, inputs=tuple(inputs))


def _warmest(refrigerant: Refrigerant) -> tuple[float, float]:
    """(K, gauge Pa) at 131 °F, or at the end of the table where that is colder: at 131 °F, holding liquid until then,
    it is above that."""
    kelvin = min(CFR_FULL_K, refrigerant.bubble_range_k[1])
    return kelvin, refrigerant.bubble_pressure(kelvin) - STANDARD_ATMOSPHERE_PA


def _unreached(refrigerant: Refrigerant) -> str:
    if refrigerant.critical_temperature_k > CFR_FULL_K:
        return f"The table of {refrigerant.name} ends at {degrees(refrigerant.bubble_range_k[1])}, short of 131 °F."
    return (
        f"{refrigerant.name} has its critical temperature at {degrees(refrigerant.critical_temperature_k)}: its "
        "pressure at 131 °F follows from the amount filled in, and needs a high-pressure cylinder marked for it."
    )


def one_refrigerant(cylinder: Cylinder, refrigerant: str) -> Finding:
    """Whether the cylinder is entered for the refrigerant of the job (its proper name)."""
    key = "cylinder.contents"
    entered = [name for name in (cylinder.refrigerant, *cylinder.candidates) if name is not None]
    if not entered or refrigerant in entered:
        return worded(key, Verdict.PASS, "one refrigerant", f"{cylinder.name} is for {refrigerant}.", CONTENTS_RULE)
    text = (
        f"{cylinder.name} is entered as holding {' or '.join(entered)}; the job's refrigerant is {refrigerant}. Mixed, "
        "neither can be used again, and the pressure may be above that of either. Use another cylinder, or correct "
        "the entry; until then the limit is that of the less dense of them."
    )
    return worded(key, Verdict.FAIL, "another refrigerant", text, CONTENTS_RULE)


def due_date(tested: date, years: float) -> date:
    """The day on which the test runs out; 29 February becomes 1 March; parts of a year count as whole months."""
    months = tested.month - 1 + round(years * 12)
    year, month = tested.year + months // 12, months % 12 + 1
    try:
        return date(year, month, tested.day)
    except ValueError:
        return date(year + month // 12, month % 12 + 1, 1)


def requalification(cylinder: Cylinder, today: date) -> Finding:
    """Whether the last test still holds. On the due date it does; the day after it does not."""
    key = "cylinder.requalification"
    if cylinder.tested is None:
        text = "The date of the last test is not known: read it from the shoulder or collar before filling."
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, TEST_RULE)
    if cylinder.tested > today:
        text = f"The last test is dated {cylinder.tested.isoformat()}, after today: check the entry."
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, TEST_RULE)
    due = due_date(cylinder.tested, cylinder.requalify_years)
    years = ("years between tests", known(cylinder.requalify_years, "a"))
    if today > due:
        text = (
            f"The test of {cylinder.tested.isoformat()} ran out on {due.isoformat()}: do not fill; have it requalified."
        )
        return worded(key, Verdict.FAIL, "overdue", text, TEST_RULE, inputs=(years,))
    counted = " (counted from the first day of the month)" if isinstance(cylinder.tested, MonthOnly) else ""
    text = f"Tested {cylinder.tested.isoformat()}, good until {due.isoformat()}{counted}."
    return worded(key, Verdict.PASS, "in test", text, TEST_RULE, inputs=(years,))


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
    key = "cylinder.non-condensables"

    def cannot(text: str, *inputs: tuple[str, Value]) -> Finding:
        return worded(key, Verdict.CANNOT_TELL, "cannot tell", text, AIR_RULE, DECISION, inputs)

    read = (("cylinder pressure, absolute", pressure), ("temperature of the contents", temperature))
    if pressure.number is None or temperature.number is None:
        return cannot(f"{pressure.problem or temperature.problem}.", *read)
    if len(inside) != 1:
        return cannot("This needs one known refrigerant: of a mixture nobody knows the saturation pressure.", *read)
    if pressure.u is None or temperature.u is None:
        return cannot("Without the accuracy of gauge and thermometer nothing can be concluded.", *read)
    if fill is not None and fill.number is not None and fill.number <= 0:
        return cannot("There is no liquid in it: the pressure follows the amount, not saturation.", *read)
    refrigerant = inside[0]
    kelvin = temperature.number
    try:
        bubble_pa = refrigerant.bubble_pressure(kelvin)
        slope = bubble_pa - refrigerant.bubble_pressure(kelvin - 1.0)
    except OutOfRange as exc:
        return cannot(f"{exc}.", *read)
    kelvin_u = math.hypot(temperature.u, PURE_U_K if refrigerant.pure else TIER_U_K[refrigerant.tier])
    least_pa = _least_pressure(refrigerant, kelvin, fill)
    excess_u = math.hypot(pressure.u, slope * kelvin_u)
    excess = known(pressure.number - bubble_pa, "Pa", excess_u)
    assert excess.number is not None
    expanded = 2 * excess_u
    share = excess.number / pressure.number
    share_value = known(share, "1", excess_u / pressure.number) if pressure.number > 0 else unknown("1", "no pressure")
    inputs = (
        *read,
        ("saturation (bubble)", known(bubble_pa, "Pa", slope * kelvin_u)),
        *([] if refrigerant.pure else [("lowest it may have, part of it being vapour", known(least_pa, "Pa"))]),
        ("pressure above it", excess),
        ("share of the vapour, if it is air", share_value),
    )
    if settled is not True:
        why = "has not settled" if settled is False else "is not known to have settled"
        return cannot(
            f"The temperature {why}: leave cylinder and thermometer in the shade, valves closed, until pressure and "
            "temperature stand still.", *inputs,
        )  # fmt: skip
    band = f"{_psi_signed(excess.number)} ± {_psi(expanded, gauge=False)} (k=2) against saturation"
    if pressure.number + expanded < least_pa:
        text = f"{band}: below saturation. Wrong refrigerant, wrong temperature, no liquid left, or a gauge error."
        look_at = ("refrigerant in the cylinder", "where the temperature is taken", "zero of the gauge")
        return worded(key, Verdict.ATTENTION, "below saturation", text, AIR_RULE, DECISION, inputs, check_next=look_at)
    limit_pa = AIR_LIMIT * pressure.number
    if excess.number - expanded > limit_pa:
        text = f"{band}: about {share:.1%} of the vapour is not {refrigerant.name}."
        causes = ("air or nitrogen in the cylinder", "another refrigerant mixed in")
        checks = ("temperature of the liquid, not of the sun-warmed shell", "the refrigerant's identity")
        return worded(key, Verdict.FAIL, "non-condensables present", text, AIR_RULE, DECISION, inputs, causes, checks)
    if pressure.number - least_pa + expanded <= limit_pa:
        text = f"{band}: below {AIR_LIMIT:.1%} of the vapour."
        return worded(key, Verdict.PASS, "none found", text, AIR_RULE, DECISION, inputs)
    if excess.number + expanded <= limit_pa:
        return cannot(
            f"{band}. A blend that is part vapour lies below its bubble pressure, here by up to "
            f"{_psi(bubble_pa - least_pa, gauge=False)}: as much air would not show. "
            + ("A fuller cylinder may tell." if fill is not None and fill.number is not None else "Give the mass too."),
            *inputs,
        )  # fmt: skip
    return cannot(
        f"{band}, where the limit is {_psi(limit_pa, gauge=False)}: these instruments cannot tell. A closer "
        "thermometer on the liquid, or a longer wait, may.", *inputs,
    )  # fmt: skip


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


def _psi(pressure_pa: float, gauge: bool = True) -> str:
    return (
        f"{pressure_pa / PSI_PA:.1f} {'psig' if gauge else 'psi'} ({pressure_pa / 1e5:.2f} bar{'g' if gauge else ''})"
    )


def _psi_signed(difference_pa: float) -> str:
    return f"{difference_pa / PSI_PA:+.1f} psi ({difference_pa / 1e5:+.2f} bar)"
