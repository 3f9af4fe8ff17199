"""Limits and present fill of a recovery or charging cylinder.

The vapour above the liquid is counted: mass / volume = fill x liquid density + (1 - fill) x vapour density. A blend's
bulk composition is taken for both phases (a zeotropic blend's liquid is in truth a little richer in its heavier parts).
Of an unknown mixture the least dense candidate rules each limit and each fill.
"""

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from logger.cylinder.checks import suitability
from logger.cylinder.filling_rules import ROOM_K, RULES, WATER_DENSITY, FillRule, NoLimit, Ratio
from logger.model.cylinder import Cylinder
from logger.model.errors import ComputeError
from logger.model.finding import Finding
from logger.model.value import Value, inapplicable, known, unknown
from logger.refrigerant import SHIPPED, Catalogue, OutOfRange, Refrigerant

JURISDICTIONS = ("us", "un", "strictest")
EMPTY_SLACK = 0.005  # of the water capacity: how far below the tare an empty cylinder may read
ESTIMATED = "estimated blend: densities may be some percent off"
ESTIMATED_MARGIN = 0.05  # off each limit of such a blend: its critical temperature may be 3 K off (our own figure)
CAUTION = (
    "Computed from the markings as entered. Local codes, the cylinder's own markings and licensed practice come first. "
    "Never fill a cylinder that is out of test, damaged or marked as not refillable."
)


@dataclass(frozen=True, slots=True)
class RuleLimit:
    """One rule on this cylinder. net: kg, unknown with the reason where the rule gives none.

    how: the arithmetic in words. refrigerant: the candidate that rules.
    """

    key: str
    label: str
    source: str
    net: Value
    how: str = ""
    refrigerant: str = ""


@dataclass(frozen=True, slots=True)
class CylinderLimits:
    """max_net, max_gross: kg, by the tightest rule (`binding`, None when no rule gives a limit).

    liquid_full_temperature: K at which liquid fills the shell when it holds max_net.
    suitability: whether the marked pressure fits (49 CFR 173.301a, UN P200). refrigerants: what it was computed for.
    notes: what the user must know beside the numbers.
    """

    cylinder: Cylinder
    jurisdiction: str
    refrigerants: tuple[Refrigerant, ...]
    rules: tuple[RuleLimit, ...]
    binding: RuleLimit | None
    max_net: Value
    max_gross: Value
    liquid_full_temperature: Value
    suitability: Finding
    notes: tuple[str, ...] = ()
    caution: str = CAUTION


@dataclass(frozen=True, slots=True)
class PresentFill:
    """Fills are shares of the volume that liquid takes (1 = full). mass_allowed is negative when over the limit.

    of_limit: net mass over max net mass. liquid_full_temperature: K.
    """

    net_mass: Value
    fill_now: Value
    fill_25c: Value
    liquid_full_temperature: Value
    mass_allowed: Value
    of_limit: Value


def volume_m3(cylinder: Cylinder) -> float:
    """Inner volume, from the stamped water capacity (water at 60 °F, 999.0 kg/m3)."""
    return cylinder.water_capacity_kg / WATER_DENSITY


def contents(
    cylinder: Cylinder, refrigerant: str | None = None, catalogue: Catalogue = SHIPPED
) -> tuple[Refrigerant, ...]:
    """What may be in it: its refrigerant or candidates, and `refrigerant`, put into it. Raises UnknownRefrigerant."""
    names = [name for name in (cylinder.refrigerant, *cylinder.candidates, refrigerant) if name is not None]
    return tuple({r.name: r for r in map(catalogue.find, names)}.values())


