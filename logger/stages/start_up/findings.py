"""The judgements of a start-up, one function each; limits without a named source are common practice."""

import math
from collections.abc import Mapping

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Argument, Value, known, name_of, number, word
from logger.statistics.steadiness import Hunting, Steadiness

LOW_DISCHARGE_K = 10.0
HOT_DISCHARGE_K = (225 + 459.67) * 5 / 9
HIGH_CONDENSING_K = 20.0
WINTER_K = 273.15 + 15.6  # 60 °F: below it head pressure control holds the condensing temperature up
HELD_UP_K = 273.15 + 40.6  # 105 °F: higher than head pressure control holds it
HIGH_RATIO = 10.0
LIQUID_LINE_DROP_K = 3 * 5 / 9
LINE_RISE_K = 20 * 5 / 9
WATER_APPROACH_K = 10 * 5 / 9
GAS_COOLER_APPROACH_K = 10 * 5 / 9
FREEZE_MARGIN_K = 2 * 5 / 9
AIR_STANDING = 0.05  # of the standing pressure: about 2 K of saturation
WORTH_NAMING = {"K": 0.3, "Pa": 5e3, "1": 0.02}
_DIFFERENCE = Quantity.TEMPERATURE_DIFFERENCE
FIGURES: dict[str, Quantity] = {
    "suction_superheat": _DIFFERENCE,
    "subcooling": _DIFFERENCE,
    "discharge_superheat": _DIFFERENCE,
    "condensing_over_ambient": _DIFFERENCE,
    "approach": _DIFFERENCE,
    "total_superheat": _DIFFERENCE,
    "suction_line_rise": _DIFFERENCE,
    "compression_ratio": Quantity.COUNT,
    "liquid_line_drop": _DIFFERENCE,
    "condenser_split": _DIFFERENCE,
    "condenser_approach": _DIFFERENCE,
    "gas_cooler_approach": _DIFFERENCE,
    "freeze_margin": _DIFFERENCE,
    "valve_position": Quantity.RATIO,
    "liquid_level": Quantity.RATIO,
    "high_side_margin": Quantity.PRESSURE_DIFFERENCE,
}
"""What a start-up is judged by and later compared with, and what quantity each is."""


def steady_finding(found: Mapping[str, Steadiness], window_s: float) -> Finding:
    """Steady before judged: not steady only where the trend exceeds its limit by more than its own u (k=2)."""
    key = "start_up.steady"
    if not found:
        return Finding(key, Verdict.CANNOT_TELL, (word("judged", "nothing"),))
    inputs: list[Argument] = [
        number(f"{n}_mean", _DIFFERENCE, known(s.mean, "K", s.u_mean)) for n, s in found.items() if s.mean is not None
    ]
    inputs.append(number("window", Quantity.TIME, known(window_s, "s")))
    for name, one in found.items():
        if one.steady is not True:
            inputs += (word("unsteady", name), name_of("reason", one.reason))
    if any(s.steady is False for s in found.values()):
        return Finding(key, Verdict.FAIL, (*inputs, word("judged", "no")))
    if any(s.steady is None for s in found.values()):
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    return Finding(key, Verdict.PASS, (*inputs, word("judged", "yes")))


def hunting_finding(swing: Hunting, valve: Series | None, unsteady: str | None = None) -> list[Finding]:
    """A regular swing of the superheat (common practice); none seen says nothing while it is not steady."""
    if swing.hunting is None:
        return []
    if not swing.hunting or swing.period_s is None:
        if unsteady is not None:
            inputs = (word("judged", "unsteady"), name_of("reason", unsteady))
            return [Finding("start_up.hunting", Verdict.CANNOT_TELL, inputs)]
        return [Finding("start_up.hunting", Verdict.PASS, (name_of("reason", swing.reason),))]
    seen = (
        number("period", Quantity.TIME, known(swing.period_s, "s")),
        number("amplitude", _DIFFERENCE, known(swing.amplitude, "K")),
        number("cycles", Quantity.COUNT, known(float(swing.cycles), "1")),
        word("cause", "gain"),
        word("cause", "bulb"),
        *((word("check", "valve_position"),) if valve is None else ()),
        word("check", "bulb_contact"),
        word("check", "gain_and_size"),
    )
    return [Finding("start_up.hunting", Verdict.ATTENTION, seen)]


