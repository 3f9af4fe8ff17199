"""A comparison in words and rows, the same for terminal, picture, PDF: measures with their interval, verdict, remarks.

Numbers are in the user's unit, both sides of a row in the same one; ± is the expanded uncertainty (k = 2).
"""

import math
from dataclasses import dataclass

from logger.export.comparison.figures import Compared
from logger.export.comparison.sides import Side
from logger.model.finding import Finding
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S, UNITS, show_unit, user_unit
from logger.model.value import Value
from logger.stages import registry
from logger.stages.comparison import Comparing, Fact
from logger.stages.comparison_words import CAVEAT, NORMALISED, name_of_measure, said_of_measure
from logger.stages.words import text_of
from logger.statistics.ratio import Answer, K, Measure
from logger.wording.values import Shown, duration

_MAX_DIGITS = 6
# SI unit -> name and factor, the same in both systems
_PLAIN: dict[str, tuple[str, float]] = {
    "1": ("%", 0.01),
    "s-1": ("%/h", 0.01 / 3600.0),
    "s/L": ("s/L", 1.0),
    "Pa.m3": ("Pa·m³", 1.0),
    "Pa.m3/s": ("Pa·m³/s", 1.0),
}
_BY_UNIT = {"kg": ("lb", "kg"), "kg/s": ("lb/min", "kg/min"), "K": ("F_diff", "K_diff")}
_PRESSURES = {Quantity.VACUUM: ("micron", "Pa"), Quantity.PRESSURE_DIFFERENCE: ("psi", "kPa")}
_WORD = {Answer.MORE: "differs", Answer.LESS: "differs", Answer.SAME: "same", Answer.CANNOT_TELL: "cannot tell"}


@dataclass(frozen=True, slots=True)
class Row:
    """One measure, ready to be set. name: with the unit of `a` and `b`. against: "0.79 (0.75 to 0.83)" of B / A, or
    "+5.4 ± 0.6 (B - A)".
    """

    name: str
    a: str
    b: str
    against: str
    word: str


def rows(found: Compared, shown: Shown) -> list[Row]:
    return [_row(m, found.by, shown) for m in found.result.measures]


def _row(measure: Measure, by: Comparing, shown: Shown) -> Row:
    a, b = measure.a, measure.b
    name, factor = _unit(a, b, by.pressure, shown.system)
    against = "unknown"
    if measure.ratio.number is not None and measure.low is not None and measure.high is not None:
        against = f"{_plain(measure.ratio.number)} ({_plain(measure.low)} to {_plain(measure.high)})"
    elif a.number is not None and b.number is not None:
        u = None if a.u is None or b.u is None else math.hypot(a.u, b.u)
        gap = b.number - a.number
        against = f"{'+' if gap >= 0 else '-'}{_figure(abs(gap), u, factor)} (B - A)"
    of_a, of_b = (_value(v, factor) for v in (a, b))
    return Row(f"{_capital(name_of_measure(measure, by, shown))}, {name}", of_a, of_b, against, _WORD[measure.answer])


def sentences(found: Compared, shown: Shown) -> list[str]:
    """The verdict in plain words: what each measure says, or why nothing can be said."""
    said = [said_of_measure(m, found.by, shown) for m in found.result.measures]
    return [_sentence(text) for text in dict.fromkeys(said or [_reason(found.result.finding, shown)])]


def _reason(finding: Finding, shown: Shown) -> str:
    body = text_of(finding, shown).body
    return body.partition(". ")[2] or body


def remarks(found: Compared, shown: Shown) -> list[str]:
    """What the reader must know beside the verdict."""
    out = [_sentence(NORMALISED[found.result.normalised])] if found.result.decided else []
    for letter, side in (("A", found.a), ("B", found.b)):
        out += [f"{letter}: {note}." for note in (clean(n).rstrip(".") for n in side.notes)]
    if found.differs:
        differences = "; ".join(
            f"{label} ({fact(one, shown)} and {fact(two, shown)})" for label, one, two in found.differs
        )
        out.append(f"They also differ in: {differences}.")
    return [*out, CAVEAT] if found.result.decided else out