@lru_cache(maxsize=256)
def limits(
    cylinder: Cylinder, jurisdiction: str = "strictest", refrigerant: str | None = None, catalogue: Catalogue = SHIPPED
) -> CylinderLimits:
    """Maximum masses by every rule of the jurisdiction ("us", "un" or "strictest": all of them).

    refrigerant: what is put in; with another in the cylinder it is an unknown mixture of both. catalogue: where names
    are looked up. Raises UnknownRefrigerant, and ComputeError for a jurisdiction, a tare or a water capacity that
    makes no sense.
    """
    if jurisdiction not in JURISDICTIONS:
        raise ComputeError(f"jurisdiction {jurisdiction!r} is not one of {', '.join(JURISDICTIONS)}")
    for what, mass_kg in (("tare", cylinder.tare_kg), ("water capacity", cylinder.water_capacity_kg)):
        if not mass_kg > 0:
            raise ComputeError(f"cylinder {cylinder.name}: a {what} of {mass_kg} kg is not above zero")
    inside = contents(cylinder, refrigerant, catalogue)
    rules = tuple(_rule_limit(rule, cylinder, inside) for rule in RULES if jurisdiction in rule.systems)
    stated = [(rule.net.number, rule) for rule in rules if rule.net.number is not None]
    if stated and len(inside) > 1:
        # A rule silent for one candidate is silent for the mixture; what it says of the others must still hold.
        for candidate in inside:
            holding = replace(cylinder, refrigerant=candidate.name, candidates=())
            alone = limits(holding, jurisdiction, catalogue=catalogue).binding
            if alone is not None and alone.net.number is not None:
                stated.append((alone.net.number, alone))
    binding = min(stated, key=lambda pair: pair[0])[1] if stated else None
    if binding is None or binding.net.number is None:
        problem = rules[0].net.problem or "no rule gives a limit"
        max_net, max_gross, full = unknown("kg", problem), unknown("kg", problem), unknown("K", problem)
    else:
        max_net = binding.net
        max_gross = known(binding.net.number + cylinder.tare_kg, "kg")
        full = _liquid_full(inside, binding.net.number / volume_m3(cylinder), None)
    return CylinderLimits(
        cylinder, jurisdiction, inside, rules, binding, max_net, max_gross, full,
        suitability(cylinder, inside), _notes(inside, rules),
    )  # fmt: skip


def _rule_limit(rule: FillRule, cylinder: Cylinder, inside: tuple[Refrigerant, ...]) -> RuleLimit:
    if not inside:
        net = unknown("kg", "the refrigerant is not known: name it, or the candidates of an unknown mixture")
        return RuleLimit(rule.key, rule.label, rule.source, net)
    try:
        tightest = min(((_ratio(rule, r, cylinder), r) for r in inside), key=lambda pair: pair[0].density)
    except NoLimit as exc:
        return RuleLimit(rule.key, rule.label, rule.source, unknown("kg", str(exc)))
    ratio, refrigerant = tightest
    net = known(ratio.density * volume_m3(cylinder), "kg")
    return RuleLimit(rule.key, rule.label, rule.source, net, ratio.how, refrigerant.name)


def _ratio(rule: FillRule, refrigerant: Refrigerant, cylinder: Cylinder) -> Ratio:
    ratio = rule.ratio(refrigerant, cylinder)
    if not refrigerant.estimated:
        return ratio
    return Ratio(
        ratio.density * (1 - ESTIMATED_MARGIN), f"{ratio.how}, less {ESTIMATED_MARGIN * 100:.0f} %: estimated blend"
    )


def _notes(inside: tuple[Refrigerant, ...], rules: tuple[RuleLimit, ...]) -> tuple[str, ...]:
    notes = []
    if len(inside) > 1:
        notes.append(
            "Unknown mixture: the least dense candidate rules. A mixture can hold a higher pressure than any of its "
            "parts; keep it apart and have it analysed."
        )
    guessed = [r.name for r in inside if r.estimated]
    if guessed:
        off = f"{ESTIMATED_MARGIN * 100:.0f} % is taken off its limits"
        notes.append(f"Estimated, not to handbook accuracy: {', '.join(guessed)}. {off}.")
    if any(rule.net.number is None for rule in rules) and any(rule.net.number is not None for rule in rules):
        silent = ", ".join(rule.label for rule in rules if rule.net.number is None)
        notes.append(f"No limit from: {silent}. The others alone decide here.")
    return tuple(notes)


def present_fill(net_mass: Value, temperature: Value, limit: CylinderLimits) -> PresentFill:
    """What is in the cylinder now. net_mass in kg, temperature of the contents in K; uncertainties carry over (k=1).

    Each result is unknown with its own reason where an input or the table does not give it.
    """
    if net_mass.number is None:
        reason = net_mass.problem or "net mass unknown"
        return PresentFill(
            net_mass, unknown("1", reason), unknown("1", reason), unknown("K", reason), unknown("kg", reason),
            unknown("1", reason),
        )  # fmt: skip
    allowed, share = _against_limit(net_mass, limit)
    slack = max(3 * (net_mass.u or 0.0), EMPTY_SLACK * limit.cylinder.water_capacity_kg)
    problem = None
    if net_mass.number < -slack:
        problem = "the net mass is below zero: check the tare, the zero of the scale and the hoses"
        allowed, share = unknown("kg", problem), unknown("1", problem)  # a wrong tare would hide an overfill
    elif not limit.refrigerants:
        problem = "the refrigerant is not known"
    if problem is not None:
        return PresentFill(
            net_mass, unknown("1", problem), unknown("1", problem), unknown("K", problem), allowed, share
        )
    volume = volume_m3(limit.cylinder)
    density = max(net_mass.number, 0.0) / volume
    density_u = None if net_mass.u is None else net_mass.u / volume
    temperature = temperature.with_note(_joined(net_mass.note, temperature.note))
    room = known(ROOM_K, "K", 0.0, net_mass.note)
    return PresentFill(
        net_mass,
        _fill(limit.refrigerants, density, density_u, temperature),
        _fill(limit.refrigerants, density, density_u, room),
        _liquid_full(limit.refrigerants, density, net_mass.note),
        allowed,
        share,
    )


