"""A charging stage as a whole: the mass that went in, against the target and the full charge."""

import math
from dataclasses import dataclass

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Value, known, number, unknown, word
from logger.scale.ledger import MassLedger
from logger.scale.rate import MassRate
from logger.scale.standing import drift_kg
from logger.stages.charging.live import ChargingWatch

KNOWN_TO = 0.05  # of a charge, either way (k=2): what is known less well is not called met (Rimelog default)


@dataclass(frozen=True, slots=True)
class ChargingResult:
    """charged: into the system in this stage. steps: (t_s, charged kg, rate kg/s or None), for plots."""

    charged: Value
    peak_rate: Value
    ledger: MassLedger
    steps: tuple[tuple[float, float, float | None], ...]
    findings: tuple[Finding, ...]


def analyse_charging(
    scale: Series,
    *,
    resolution_kg: float,
    target_kg: float | None = None,
    full_charge_kg: float | None = None,
    before_kg: float | None = None,
    direction: int | None = None,
    cylinder: str = "",
    swaps: tuple[tuple[float, str], ...] = (),
    u_accuracy_kg: float = 0.0,
    most_steps: int = 4096,
) -> ChargingResult:
    """A charging stage as a whole.

    scale: the readings of "cylinder_mass". target_kg: for this stage. before_kg: what was in the system when the
    stage began (0 after an evacuation), None when unknown: then nothing is said against the full charge.
    swaps: (time, name of the cylinder that came).
    """
    spacing = scale.duration_s / max(len(scale) - 1, 1)
    bucket_s = max(1.0, spacing, scale.duration_s / most_steps)
    rate = MassRate(
        resolution_kg=resolution_kg, noise_kg=scale.u, bucket_s=bucket_s, history_s=max(600.0, 50 * bucket_s)
    )
    ledger = MassLedger(resolution_kg, u_accuracy_kg)
    watch = ChargingWatch(unknown("kg", "no target"), resolution_kg=resolution_kg, direction=direction)
    coming = sorted(swaps)
    steps: list[tuple[float, float, float | None]] = []
    next_s, peak = -math.inf, known(0.0, "kg/s")
    for t, y in zip(scale.t_s, scale.value, strict=True):
        while coming and t >= coming[0][0]:
            rate.expect_swap()
            ledger = ledger.swap(coming.pop(0)[1])
        rate.update(t, y)
        while rate.disturbances:
            ledger = ledger.jumped(rate.disturbances.popleft())
        if t < next_s:
            continue
        next_s = t + bucket_s * (1 - 1e-9)
        if not ledger.legs:
            ledger = ledger.begin(t, cylinder, y, max(scale.u, resolution_kg / 3))
        elif not rate.disturbed:
            ledger = ledger.read(rate.level_at(t))
        now = watch.update(t, ledger.moved, rate.value, rate.quick)
        if now.charged.number is not None:
            steps.append((t, now.charged.number, now.rate.number))
        if now.rate.number is not None and now.rate.note is None and _surely(now.rate) > _surely(peak):
            peak = now.rate
    if (ended := ledger.ended(rate)) is not ledger:
        ledger = ended
        watch.update(scale.duration_s, ledger.moved, rate.value)
    charged = ledger.moved
    drift = drift_kg(scale, resolution_kg)
    if charged.number is not None:
        u = math.hypot(charged.u or 0.0, drift / math.sqrt(3.0))
        charged = known((watch.direction or 0) * charged.number, "kg", u, charged.note)
    findings = (
        _mass_finding(charged, peak, scale.duration_s, ledger, drift),
        *_target_finding(charged, target_kg, resolution_kg),
        *_full_charge_finding(charged, full_charge_kg, before_kg, target_kg),
    )
    return ChargingResult(charged, peak, ledger, tuple(steps), findings)


def _surely(rate: Value) -> float:
    """The largest of many uncertain numbers is too large: that which is surely reached (k=2) is not."""
    return (rate.number or 0.0) - 2 * (rate.u or 0.0)


def _mass_finding(charged: Value, peak: Value, took_s: float, ledger: MassLedger, drift: float = 0.0) -> Finding:
    if charged.number is None:
        return Finding("charging.mass", Verdict.CANNOT_TELL, (number("charged", Quantity.MASS, charged),))
    return Finding(
        "charging.mass",
        Verdict.INFO,
        (
            number("charged", Quantity.MASS, charged),
            number("fastest", Quantity.MASS_RATE, peak),
            *ledger.inputs(),
            number("lasted", Quantity.TIME, known(took_s, "s")),
            *((number("drift", Quantity.MASS, known(drift, "kg")),) if drift else ()),
        ),
    )


def _target_finding(charged: Value, target_kg: float | None, resolution_kg: float) -> tuple[Finding, ...]:
    """Within one division of the scale and the expanded uncertainty (k=2) of the target, where that is known well
    enough: a charge that may be KNOWN_TO off either way is not called met."""
    if target_kg is None or charged.number is None:
        return ()
    over = charged.number - target_kg
    allowed = resolution_kg + 2 * (charged.u or 0.0)
    verdict, judged = Verdict.PASS, "met"
    if over > allowed:
        verdict, judged = Verdict.FAIL, "over"
    elif over < -allowed:
        verdict, judged = Verdict.ATTENTION, "short"
    elif 2 * (charged.u or 0.0) > max(resolution_kg, KNOWN_TO * target_kg):
        verdict, judged = Verdict.CANNOT_TELL, "too_coarse"
    inputs = (
        number("charged", Quantity.MASS, charged),
        number("target", Quantity.MASS, known(target_kg, "kg")),
        number("off_by", Quantity.MASS, known(abs(over), "kg", charged.u)),
        word("judged", judged),
    )
    return (Finding("charging.target", verdict, inputs),)


def _full_charge_finding(
    charged: Value, full_charge_kg: float | None, before_kg: float | None, target_kg: float | None = None
) -> tuple[Finding, ...]:
    """Over or short where the difference exceeds its expanded uncertainty (k=2) and 1 % of the charge. With a target
    that is what was asked, and a charge that nobody can tell is no answer in its place."""
    if full_charge_kg is None or charged.number is None:
        return ()
    moved = number("charged", Quantity.MASS, charged)
    full = number("full_charge", Quantity.MASS, known(full_charge_kg, "kg"))
    if before_kg is None:
        verdict = Verdict.CANNOT_TELL if target_kg is None else Verdict.INFO
        return (Finding("charging.full_charge", verdict, (moved, full, word("judged", "unknown"))),)
    over = before_kg + charged.number - full_charge_kg
    inside = number("in_the_system", Quantity.MASS, known(before_kg + charged.number, "kg", charged.u))
    verdict, judged = Verdict.PASS, "met"
    if abs(over) > max(2 * (charged.u or 0.0), 0.01 * full_charge_kg):
        verdict, judged = Verdict.ATTENTION, "over" if over > 0 else "short"
    elif 2 * (charged.u or 0.0) > KNOWN_TO * full_charge_kg:
        verdict, judged = Verdict.CANNOT_TELL, "too_coarse"
    return (Finding("charging.full_charge", verdict, (moved, inside, full, word("judged", judged))),)
