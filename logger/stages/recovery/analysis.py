"""A recovery stage as a whole: how much as liquid and as vapour, what was in the way, and whether it is done.

Runs the live classes (MassRate, MassLedger, RecoveryWatch) over the recorded readings, so that its conclusions are
those of the screen, then judges the end: mass balance, the level of 40 CFR 82.156, the rebound.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from logger.model.finding import Finding, Verdict
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.value import Value, known, number, unknown, word
from logger.refrigerant import Refrigerant
from logger.scale.ledger import MassLedger, balance
from logger.scale.rate import Disturbance, FittedRate, MassRate, median_rate
from logger.stages.recovery.level import JUDGED_BY, RecoveryLevel
from logger.stages.recovery.live import FlowPhase, RecoveryNow, RecoveryWatch
from logger.stages.recovery.rebound import SETTLE_S, Rebound, judge_rebound
from logger.stages.recovery.stall import StallCause, inputs_of

MAX_STEPS = 4096
STALE_S = 30.0


@dataclass(frozen=True, slots=True)
class Stall:
    """From start_s to end_s (seconds from the window's start) nothing flowed while charge remained."""

    start_s: float
    end_s: float
    causes: tuple[StallCause, ...]


@dataclass(frozen=True, slots=True)
class RecoveryStep:
    """One moment, for plots and comparison; None where unknown. condensing_over_ambient_k: at the outlet, dew."""

    t_s: float
    rate_kg_s: float | None
    recovered_kg: float | None
    phase: FlowPhase
    condensing_over_ambient_k: float | None


@dataclass(frozen=True, slots=True)
class RecoveryResult:
    """steps: at most some 4000. changed_over_s: when liquid gave way to vapour last. liquid_rate, vapour_rate: medians
    over the phases. condensing_over_ambient: median while running.
    """

    steps: tuple[RecoveryStep, ...]
    changed_over_s: float | None
    liquid_rate: Value
    vapour_rate: Value
    recovered: Value
    condensing_over_ambient: Value
    ledger: MassLedger
    disturbances: tuple[Disturbance, ...]
    stalls: tuple[Stall, ...]
    rebound: Rebound | None
    findings: tuple[Finding, ...]


class Sampler:
    """Readings of several points at one moment, taken in ascending time; older than `stale_s` is unknown."""

    def __init__(self, series: Mapping[str, Series], stale_s: float = STALE_S) -> None:
        self._series = {name: s for name, s in series.items() if len(s)}
        self._at = dict.fromkeys(self._series, 0)
        spacings = {name: s.duration_s / max(len(s) - 1, 1) for name, s in self._series.items()}
        self._stale = {name: max(stale_s, 3 * spacing) for name, spacing in spacings.items()}

    def at(self, t_s: float) -> dict[str, Value]:
        """Each reading that is current at t_s, seconds, in Pa or K; called with rising times only."""
        out: dict[str, Value] = {}
        for name, series in self._series.items():
            t, i = series.t_s, self._at[name]
            while i + 1 < len(t) and t[i + 1] <= t_s:
                i += 1
            self._at[name] = i
            unit = "K" if name.endswith("temperature") else "Pa"
            if not -1.0 <= t_s - t[i] <= self._stale[name]:
                out[name] = unknown(unit, "no reading at that time")
            else:
                u = (series.u**2 + series.u_scale**2) ** 0.5
                out[name] = known(series.value[i], unit, u or None)
        return out


def analyse_recovery(
    series: Mapping[str, Series],
    *,
    refrigerant: Refrigerant | None,
    resolution_kg: float,
    charge_kg: float | None = None,
    u_charge_kg: float = 0.0,
    u_accuracy_kg: float = 0.0,
    cylinder: str = "",
    swaps: Sequence[tuple[float, str]] = (),
    level: RecoveryLevel | None = None,
    stopped_s: float | None = None,
    settle_s: float = SETTLE_S,
    before: Value | None = None,
) -> RecoveryResult:
    """series: by measuring point, one time zero; "cylinder_mass" is needed, all others help.

    resolution_kg: the scale's division; u_accuracy_kg: see MassLedger. swaps: (time, name of the cylinder that came).
    level: from recovery_level.required_level. stopped_s: when the machine was stopped for good.
    before: what earlier stages of the job took out, less what they put in.
    """
    charge = unknown("kg", "the system's full charge is not entered")
    if charge_kg is not None:
        charge = known(charge_kg, "kg", u_charge_kg)
    level_pa = None if level is None else level.pressure.number
    scale = series.get("cylinder_mass", Series("cylinder_mass", (), ()))
    watch = RecoveryWatch(refrigerant, charge, level_pa, before)
    run = _Run(scale, series, watch, resolution_kg, u_accuracy_kg, cylinder, swaps)
    run.go()
    rebound = None if level is None else level_held(series, level, refrigerant, stopped_s, settle_s)
    return run.result(charge_kg, u_charge_kg, rebound)


def level_held(
    series: Mapping[str, Series],
    level: RecoveryLevel,
    refrigerant: Refrigerant | None,
    stopped_s: float | None,
    settle_s: float = SETTLE_S,
) -> Rebound | None:
    """The level and the rebound, for which no scale is needed; None where no pressure is measured that shows them."""
    pressure = next((series[p] for p in JUDGED_BY if len(series.get(p, ()))), None)
    if pressure is None:
        return None
    around = next((series[p] for p in ("system_temperature", "ambient_temperature") if p in series), None)
    return judge_rebound(
        pressure, level, stopped_s=stopped_s, settle_s=settle_s, refrigerant=refrigerant, temperature=around
    )


class _Run:
    def __init__(
        self,
        scale: Series,
        series: Mapping[str, Series],
        watch: RecoveryWatch,
        resolution_kg: float,
        u_accuracy_kg: float,
        cylinder: str,
        swaps: Sequence[tuple[float, str]],
    ) -> None:
        self.scale, self.watch, self.cylinder = scale, watch, cylinder
        self.sampler = Sampler({name: s for name, s in series.items() if name != "cylinder_mass"})
        spacing = scale.duration_s / max(len(scale) - 1, 1)
        self.bucket_s = max(1.0, spacing, scale.duration_s / MAX_STEPS)
        self.rate = MassRate(
            resolution_kg=resolution_kg,
            noise_kg=scale.u,
            bucket_s=self.bucket_s,
            history_s=max(600.0, 50 * self.bucket_s),
        )
        self.ledger = MassLedger(resolution_kg, u_accuracy_kg)
        self.swaps = sorted(swaps)
        self.steps: list[RecoveryStep] = []
        self.rates: list[tuple[FlowPhase, FittedRate]] = []
        self.disturbances: list[Disturbance] = []
        self.stalls: list[Stall] = []

    def go(self) -> None:
        next_s = -float("inf")
        allowed = unknown("kg", "not judged here")
        swaps = list(self.swaps)
        for t, y in zip(self.scale.t_s, self.scale.value, strict=True):
            while swaps and t >= swaps[0][0]:
                self.rate.expect_swap()
                self.ledger = self.ledger.swap(swaps.pop(0)[1])
            rate = self.rate.update(t, y)
            while self.rate.disturbances:
                jump = self.rate.disturbances.popleft()
                self.disturbances.append(jump)
                self.ledger = self.ledger.jumped(jump)
            if t < next_s:
                continue
            next_s = t + self.bucket_s * (1 - 1e-9)
            if not self.ledger.legs:
                self.ledger = self.ledger.begin(t, self.cylinder, y, max(self.scale.u, self.rate.resolution_kg / 3))
            elif not self.rate.disturbed:
                self.ledger = self.ledger.read(self.rate.level_at(t))
            recovered = self.ledger.moved
            now = self.watch.update(t, rate, recovered, allowed, self.sampler.at(t))
            over = now.condensing_over_ambient.number
            if (fitted := self.rate.fitted) is not None:
                self.rates.append((now.phase, fitted))
            self.steps.append(RecoveryStep(t, rate.number, recovered.number, now.phase, over))
            self._stall(t, now)

    def _stall(self, t: float, now: RecoveryNow) -> None:
        if now.stalled_since_s is None:
            return
        if self.stalls and self.stalls[-1].start_s == now.stalled_since_s:
            self.stalls[-1] = Stall(now.stalled_since_s, t, now.causes)
        else:
            self.stalls.append(Stall(now.stalled_since_s, t, now.causes))

    def result(self, charge_kg: float | None, u_charge_kg: float, rebound: Rebound | None) -> RecoveryResult:
        self.ledger = self.ledger.ended(self.rate)
        recovered = self.ledger.moved
        liquid, vapour = self._rate_of(FlowPhase.LIQUID), self._rate_of(FlowPhase.VAPOUR)
        over = self._over_ambient()
        findings = [
            mass_finding(recovered, self.ledger),
            balance(recovered, charge_kg, u_charge_kg, self.watch.before),
            phase_finding(liquid, vapour, self.watch.changed_over_s, self.watch.because),
            *(stall_finding(stall) for stall in self.stalls),
            *condensing_finding(over),
            *(rebound.findings if rebound is not None else ()),
        ]
        return RecoveryResult(
            tuple(self.steps),
            self.watch.changed_over_s,
            liquid,
            vapour,
            recovered,
            over,
            self.ledger,
            tuple(self.disturbances),
            tuple(self.stalls),
            rebound,
            tuple(findings),
        )

    def _rate_of(self, phase: FlowPhase) -> Value:
        rate = median_rate([rate for at, rate in self.rates if at is phase], self.bucket_s)
        return rate if rate.number is not None else unknown("kg/s", f"too little {phase.value} was recovered")

    def _over_ambient(self) -> Value:
        running = (s for s in self.steps if s.phase in (FlowPhase.LIQUID, FlowPhase.VAPOUR))
        over = [s.condensing_over_ambient_k for s in running if s.condensing_over_ambient_k is not None]
        if not over:
            return unknown("K", "no outlet pressure with ambient temperature while running")
        middle = median(over)
        return known(middle, "K", 1.4826 * median(abs(o - middle) for o in over))


def mass_finding(recovered: Value, ledger: MassLedger) -> Finding:
    verdict = Verdict.CANNOT_TELL if recovered.number is None else Verdict.INFO
    return Finding("recovery.mass", verdict, (number("recovered", Quantity.MASS, recovered), *ledger.inputs()))


def phase_finding(liquid: Value, vapour: Value, changed_over_s: float | None, because: tuple[str, ...]) -> Finding:
    """because: why neither liquid nor vapour could be told, codes of the words file."""
    inputs = [number("rate_as_liquid", Quantity.MASS_RATE, liquid), number("rate_as_vapor", Quantity.MASS_RATE, vapour)]
    if liquid.number is None and vapour.number is None:
        return Finding(
            "recovery.phase", Verdict.CANNOT_TELL, (*inputs, *(word("because", reason) for reason in because))
        )
    if changed_over_s is not None:
        inputs.append(number("liquid_until", Quantity.TIME, known(changed_over_s, "s")))
    return Finding("recovery.phase", Verdict.INFO, tuple(inputs))


def stall_finding(stall: Stall) -> Finding:
    """When the flow stopped, for how long, and the likely causes."""
    inputs = (
        number("after", Quantity.TIME, known(stall.start_s, "s")),
        number("lasted", Quantity.TIME, known(stall.end_s - stall.start_s, "s")),
        *inputs_of(stall.causes),
    )
    return Finding("recovery.stall", Verdict.ATTENTION, inputs)


def condensing_finding(over: Value) -> tuple[Finding, ...]:
    """How far the recovery machine condenses over ambient, in K; nothing where that is unknown."""
    if over.number is None:
        return ()
    return (
        Finding(
            "recovery.condensing", Verdict.INFO,
            (number("condensing_over_ambient", Quantity.TEMPERATURE_DIFFERENCE, over),),
        ),
    )  # fmt: skip