def target_finding(name: str, value: Value, unsteady: str | None, target_k: float, tolerance_k: float) -> Finding:
    """A mean against its target; not judged while it is not steady, or hunts (unsteady: why).

    Guarded both ways: on target only where the mean with its expanded uncertainty (k=2) lies within the tolerance, off
    only where it lies beyond; between them, or a superheat that cannot be told from none: cannot tell.
    """
    key = f"start_up.{name}"
    inputs: tuple[Argument, ...] = (
        number(name, _DIFFERENCE, value),
        number("target", _DIFFERENCE, known(target_k, "K")),
        number("tolerance", _DIFFERENCE, known(tolerance_k, "K")),
    )
    if value.number is None:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unknown")))
    if unsteady is not None:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "unsteady"), name_of("reason", unsteady)))
    off = value.number - target_k
    by = number("off_by", _DIFFERENCE, known(abs(off), "K", value.u))
    perhaps_none = name.endswith("superheat") and value.number <= 2 * (value.u or 0.0)
    expanded = 2 * (value.u or 0.0)
    if abs(off) <= tolerance_k and perhaps_none:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, by, word("judged", "perhaps_none")))
    if abs(off) + expanded <= tolerance_k:
        return Finding(key, Verdict.PASS, (*inputs, by, word("judged", "on_target")))
    if abs(off) - expanded <= tolerance_k:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, by, word("judged", "within_u")))
    return Finding(key, Verdict.ATTENTION, (*inputs, by, word("judged", "above" if off > 0 else "below")))


def limited(key: str, name: str, value: Value, limit: float, *, low: bool = False, checks: tuple[str, ...] = (),
            causes: tuple[str, ...] = (), unsteady: str | None = None) -> list[Finding]:  # fmt: skip
    """A figure against a limit that it should stay below (low: above). Within U (k=2) of it: cannot tell."""
    if value.number is None:
        return []
    quantity = FIGURES.get(name, Quantity.TEMPERATURE)
    inputs = [number(name, quantity, value), number("limit", quantity, known(limit, value.unit))]
    if unsteady is not None:
        inputs += [word("judged", "unsteady"), name_of("reason", unsteady)]
        return [Finding(f"start_up.{key}", Verdict.CANNOT_TELL, tuple(inputs))]
    over = (value.number - limit) * (-1 if low else 1)
    expanded = 2 * (value.u or 0.0)
    if over <= -expanded:
        return [Finding(f"start_up.{key}", Verdict.PASS, (*inputs, word("judged", "fine")))]
    if over <= expanded:
        return [Finding(f"start_up.{key}", Verdict.CANNOT_TELL, (*inputs, word("judged", "within_u")))]
    said = (*(word("cause", c) for c in causes), *(word("check", c) for c in checks))
    return [Finding(f"start_up.{key}", Verdict.ATTENTION, (*inputs, word("judged", "beyond"), *said))]


def condensing_finding(value: Value, ambient: Value, unsteady: str | None = None) -> list[Finding]:
    """Condensing over ambient of an air-cooled machine. Below ambient it is a wrong sensor or a stopped machine; in
    winter head pressure control holds it up, and a high one says nothing."""
    if value.number is None:
        return []
    if value.number + 2 * (value.u or 0.0) <= 0 or value.number <= 0:
        checks = tuple(word("check", code) for code in ("ambient_sensor", "running"))
        inputs = (number("condensing_over_ambient", _DIFFERENCE, value), word("judged", "below_ambient"), *checks)
        return [Finding("start_up.condensing", Verdict.CANNOT_TELL, inputs)]
    winter = ambient.number is not None and ambient.number < WINTER_K and ambient.number + value.number <= HELD_UP_K
    if winter and value.number > HIGH_CONDENSING_K:
        held = (number("condensing_over_ambient", _DIFFERENCE, value), word("judged", "held_up"))
        return [Finding("start_up.condensing", Verdict.INFO, held)]
    return limited(
        "condensing", "condensing_over_ambient", value, HIGH_CONDENSING_K, unsteady=unsteady,
        causes=("condenser", "non_condensables", "overcharged"), checks=("condenser_air", "standing"),
    )  # fmt: skip