def circumstances(found: Compared, shown: Shown) -> list[tuple[str, str, str]]:
    """(label, of A, of B): what was compared, and under what conditions."""
    pairs: list[tuple[str, str, str]] = [
        (label, of_a, of_b)
        for (label, of_a), (_, of_b) in zip(_about(found.a, shown), _about(found.b, shown), strict=True)
    ]
    mine, theirs = ({f.label: f for f in side.facts} for side in (found.a, found.b))
    for label in dict.fromkeys([*mine, *theirs]):
        of_a, of_b = (fact(f[label], shown) if label in f else "not known" for f in (mine, theirs))
        pairs.append((label, of_a, of_b))
    return pairs


def _about(side: Side, shown: Shown) -> list[tuple[str, str]]:
    local = Shown(shown.system, side.ambient_pa, side.utc_offset_s)
    lasted = duration((side.end_ns - side.stage.begun_ns) / NS_PER_S)
    running = " so far, still running" if side.running else ""
    return [
        ("Job and stage", f"{side.job.job_id}, {side.stage.number} {registry.label(side.stage.kind)}"),
        ("Begun", f"{local.time(side.stage.begun_ns, False)} {local.zone}"),
        ("Lasted", f"{lasted}{running}"),
        ("Appliance", clean(side.job.appliance) or "not stated"),
        ("Refrigerant", clean(side.refrigerant)),
    ]


def fact(item: Fact, shown: Shown) -> str:
    if isinstance(item.value, str):
        return clean(item.value)
    value = item.value
    if value.number is None:
        return value.problem or "unknown"
    if item.quantity is Quantity.TIME:
        return duration(value.number)
    assert item.quantity is not None
    text = shown.one(value, item.quantity)
    return text if not value.u else f"{text} ± {shown.spread(K * value.u, item.quantity)}"


def label(side: Side) -> str:
    """As the user named it, harmless and short enough to stand at a curve."""
    return clean(side.name, 60)


def _unit(a: Value, b: Value, pressure: Quantity, system: str) -> tuple[str, float]:
    """Name and size of the unit that both numbers are shown in; very small ones with a power of ten."""
    largest = max((abs(v.number) for v in (a, b) if v.number is not None), default=0.0)
    name, factor = _usual_unit(a.unit, largest, pressure, system)
    if 0.0 < largest / factor < 0.01:
        power = math.floor(math.log10(largest / factor))
        return f"1e{power} {name}", factor * 10.0**power
    return name, factor


def _usual_unit(unit: str, largest: float, pressure: Quantity, system: str) -> tuple[str, float]:
    at = 0 if system == "us" else 1
    if unit == "s":
        return ("s", 1.0) if largest < 180.0 else ("min", 60.0) if largest < 3 * 3600.0 else ("h", 3600.0)
    if unit == "Pa/s":
        rise = user_unit(Quantity.VACUUM_RISE, system)
        return show_unit(rise), rise.factor
    if unit in _PLAIN:
        return _PLAIN[unit]
    known = UNITS[(_PRESSURES[pressure] if unit == "Pa" else _BY_UNIT[unit])[at]]
    return show_unit(known), known.factor


def _value(value: Value, factor: float) -> str:
    return value.problem or "unknown" if value.number is None else _figure(value.number, value.u, factor)


def _figure(si: float, u: float | None, factor: float) -> str:
    """ "34.2 ± 0.4": figures follow the uncertainty (two of it), or three where none is stated."""
    number, spread = si / factor, None if u is None else K * u / factor
    digits = _digits(number, 3) if not spread else _digits(spread, 2)
    text = f"{round(number, digits) + 0.0:,.{digits}f}"
    return text if not spread else f"{text} ± {spread:,.{digits}f}"


def _digits(number: float, figures: int) -> int:
    return 0 if number == 0 else min(_MAX_DIGITS, max(0, figures - 1 - math.floor(math.log10(abs(number)))))


def _plain(ratio: float) -> str:
    """Three figures."""
    return f"{ratio:,.{0 if ratio >= 100 else 1 if ratio >= 10 else 2}f}" if ratio >= 0.1 else f"{ratio:.2g}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _sentence(text: str) -> str:
    return _capital(text if text.endswith(".") else f"{text}.")
