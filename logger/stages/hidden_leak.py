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
from logger.wording.given import Given, sentence

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


def hidden_leak(
    key: str, smallest: Value, largest: Value, drive: Drive, tested: ClosedSystem, rate: Quantity = Quantity.VACUUM_RISE
) -> Hidden:
    """smallest, largest: Pa/s of the closed system, of the test gas; unknown ones say why. rate: what they are."""
    if smallest.number is None or largest.number is None:
        why = name_of("reason", smallest.problem or largest.problem or "")
        return Hidden(Finding(key, Verdict.CANNOT_TELL, (word("judged", "no_rate"), why)), None)
    rates = (
        number("smallest_rate", rate, smallest),
        number("largest_rate", rate, largest),
    )
    if tested.volume_m3 is None or not tested.volume_m3 > 0.0:
        return Hidden(Finding(key, Verdict.CANNOT_TELL, (*rates, word("judged", "no_volume"))), None)
    flows = [pa_s * tested.volume_m3 for pa_s in (smallest.number, max(largest.number, 0.0))]
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


_NAME = "smallest leak this test could see"
RULE = (
    "smallest: seen in 95 of 100 tests; largest: still possible (95 %). Bounds: molecular and viscous flow "
    "of the refrigerant at its vapor pressure"
)


def words(f: Given) -> Text:
    """The finding in words."""
    judged = f.code("judged")
    if judged in ("no_rate", "no_volume"):
        why = f("reason") if judged == "no_rate" else "system volume not entered. Enter it in the job"
        return Text(f"{_NAME}: unknown", f"{sentence(_NAME)}: unknown, {why}.", RULE)
    if judged == "no_refrigerant":
        flow = f("largest_flow")
        return Text(f"leak up to {flow} not ruled out", f"A leak of {flow} of test gas or less would not show.", RULE)
    loss, most = f"{_from_to(f, 'largest')} of {f('gas')}", f"{f('largest_loss_high')} of {f('gas')}"
    body = f"A leak of {loss} would not show"
    if f.has("share"):
        body += f", up to {f.bound('share')} of the charge a year"
    headline = f"leak up to {most} not ruled out" if judged == "could_matter" else f"leak under {most} would not show"
    return Text(headline, f"{body}. {sentence(_NAME)}: {_from_to(f, 'smallest')}.", RULE)


def _from_to(f: Given, name: str) -> str:
    """ "0.45 to 16 lb a year"."""
    return f.from_to(f"{name}_loss_low", f"{name}_loss_high")


LABELS = {
    "smallest_rate": "smallest loss rate this test could see",
    "largest_rate": "largest steady loss still possible",
    "smallest_flow": "smallest leak this test could see",
    "largest_flow": "largest leak still possible",
    "smallest_loss_low": "smallest, in service, at least",
    "smallest_loss_high": "smallest, in service, up to",
    "largest_loss_low": "largest, in service, at least",
    "largest_loss_high": "largest, in service, up to",
    "share": "largest, share of the charge a year",
    "matters": "share that matters",
}