def _against_limit(net_mass: Value, limit: CylinderLimits) -> tuple[Value, Value]:
    net_kg, u_kg, max_net = net_mass.number, net_mass.u, limit.max_net
    assert net_kg is not None
    if max_net.number is None:
        reason = max_net.problem or "no limit"
        return unknown("kg", reason), unknown("1", reason)
    over = None
    if net_kg > max_net.number:
        over = "over the limit"
    elif u_kg is not None and net_kg + 2 * u_kg >= max_net.number:
        over = "at the limit, within the scale's uncertainty"
    note = _note(limit.refrigerants, over, net_mass.note)
    share_u = None if u_kg is None else u_kg / max_net.number
    return known(max_net.number - net_kg, "kg", u_kg, note), known(net_kg / max_net.number, "1", share_u, note)


# Asked for the same few temperatures again and again, at each scan.
@lru_cache(maxsize=128)
def _liquid(refrigerant: Refrigerant, temperature_k: float) -> float:
    return refrigerant.liquid_density(temperature_k)


@lru_cache(maxsize=128)
def _vapour(refrigerant: Refrigerant, temperature_k: float) -> float:
    return refrigerant.vapour_density(temperature_k)


def liquid_share(refrigerant: Refrigerant, density: float, temperature_k: float) -> float:
    """Share of the volume that liquid takes, 0 to 1. density: mass over volume, kg/m3. Raises OutOfRange."""
    liquid, vapour = _liquid(refrigerant, temperature_k), _vapour(refrigerant, temperature_k)
    return min(max((density - vapour) / (liquid - vapour), 0.0), 1.0)


def _fill(inside: tuple[Refrigerant, ...], density: float, density_u: float | None, temperature: Value) -> Value:
    """The fullest of the candidates'."""
    kelvin = temperature.number
    if kelvin is None:
        return unknown("1", temperature.problem or "temperature unknown")
    try:
        share, ruling = max(((liquid_share(r, density, kelvin), r) for r in inside), key=lambda pair: pair[0])
        u = None
        if density_u is not None and temperature.u is not None and not ruling.estimated:
            per_density = 1 / (_liquid(ruling, kelvin) - _vapour(ruling, kelvin))
            per_kelvin = liquid_share(ruling, density, kelvin) - liquid_share(ruling, density, kelvin - 1)
            u = math.hypot(per_density * density_u, per_kelvin * temperature.u)
    except OutOfRange as exc:
        return unknown("1", str(exc))
    note = "full of liquid: no vapor space left" if share >= 1 else "no liquid" if share <= 0 else None
    return known(share, "1", u, _note(inside, note, temperature.note))


def _liquid_full(inside: tuple[Refrigerant, ...], density: float, mass_note: str | None) -> Value:
    """The lowest of the candidates': the temperature (K) at which liquid fills the shell, from where pressure climbs
    by tens of psi for each degree."""
    found = []
    for refrigerant in inside:
        low_k, high_k = refrigerant.bubble_range_k
        if density >= _liquid(refrigerant, low_k):
            return unknown("K", f"more than {refrigerant.name} can be as a liquid at any temperature: check the masses")
        if density >= _liquid(refrigerant, high_k):
            found.append(refrigerant.liquid_full_temperature(density))
    if not found:
        top_c = min(refrigerant.bubble_range_k[1] for refrigerant in inside) - 273.15
        return inapplicable("K", f"not full of liquid up to {top_c:.0f} °C ({top_c * 1.8 + 32:.0f} °F)")
    return known(min(found), "K", note=_note(inside, mass_note))


def _note(inside: tuple[Refrigerant, ...], *notes: str | None) -> str | None:
    """The notes, with the mark that every number of an estimated blend carries."""
    return _joined(*notes, ESTIMATED if any(refrigerant.estimated for refrigerant in inside) else None)


def _joined(*notes: str | None) -> str | None:
    return "; ".join(note for note in notes if note) or None
