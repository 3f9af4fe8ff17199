"""What a tightness test could not have seen, after every pressure test and decay test.

The smallest leak it could tell from none and the largest that is still possible, as a flow of the test gas and as mass
of the job's refrigerant a year: bounds of molecular and viscous flow, at the barometer of the place.
"""

from dataclasses import dataclass

from logger.model.finding import Finding, Text, Verdict
from logger.model.points import Quantity
from logger.model.units import YEAR_S
from logger.model.value import Value, known, name_of, number, word
from logger.physics.leak_flow import Drive, ServiceGas, service_range
from logger.wording.given import Given

MATTERS_A_YEAR = 0.10  # of the charge: the lowest leak-rate threshold of 40 CFR 84.106


@dataclass(frozen=True, slots=True)
class ClosedSystem:
    """The system that was tested. volume: m3; charge: kg; each None when not entered. matters: the share of the charge
    a year that a leak which could hide may have."""

    volume_m3: float | None
    gas: ServiceGas | None
    charge_kg: float | None
    ambient_pa: float
    matters: float = MATTERS_A_YEAR


@dataclass(frozen=True, slots=True)
class Hidden:
    """share: of the charge a year that the largest leak still possible would lose, None where it is not known."""

    finding: Finding
    share: float | None


def hidden_leak(key: str, smallest: Value, largest: Value, drive: Drive, tested: ClosedSystem) -> Hidden:
    """smallest, largest: Pa/s of the closed system, of the test gas; unknown ones say why."""
    if smallest.number is None or largest.number is None:
        why = name_of("reason", smallest.problem or largest.problem or "")
        return Hidden(Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_rate"), why)), None)
    rates = (
        number("smallest_rate", Quantity.VACUUM_RISE, smallest),
        number("largest_rate", Quantity.VACUUM_RISE, largest),
    )
    if tested.volume_m3 is None or not tested.volume_m3 > 0.0:
        return Hidden(Finding(key, Verdict.CANNOT_TELL, (*rates, word("judged", "no_volume"))), None)
    flows = [rate * tested.volume_m3 for rate in (smallest.number, max(largest.number, 0.0))]
    inputs = [
        number("smallest_flow", Quantity.LEAK_RATE, known(flows[0], "Pa.m3/s")),
        number("largest_flow", Quantity.LEAK_RATE, known(flows[1], "Pa.m3/s")),
    ]
    if tested.gas is None:
        return Hidden(Finding(key, Verdict.CANNOT_TELL, (*rates, *inputs, word("judged", "no_refrigerant"))), None)
    share = None
    for name, flow in zip(("smallest", "largest"), flows, strict=True):
        low, high = service_range(flow, drive, tested.gas, tested.ambient_pa)
        inputs += [
            number(f"{name}_loss_low", Quantity.MASS_PER_YEAR, known(low, "kg/s")),
            number(f"{name}_loss_high", Quantity.MASS_PER_YEAR, known(high, "kg/s")),
        ]
        if tested.charge_kg:
            share = high * YEAR_S / tested.charge_kg
    inputs.append(name_of("gas", tested.gas.name))
    verdict, judged = Verdict.INFO, "no_charge"
    if share is not None:
        inputs += [
            number("share", Quantity.RATIO, known(share, "1")),
            number("matters", Quantity.RATIO, known(tested.matters, "1")),
        ]
        judged = "small" if share <= tested.matters else "could_matter"
        verdict = Verdict.INFO if share <= tested.matters else Verdict.ATTENTION
    return Hidden(Finding(key, verdict, (*rates, *inputs, word("judged", judged))), share)


RULE = (
    "smallest: seen in 95 of 100 tests; largest: still possible (95 %). Bounds: molecular and viscous flow "
    "of the refrigerant at its vapor pressure"
)


def words(f: Given) -> Text:
    """The finding in words."""
    judged = f.code("judged")
    if judged == "no_rate":
        return Text("leak that could hide: unknown", f"Leak that could hide unknown: {f('reason')}.", RULE)
    if judged == "no_volume":
        body = "Leak that could hide unknown: system volume not entered. Enter it in the job."
        return Text("leak that could hide: unknown", body, RULE)
    if judged == "no_refrigerant":
        body = f"A leak of up to {f('largest_flow')} of test gas could hide."
        return Text("a leak could hide", body, RULE)
    loss = f"{_from_to(f, 'largest')} of {f('gas')}"
    seen = f"Smallest this test could see: {_from_to(f, 'smallest')}."
    body = f"A leak of {loss} could hide"
    if f.has("share"):
        body += f", up to {f('share')} of the charge a year"
    headline = "a leak that matters could hide" if judged == "could_matter" else f"could hide: {loss}"
    return Text(headline, f"{body}. {seen}", RULE)


def _from_to(f: Given, name: str) -> str:
    """ "0.45 to 16 lb a year"."""
    return f"{f(f'{name}_loss_low').partition(' ')[0]} to {f(f'{name}_loss_high')}"


LABELS = {
    "smallest_rate": "smallest rise it could see",
    "largest_rate": "largest steady rise in play",
    "smallest_flow": "smallest leak it could see",
    "largest_flow": "largest leak still possible",
    "smallest_loss_low": "smallest, in service, at least",
    "smallest_loss_high": "smallest, in service, up to",
    "largest_loss_low": "largest, in service, at least",
    "largest_loss_high": "largest, in service, up to",
    "share": "largest, share of the charge a year",
    "matters": "share that matters",
}