def standing_finding(pressure: Value, saturation: Value, lowest: Value, share: float) -> Finding:
    """Air in a machine that stands: its pressure against saturation at its temperature. Only this tells air from
    overcharge; subcooling does not. lowest: what a blend that is part vapor may have. share: of the pressure, that
    counts as air."""
    assert pressure.number is not None and saturation.number is not None and lowest.number is not None
    excess = pressure.number - saturation.number
    u = None if pressure.u is None or saturation.u is None else math.hypot(pressure.u, saturation.u)
    inputs = [
        number("standing_pressure", Quantity.PRESSURE, pressure),
        number("saturation", Quantity.PRESSURE, saturation),
        number("over_saturation", Quantity.PRESSURE_DIFFERENCE, known(excess, "Pa", u)),
        number("limit", Quantity.PRESSURE_DIFFERENCE, known(share * pressure.number, "Pa")),
    ]
    key, expanded = "start_up.standing", 2 * (u or 0.0)
    most = share * pressure.number
    if excess - expanded > most:
        return Finding(key, Verdict.ATTENTION, (*inputs, word("judged", "air"), word("check", "standing_again")))
    if pressure.number + expanded < lowest.number - most:
        return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "below"), word("check", "standing_again")))
    if pressure.number - lowest.number + expanded <= most:
        return Finding(key, Verdict.PASS, (*inputs, word("judged", "none")))
    return Finding(key, Verdict.CANNOT_TELL, (*inputs, word("judged", "within_u")))


def gas_cooler_approach_finding(value: Value, unsteady: str | None) -> list[Finding]:
    """Outlet of an air-cooled gas cooler over ambient. Below it a sensor is wrong, or water cools it: never a pass."""
    if value.number is not None and value.number <= 0:
        checks = (word("check", "ambient_sensor"), word("check", "outlet_sensor"))
        inputs = (number("gas_cooler_approach", _DIFFERENCE, value), word("judged", "below_ambient"), *checks)
        return [Finding("start_up.gas_cooler", Verdict.CANNOT_TELL, inputs)]
    return limited(
        "gas_cooler", "gas_cooler_approach", value, GAS_COOLER_APPROACH_K, checks=("condenser_air",), unsteady=unsteady
    )


def gas_cooler_finding(pressure: Value, optimum: Value, unsteady: str | None) -> list[Finding]:
    """A transcritical high side against the pressure of best COP for its gas cooler outlet."""
    if pressure.number is None or optimum.number is None:
        return []
    inputs = [number("high_side", Quantity.PRESSURE, pressure), number("optimum", Quantity.PRESSURE, optimum)]
    if unsteady is not None:
        inputs += [word("judged", "unsteady"), name_of("reason", unsteady)]
        return [Finding("start_up.optimum", Verdict.CANNOT_TELL, tuple(inputs))]
    off, expanded = pressure.number - optimum.number, 2 * math.hypot(pressure.u or 0.0, optimum.u or 0.0)
    judged = "near" if abs(off) <= max(expanded, 3e5) else "above" if off > 0 else "below"
    return [Finding("start_up.optimum", Verdict.INFO, (*inputs, word("judged", judged)))]


def margin_finding(value: Value, unsteady: str | None = None) -> list[Finding]:
    """Below the limit only by more than the expanded uncertainty (k=2), and while it is steady."""
    if value.number is None:
        return []
    verdict, judged = Verdict.FAIL, "over"
    if value.number > 2 * (value.u or 0.0):
        verdict, judged = Verdict.PASS, "below"
        if unsteady is not None:
            verdict, judged = Verdict.CANNOT_TELL, "unsteady"
    elif value.number > 0:
        verdict, judged = Verdict.ATTENTION, "at_limit"
    margin = number("high_side_margin", Quantity.PRESSURE_DIFFERENCE, value)
    why = (name_of("reason", unsteady),) if judged == "unsteady" and unsteady else ()
    return [Finding("start_up.high_side", verdict, (margin, word("judged", judged), *why))]


def compare_finding(before: Mapping[str, Value], after: Mapping[str, Value], baseline: str = "") -> Finding:
    """Before and after: changed where the difference exceeds the expanded uncertainty (k=2) of both, and what is
    worth naming. baseline: which start-up `before` is of."""
    changes: list[Argument] = []
    judged: list[Argument] = []
    for name, now in after.items():
        was = before.get(name)
        if was is None or was.number is None or now.number is None or was.unit != now.unit:
            continue
        u = None if was.u is None or now.u is None else math.hypot(was.u, now.u)
        step = now.number - was.number
        changes.append(number(f"{name}_change", FIGURES.get(name, _DIFFERENCE), known(step, now.unit, u)))
        code = "same"
        if u is None:
            code = "not_judged"
        elif abs(step) > max(2 * u, WORTH_NAMING.get(now.unit, 0.0)):
            code = "changed"
        judged.append(word(code, name))
    named = (name_of("baseline", baseline),) if baseline else ()
    if not changes:
        return Finding("start_up.compare", Verdict.CANNOT_TELL, named)
    return Finding("start_up.compare", Verdict.INFO, (*changes, *judged, *named))
