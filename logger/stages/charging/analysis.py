"""Weighing a charge in: how much is in, how much to go, when to close the valve.

The scale may carry the supply cylinder (it loses mass) or the receiver (it gains). Closing takes time: the hand, the
valve, what still runs out of the hose. So "close now" comes ahead by the rate times the closing time, which is learned
from each stop, and begins on the long side; what is then missing is topped up.

Caution: a cylinder is opened, heated or inverted only as its markings and licensed practice allow.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from logger.model.finding import Finding, Verdict
from logger.model.sample import Series
from logger.model.value import Value, known, unknown
from logger.scale.ledger import MassLedger
from logger.scale.rate import MassRate
from logger.scale.time_left import TimeLeft, time_left
from logger.wording.numbers import duration, mass, mass_rate, mass_with_spread

CLOSING_S = 4.0  # until learned: a slow hand on the valve (common practice, no source); short rather than over
SHORTEST_CLOSING_S, MAX_CLOSING_S = 0.3, 15.0
_SETTLED_S = 15.0
_NOTICED_S = 12.0  # until a flow that has just begun is seen
_NEAR = 0.6  # of a division: nearer cannot be read


class Advice(StrEnum):
    """What to do with the valve."""

    WAIT = "waiting for flow"
    FLOWING = "charging"
    CLOSE = "close now"
    TOP_UP = "short: open again with care"
    DONE = "target met"
    OVER = "over the target"


@dataclass(frozen=True, slots=True)
class ChargingNow:
    """charged, to_go, over: kg. rate: kg/s into the system. time_to_close: seconds until "close now".

    most_rate: faster than this, what is missing would be through before the valve could be closed again.
    """

    charged: Value
    to_go: Value
    over: Value
    rate: Value
    time_to_close: TimeLeft
    most_rate: Value
    advice: Advice


class ChargingWatch:
    """Live. target: kg into the system in this stage. resolution_kg: the scale's division.

    direction: -1 when the supply cylinder is on the scale, +1 for the receiver, None to find out from the first mass
    that moves. closing_s: from "close now" to no flow, as far as it is known beforehand.
    """

    def __init__(
        self, target: Value, *, resolution_kg: float, direction: int | None = None, closing_s: float = CLOSING_S
    ) -> None:
        self.target, self.resolution_kg, self.direction, self.closing_s = target, resolution_kg, direction, closing_s
        self.advice = Advice.WAIT
        self._closing: tuple[float, float, float] | None = None  # (when, charged, rate) at "close now"
        self._still_since_s: float | None = None

    def update(self, t_s: float, moved: Value, scale_rate: Value, quick: Value | None = None) -> ChargingNow:
        """moved: by the scale, positive when it gained (MassLedger.moved); scale_rate likewise (MassRate.value).

        quick: MassRate.quick, for a valve that moved a moment ago. Best fed with every reading, and `moved` from a
        level carried on to the moment (MassRate.level_at).
        """
        if moved.number is None:
            return self._unknown(str(moved.problem), scale_rate)
        self._find_direction(moved)
        if self.direction is None:
            charged = known(0.0, "kg", moved.u, "no mass has moved yet")
            rate = unknown("kg/s", "no mass has moved yet")
        else:
            charged = known(self.direction * moved.number, "kg", moved.u, moved.note)
            rate = scale_rate
            if scale_rate.number is not None:
                rate = known(self.direction * scale_rate.number, "kg/s", scale_rate.u, scale_rate.note)
        if self.target.number is None:
            none = unknown("kg", str(self.target.problem))
            advice = Advice.WAIT if self.direction is None else Advice.FLOWING
            return ChargingNow(charged, none, none, rate, time_left(none, rate), none, advice)
        assert charged.number is not None
        u = math.hypot(charged.u or 0.0, self.target.u or 0.0)
        to_go = known(self.target.number - charged.number, "kg", u)
        flow = self._flow(rate, quick)
        self._advise(t_s, charged.number, flow, self.target.number)
        left = known(self.target.number - charged.number - flow * self.closing_s, "kg", u)
        over = known(max(0.0, charged.number - self.target.number), "kg", u)
        most = known(max(to_go.number or 0.0, 0.0) / (self.closing_s + _NOTICED_S), "kg/s")
        return ChargingNow(charged, to_go, over, rate, time_left(left, rate), most, self.advice)

    def _unknown(self, problem: str, rate: Value) -> ChargingNow:
        none = unknown("kg", problem)
        return ChargingNow(none, none, none, rate, time_left(none, rate), none, self.advice)

    def _find_direction(self, moved: Value) -> None:
        assert moved.number is not None
        if self.direction is None and abs(moved.number) > max(3 * self.resolution_kg, 6 * (moved.u or 0.0)):
            self.direction = 1 if moved.number > 0 else -1

    def _flow(self, rate: Value, quick: Value | None) -> float:
        """kg/s into the system for deciding when to close: 0 where none can be told from noise."""
        flow = 0.0
        if rate.number is not None and rate.number > max(3 * (rate.u or 0.0), self.resolution_kg / 60):
            flow = rate.number
        if quick is not None and quick.number is not None and self.direction is not None:
            fresh, u = self.direction * quick.number, quick.u or 0.0
            if abs(fresh - flow) > 3 * u:
                flow = max(fresh, 0.0)
        return flow

    def _advise(self, t_s: float, charged: float, flow: float, target: float) -> None:
        missing = target - charged
        if self._closing is not None:
            self._learn(t_s, charged, flow > 0)
            if self._closing is not None:
                return
        if flow > 0 and missing <= flow * self.closing_s + 0.3 * self.resolution_kg:
            self._closing = (t_s, charged, flow)
            self._still_since_s = None
            self.advice = Advice.CLOSE
        elif missing < -self.resolution_kg:
            self.advice = Advice.OVER
        elif flow > 0:
            self.advice = Advice.FLOWING
        elif missing <= _NEAR * self.resolution_kg:
            self.advice = Advice.DONE
        elif self.advice is not Advice.WAIT:
            self.advice = Advice.TOP_UP

    def _learn(self, t_s: float, charged: float, flowing: bool) -> None:
        """Once the flow has stopped: what came after "close now", as seconds of its rate."""
        assert self._closing is not None
        when, at_close, rate = self._closing
        if flowing:
            self._still_since_s = None
            if t_s - when > 120.0:  # nobody closed: go on advising
                self._closing = None
            return
        if self._still_since_s is None:
            self._still_since_s = t_s
        if t_s - self._still_since_s < _SETTLED_S:
            return
        if rate > 0:
            took = min(max((charged - at_close) / rate, SHORTEST_CLOSING_S), MAX_CLOSING_S)
            u_took = self.resolution_kg / rate  # a trickle tells little about the time
            self.closing_s += 0.7 / (1 + u_took**2) * (took - self.closing_s)
        self._closing = None


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
        if now.rate.number is not None and now.rate.number > (peak.number or 0.0) and now.rate.note is None:
            peak = now.rate
    charged = ledger.moved
    if charged.number is not None:
        charged = known((watch.direction or 0) * charged.number, "kg", charged.u, charged.note)
    findings = (
        _mass_finding(charged, peak, scale.duration_s, ledger),
        *_target_finding(charged, target_kg, resolution_kg),
        *_full_charge_finding(charged, full_charge_kg, before_kg),
    )
    return ChargingResult(charged, peak, ledger, tuple(steps), findings)


def _mass_finding(charged: Value, peak: Value, took_s: float, ledger: MassLedger) -> Finding:
    key, rule = "charging.mass", "sum over the cylinders of last minus first settled reading (GUM for u)"
    if charged.number is None:
        return Finding(key, Verdict.CANNOT_TELL, "no mass", f"No mass: {charged.problem}.", rule)
    inputs = (("charged", charged), ("fastest", peak), *ledger.by_cylinder())
    text = f"{mass_with_spread(charged.number, charged.u)} in {duration(took_s)}"
    text += f", at most {mass_rate(peak.number)}" if peak.number else ""
    text += f"; {charged.note}." if charged.note else "."
    return Finding(key, Verdict.INFO, mass(charged.number), text, rule, inputs=inputs)


def _target_finding(charged: Value, target_kg: float | None, resolution_kg: float) -> tuple[Finding, ...]:
    if target_kg is None or charged.number is None:
        return ()
    over = charged.number - target_kg
    allowed = resolution_kg + 2 * (charged.u or 0.0)
    inputs = (("charged", charged), ("target", known(target_kg, "kg")))
    rule = "within one division of the scale of the target"
    decision = "one division plus the expanded uncertainty (k=2)"
    if abs(over) <= allowed:
        verdict, headline, text = Verdict.PASS, "target met", f"Target {mass(target_kg)} met."
    elif over > 0:
        verdict, headline = Verdict.FAIL, "over the target"
        text = f"{mass(over)} over the target of {mass(target_kg)}."
    else:
        verdict, headline = Verdict.ATTENTION, "short of the target"
        text = f"{mass(-over)} short of the target of {mass(target_kg)}."
    return (Finding("charging.target", verdict, headline, text, rule, decision, inputs),)


def _full_charge_finding(charged: Value, full_charge_kg: float | None, before_kg: float | None) -> tuple[Finding, ...]:
    if full_charge_kg is None or charged.number is None:
        return ()
    key, rule = "charging.full_charge", "charge on the nameplate"
    decision = "over or short where the difference exceeds its expanded uncertainty (k=2) and 1 % of the charge"
    full = ("full charge", known(full_charge_kg, "kg"))
    if before_kg is None:
        text = f"Full charge {mass(full_charge_kg)}; what was in the system before is not known."
        return (Finding(key, Verdict.CANNOT_TELL, "cannot tell", text, rule, decision, (("charged", charged), full)),)
    inside = known(before_kg + charged.number, "kg", charged.u)
    over = before_kg + charged.number - full_charge_kg
    inputs = (("charged", charged), ("in the system now", inside), full)
    share = f"{mass(before_kg + charged.number)} of {mass(full_charge_kg)}"
    if abs(over) <= max(2 * (charged.u or 0.0), 0.01 * full_charge_kg):
        return (Finding(key, Verdict.PASS, "full charge", f"Full charge: {share}.", rule, decision, inputs),)
    headline = "over the full charge" if over > 0 else "short of the full charge"
    return (Finding(key, Verdict.ATTENTION, headline, f"{headline.capitalize()}: {share}.", rule, decision, inputs),)
